//! The archive that a kernel unpacks as its first file system: cpio in its "newc" form, as the kernel's
//! `Documentation/driver-api/early-userspace/buffer-format.rst` has it.

use std::collections::BTreeSet;
use std::fs;
use std::io;
use std::path::Path;

const FOLDER: u32 = 0o040_755;
const FILE: u32 = 0o100_644;
const PROGRAM: u32 = 0o100_755;

/// An archive in the making. Paths have no leading slash.
#[derive(Default)]
pub(super) struct Archive {
    bytes: Vec<u8>,
    number: u32,
    folders: BTreeSet<String>,
}

impl Archive {
    fn entry(&mut self, path: &str, mode: u32, content: &[u8]) {
        self.number += 1;
        let size = u32::try_from(content.len()).expect("files of less than 4 GiB");
        let name = path.len() as u32 + 1;
        // Inode, mode, owner, group, links, time, size, device, device of a node, length of the name, no sum.
        let fields = [self.number, mode, 0, 0, 1, 0, size, 0, 0, 0, 0, name, 0];
        self.bytes.extend(b"070701");
        for field in fields {
            self.bytes.extend(format!("{field:08x}").bytes());
        }
        self.bytes.extend(path.bytes().chain([0]));
        self.pad();
        self.bytes.extend(content);
        self.pad();
    }

    fn pad(&mut self) {
        self.bytes.resize(self.bytes.len().next_multiple_of(4), 0);
    }

    /// A folder, and those that it is in.
    pub(super) fn folder(&mut self, path: &str) {
        if path.is_empty() || self.folders.contains(path) {
            return;
        }
        if let Some((above, _)) = path.rsplit_once('/') {
            self.folder(above);
        }
        self.entry(path, FOLDER, &[]);
        self.folders.insert(path.to_owned());
    }

    /// A file from here.
    pub(super) fn file(&mut self, path: &str, from: &Path, program: bool) -> io::Result<()> {
        let content = fs::read(from)
            .map_err(|e| io::Error::new(e.kind(), format!("{}: {e}", from.display())))?;
        if let Some((above, _)) = path.rsplit_once('/') {
            self.folder(above);
        }
        self.entry(path, if program { PROGRAM } else { FILE }, &content);
        Ok(())
    }

    /// A folder from here with everything in it.
    pub(super) fn tree(&mut self, path: &str, from: &Path) -> io::Result<()> {
        self.folder(path);
        for entry in fs::read_dir(from)? {
            let entry = entry?;
            let inner = format!("{path}/{}", entry.file_name().to_string_lossy());
            if entry.file_type()?.is_dir() {
                self.tree(&inner, &entry.path())?;
            } else {
                self.file(&inner, &entry.path(), false)?;
            }
        }
        Ok(())
    }

    /// The whole archive.
    pub(super) fn finish(mut self) -> Vec<u8> {
        self.number = 0;
        self.entry("TRAILER!!!", 0, &[]);
        self.bytes
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Read back by the field widths of the format: 6 + 13 × 8 bytes of head, name and content padded to four.
    #[test]
    fn an_archive_holds_what_was_put_in() {
        let mut archive = Archive::default();
        let here = Path::new(env!("CARGO_MANIFEST_DIR"));
        archive
            .file("a/b/Cargo.toml", &here.join("Cargo.toml"), true)
            .unwrap();
        archive.folder("a/b");
        let bytes = archive.finish();
        let (mut at, mut found) = (0, Vec::new());
        loop {
            let field = |k: usize| {
                let digits = &bytes[at + 6 + 8 * k..][..8];
                u32::from_str_radix(std::str::from_utf8(digits).unwrap(), 16).unwrap() as usize
            };
            assert_eq!(&bytes[at..at + 6], b"070701");
            let (mode, size, name_bytes) = (field(1) as u32, field(6), field(11));
            let name = &bytes[at + 110..][..name_bytes - 1];
            let name = String::from_utf8(name.to_vec()).unwrap();
            let content = (at + 110 + name_bytes).next_multiple_of(4);
            at = (content + size).next_multiple_of(4);
            if name == "TRAILER!!!" {
                break;
            }
            found.push((name, mode, bytes[content..content + size].to_vec()));
        }
        assert_eq!(at, bytes.len());
        let manifest = fs::read(here.join("Cargo.toml")).unwrap();
        let expected = [
            ("a".to_owned(), FOLDER, vec![]),
            ("a/b".to_owned(), FOLDER, vec![]),
            ("a/b/Cargo.toml".to_owned(), PROGRAM, manifest),
        ];
        assert_eq!(found, expected);
    }
}
