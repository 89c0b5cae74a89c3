//! Finding the BSDL file of an entity among files and folders.

use std::collections::HashMap;
use std::fs::File;
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::sync::Arc;

use taploom_bsdl::{Device, LineIndex, Options, Severity};

use super::error::Cause;
use crate::files::reason;
use crate::library::{LibraryError, bsdl_files};
use crate::tables::{Fault, nearest};

/// The BSDL files that a board may draw on. Only the first lines of each are read until an entity is asked for.
#[derive(Default)]
pub(crate) struct Library {
    /// Entity in upper case, as spelt, file, and which item of `bsdl` brought it.
    entries: Vec<(String, String, PathBuf, usize)>,
    searched: Vec<PathBuf>,
    read: HashMap<PathBuf, (Arc<Device>, u64)>,
    files: usize,
    /// True if a file or folder could not be read, which has been reported: what is not found may be there.
    pub(super) incomplete: bool,
}

impl Library {
    /// Adds a file or folder; earlier ones win over later ones.
    pub(crate) fn add(&mut self, path: PathBuf) -> Result<(), Cause> {
        let item = self.searched.len();
        self.searched.push(path.clone());
        let unreadable = |what, e: std::io::Error| {
            Cause::from(Fault::Unreadable {
                what,
                path: path.clone(),
                reason: reason(&e),
                help: BESIDE,
            })
        };
        let files = match bsdl_files(&path) {
            Ok(files) => files,
            Err(LibraryError::Unreadable { source, .. }) => {
                return Err(unreadable("BSDL folder", source));
            }
            // A folder without BSDL: what is asked for is then not found.
            Err(_) => Vec::new(),
        };
        for file in files {
            self.add_file(&file, item)
                .map_err(|e| unreadable("BSDL file or folder", e))?;
        }
        Ok(())
    }

    fn add_file(&mut self, path: &Path, item: usize) -> std::io::Result<()> {
        self.files += 1;
        crate::files::plain(path)?;
        if let Some(entity) = entity_of(BufReader::new(File::open(path)?))? {
            self.entries.push((
                entity.to_ascii_uppercase(),
                entity,
                path.to_path_buf(),
                item,
            ));
        }
        Ok(())
    }

    /// The device of an entity with its file and the fingerprint of its bytes, read once however often it is asked for.
    pub(crate) fn device(&mut self, entity: &str) -> Result<(Arc<Device>, PathBuf, u64), Cause> {
        let path = self.file_of(entity)?;
        if let Some((device, print)) = self.read.get(&path) {
            return Ok((device.clone(), path, *print));
        }
        let bytes = crate::files::read(&path).map_err(|e| Fault::Unreadable {
            what: "BSDL file",
            path: path.clone(),
            reason: reason(&e),
            help: BESIDE,
        })?;
        let outcome = taploom_bsdl::parse(&bytes, &Options::default());
        let errors = outcome.count(Severity::Error);
        let first = outcome
            .diagnostics
            .iter()
            .find(|d| d.severity == Severity::Error);
        match (outcome.device, first) {
            (Some(device), None) => {
                let (device, print) = (Arc::new(device), fnv1a(FNV_START, &bytes));
                self.read.insert(path.clone(), (device.clone(), print));
                Ok((device, path, print))
            }
            (_, first) => Err(Cause::Bsdl {
                entity: entity.into(),
                path,
                errors: if errors == 1 {
                    "1 error".into()
                } else {
                    format!("{errors} errors")
                },
                line: first.map_or(1, |d| {
                    LineIndex::new(&bytes).place(d.primary.start).line as usize
                }),
                message: first.map_or_else(|| "there is no entity".into(), |d| d.message.clone()),
            }),
        }
    }

    fn file_of(&self, entity: &str) -> Result<PathBuf, Cause> {
        let key = entity.to_ascii_uppercase();
        let mut found = self.entries.iter().filter(|(k, ..)| *k == key);
        let Some((_, _, first, item)) = found.next() else {
            let near = nearest(entity, self.entries.iter().map(|(_, e, ..)| e.as_str()))
                .map(str::to_string);
            let searched = self.searched.clone();
            return Err(Cause::EntityNotFound {
                entity: entity.into(),
                searched,
                files: self.files,
                near,
            });
        };
        // Within one folder there is no telling which is meant, unless they are copies.
        for (_, _, other, _) in found.filter(|(.., i)| i == item) {
            if crate::files::read(first).ok() != crate::files::read(other).ok() {
                let (first, second) = (first.clone(), other.clone());
                return Err(Cause::EntityTwice {
                    entity: entity.into(),
                    first,
                    second,
                });
            }
        }
        Ok(first.clone())
    }
}

/// The mend for files that the board file names.
pub(super) const BESIDE: &str =
    "paths count from the folder of the board file; mend the path or put the file there";

pub(super) const FNV_START: u64 = 0xcbf2_9ce4_8422_2325;

/// FNV-1a, 64 bits (public domain; offset basis and prime from memory).
pub(super) fn fnv1a(start: u64, bytes: &[u8]) -> u64 {
    bytes.iter().fold(start, |h, b| {
        (h ^ u64::from(*b)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// The name in the first `entity NAME is` outside comments; reads no further than that.
fn entity_of(mut text: impl BufRead) -> std::io::Result<Option<String>> {
    let mut line = Vec::new();
    let mut last = [String::new(), String::new()];
    loop {
        line.clear();
        // A line of a binary file can be endless; no BSDL line is longer than this.
        if std::io::Read::take(&mut text, 65_536).read_until(b'\n', &mut line)? == 0 {
            return Ok(None);
        }
        let code = line
            .windows(2)
            .position(|w| w == b"--")
            .map_or(&line[..], |i| &line[..i]);
        for word in code
            .split(|b| !(b.is_ascii_alphanumeric() || *b == b'_'))
            .filter(|w| !w.is_empty())
        {
            let word = String::from_utf8_lossy(word).into_owned();
            if word.eq_ignore_ascii_case("is") && last[0].eq_ignore_ascii_case("entity") {
                return Ok(Some(std::mem::take(&mut last[1])));
            }
            last.swap(0, 1);
            last[1] = word;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn entity_is_found_past_comments_and_line_ends() {
        let find = |text: &str| entity_of(text.as_bytes()).unwrap();
        assert_eq!(
            find("-- entity OLD is\r\nEntity\r\n  Heddle_208 -- x\r\n is\r\n generic"),
            Some("Heddle_208".into())
        );
        assert_eq!(find("package body entity is"), None);
        assert_eq!(find(""), None);
    }

    /// Published test values of FNV-1a 64: the empty text, and "a" [memory].
    #[test]
    fn fingerprint_is_fnv1a() {
        assert_eq!(fnv1a(FNV_START, b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(FNV_START, b"a"), 0xaf63_dc4c_8601_ec8c);
    }
}
