//! The index of BSDL files: which identity code belongs to which file.
//!
//! It is a cache and never the truth. A file whose size or time of change differs from what the index knows is read again,
//! one that changed so shortly before it was read that its time cannot tell is compared by a fingerprint, and an index that
//! is damaged in a single bit counts as none at all.

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use serde::{Deserialize, Serialize};
use taploom_bsdl::model::Pattern;
use taploom_bsdl::{Options, Severity};

use super::files::{LibraryError, bsdl_files, read};

/// The first word of the cache file, and its version.
const HEAD: &str = "taploom-index 1";
/// A cache larger than this, in bytes, is not read.
pub const LARGEST_INDEX: u64 = 64 << 20;
/// Two changes within this time may carry the same time of change; no file system in use is coarser (FAT: 2 s).
const DOUBT: Duration = Duration::from_secs(2);

/// What one BSDL file says about the identity of its part.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Indexed {
    /// Entity.
    pub entity: String,
    /// Packages: the names of the pin maps.
    pub packages: Vec<String>,
    /// Identity codes: 32 of 0, 1, X, most significant bit first.
    pub idcodes: Vec<String>,
    /// Bits in the instruction register.
    pub ir_length: u32,
    /// What that captures, most significant bit first.
    pub ir_capture: Option<String>,
    /// Errors that the reader found in the file.
    pub errors: usize,
}

impl Indexed {
    /// The identity codes as patterns.
    pub fn patterns(&self) -> impl Iterator<Item = Pattern> {
        self.idcodes
            .iter()
            .filter_map(|p| p.parse().ok())
            .filter(|p: &Pattern| p.len() == 32)
    }
}

/// What is known of one file.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
struct Entry {
    size: u64,
    /// Time of change since 1970, in nanoseconds; `None` where the system does not say.
    changed: Option<u64>,
    /// True if the file was read so shortly after its change that the time of a further change may be the same.
    doubtful: bool,
    fingerprint: u64,
    /// `None` for a file that describes no device.
    part: Option<Indexed>,
}

impl Entry {
    /// Stands for a file that is about to be looked at.
    fn unread() -> Self {
        Self {
            size: 0,
            changed: None,
            doubtful: true,
            fingerprint: 0,
            part: None,
        }
    }
}

/// The index: folders that are remembered, and what is known of the files in them.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Index {
    folders: BTreeSet<String>,
    files: BTreeMap<String, Entry>,
}

/// What bringing the index up to date took.
#[derive(Debug, Default)]
pub struct Refreshed {
    /// Files in the folders that could be looked at.
    pub files: usize,
    /// Files that were opened.
    pub opened: usize,
    /// Bytes that were read from them.
    pub bytes_read: u64,
    /// Files that the index knew and that are gone.
    pub gone: usize,
    /// True if the index differs from before, so that it is worth keeping.
    pub changed: bool,
    /// What could not be read.
    pub problems: Vec<LibraryError>,
}

impl Index {
    /// From a cache file; `None` if it is not one, is of another version, or is damaged anywhere.
    pub fn from_bytes(bytes: &[u8]) -> Option<Index> {
        let end = bytes.iter().position(|b| *b == b'\n')?;
        let (head, body) = (std::str::from_utf8(&bytes[..end]).ok()?, &bytes[end + 1..]);
        let print = head.strip_prefix(HEAD)?.strip_prefix(' ')?;
        if print != format!("{:016x}", fingerprint(body)) {
            return None;
        }
        serde_json::from_slice(body).ok()
    }

    /// As a cache file: a line with the fingerprint of the rest, then the rest.
    pub fn to_bytes(&self) -> Vec<u8> {
        Self::seal(&serde_json::to_vec(self).expect("maps of strings always print"))
    }

    /// A cache file of any contents, with the fingerprint that belongs to them: for tests that must get past it.
    pub fn seal(body: &[u8]) -> Vec<u8> {
        let mut bytes = format!("{HEAD} {:016x}\n", fingerprint(body)).into_bytes();
        bytes.extend_from_slice(body);
        bytes
    }

    /// The folders that are remembered.
    pub fn folders(&self) -> impl Iterator<Item = &Path> {
        self.folders.iter().map(Path::new)
    }

    /// Remembers a file or folder.
    ///
    /// # Errors
    /// [`LibraryError::Unreadable`] if it does not exist or is neither folder nor plain file; [`LibraryError::Name`] if its name is no Unicode text.
    pub fn add(&mut self, folder: &Path) -> Result<(), LibraryError> {
        let refused = |source| LibraryError::unreadable(folder, source);
        let whole = std::fs::canonicalize(folder).map_err(refused)?;
        // A device or a pipe would be asked for ever after.
        if !whole.is_dir() {
            crate::files::plain(&whole).map_err(refused)?;
        }
        let Some(text) = whole.to_str() else {
            return Err(LibraryError::Name { path: whole });
        };
        self.folders.insert(text.to_owned());
        Ok(())
    }

    /// Forgets a file or folder; false if it was not remembered.
    pub fn forget(&mut self, folder: &Path) -> bool {
        let whole = std::fs::canonicalize(folder).unwrap_or_else(|_| folder.to_owned());
        [whole.as_path(), folder]
            .iter()
            .filter_map(|p| p.to_str())
            .any(|p| self.folders.remove(p))
    }

    /// Every file that describes a part, in order of path.
    pub fn parts(&self) -> impl Iterator<Item = (&Path, &Indexed)> {
        self.files
            .iter()
            .filter_map(|(path, e)| Some((Path::new(path), e.part.as_ref()?)))
    }

    /// Brings the index up to date with the folders: files that are as known are not opened. `now` is the time of the call.
    pub fn refresh(&mut self, now: SystemTime) -> Refreshed {
        let mut done = Refreshed::default();
        let mut old = std::mem::take(&mut self.files);
        let mut asked = Vec::new();
        for folder in &self.folders {
            let found = bsdl_files(Path::new(folder)).unwrap_or_else(|problem| {
                if !matches!(problem, LibraryError::NoFiles { .. }) {
                    done.problems.push(problem);
                }
                Vec::new()
            });
            for path in found {
                let Some(name) = path.to_str().map(str::to_owned) else {
                    done.problems.push(LibraryError::Name { path });
                    continue;
                };
                // One folder may lie within another.
                if self.files.contains_key(&name) {
                    continue;
                }
                let old = old.remove(&name);
                self.files.insert(name.clone(), Entry::unread());
                asked.push((name, path, old));
            }
        }
        for (name, answer) in answers(asked, now) {
            match answer {
                Ok((entry, read)) => {
                    done.files += 1;
                    done.opened += usize::from(read.is_some());
                    done.bytes_read += read.unwrap_or(0);
                    done.changed |= read.is_some();
                    self.files.insert(name, entry);
                }
                Err(problem) => {
                    self.files.remove(&name);
                    done.problems.push(problem);
                }
            }
        }
        done.gone = old.len();
        done.changed |= done.gone > 0;
        done
    }
}

/// Fewer files than this for each thread are not worth a thread.
const SHARE: usize = 32;

/// A file to be looked at: its name, where it is, what was known of it.
type Asked = (String, PathBuf, Option<Entry>);
/// Its entry, and how many bytes were read if it was opened.
type Answer = Result<(Entry, Option<u64>), LibraryError>;

/// The entries of files, in the order asked; as many are read at a time as there are cores.
fn answers(asked: Vec<Asked>, now: SystemTime) -> Vec<(String, Answer)> {
    let answer = |(name, path, old): Asked| {
        let answer = up_to_date(&path, old, now);
        (name, answer)
    };
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    let share = asked.len().div_ceil(cores.clamp(1, 8)).max(SHARE);
    let mut shares: Vec<Vec<Asked>> = Vec::new();
    let mut rest = asked.into_iter();
    loop {
        let next: Vec<Asked> = rest.by_ref().take(share).collect();
        if next.is_empty() {
            break;
        }
        shares.push(next);
    }
    let last = shares.pop().unwrap_or_default();
    std::thread::scope(|scope| {
        let work = |share: Vec<Asked>| -> Vec<(String, Answer)> {
            share.into_iter().map(answer).collect()
        };
        let threads: Vec<_> = shares
            .into_iter()
            .map(|share| scope.spawn(move || work(share)))
            .collect();
        let last = work(last);
        let first = threads
            .into_iter()
            .flat_map(|t| t.join().expect("reading a file does not panic"));
        first.chain(last).collect()
    })
}

/// The entry of a file: the old one where the file is as known, else a new one, and the bytes that were read for it.
fn up_to_date(path: &Path, old: Option<Entry>, now: SystemTime) -> Answer {
    let about = std::fs::metadata(path).map_err(|e| LibraryError::unreadable(path, e))?;
    let modified = about.modified().ok();
    let changed = modified
        .and_then(|t| t.duration_since(SystemTime::UNIX_EPOCH).ok())
        .map(|d| d.as_nanos() as u64);
    let same = |e: &Entry| e.size == about.len() && e.changed == changed && changed.is_some();
    if let Some(entry) = old.as_ref().filter(|e| same(e) && !e.doubtful) {
        return Ok((entry.clone(), None));
    }
    let bytes = read(path)?;
    let fingerprint = fingerprint(&bytes);
    let part = match old {
        Some(entry) if entry.fingerprint == fingerprint && entry.size == bytes.len() as u64 => {
            entry.part
        }
        _ => part_in(&bytes),
    };
    let settled = modified
        .and_then(|t| now.duration_since(t).ok())
        .is_some_and(|age| age > DOUBT);
    let entry = Entry {
        size: bytes.len() as u64,
        changed,
        doubtful: !settled,
        fingerprint,
        part,
    };
    Ok((entry, Some(bytes.len() as u64)))
}

/// The part that a file describes.
fn part_in(bytes: &[u8]) -> Option<Indexed> {
    let outcome = taploom_bsdl::parse(bytes, &Options::default());
    let errors = outcome.count(Severity::Error);
    let device = outcome.device?;
    Some(Indexed {
        entity: device.entity,
        packages: device.pin_maps.into_iter().map(|m| m.name).collect(),
        idcodes: device.idcodes.iter().map(Pattern::to_string).collect(),
        ir_length: device.instruction_length,
        ir_capture: device.instruction_capture.map(|c| c.to_string()),
        errors,
    })
}

/// FNV-1a, 64 bits (public domain; offset basis and prime from memory), over words of eight bytes, then the rest: the
/// same sensitivity to any single bit at an eighth of the time.
fn fingerprint(bytes: &[u8]) -> u64 {
    let step = |h: u64, word: u64| {
        (h ^ word)
            .wrapping_mul(0x0000_0100_0000_01b3)
            .rotate_left(29)
    };
    let (words, rest) = bytes.as_chunks::<8>();
    let h = words.iter().fold(0xcbf2_9ce4_8422_2325, |h, w| {
        step(h, u64::from_le_bytes(*w))
    });
    rest.iter()
        .fold(step(h, bytes.len() as u64), |h, b| step(h, u64::from(*b)))
}

#[cfg(test)]
mod tests {
    use super::*;

    const BSDL: &str = "entity {} is end {};\n";

    struct Folder(PathBuf);

    impl Folder {
        fn new(name: &str) -> Self {
            let path =
                std::env::temp_dir().join(format!("taploom-index-{name}-{}", std::process::id()));
            let _ = std::fs::remove_dir_all(&path);
            std::fs::create_dir_all(&path).unwrap();
            Folder(path)
        }

        /// Writes a device, changed so many seconds after 1970.
        fn put(&self, name: &str, entity: &str, seconds: u64) {
            let path = self.0.join(name);
            std::fs::write(&path, BSDL.replace("{}", entity)).unwrap();
            let time = SystemTime::UNIX_EPOCH + Duration::from_secs(seconds);
            std::fs::File::options()
                .write(true)
                .open(&path)
                .unwrap()
                .set_modified(time)
                .unwrap();
        }
    }

    impl Drop for Folder {
        fn drop(&mut self) {
            let _ = std::fs::remove_dir_all(&self.0);
        }
    }

    fn at(seconds: u64) -> SystemTime {
        SystemTime::UNIX_EPOCH + Duration::from_secs(seconds)
    }

    fn entities(index: &Index) -> Vec<&str> {
        index.parts().map(|(_, p)| &*p.entity).collect()
    }

    #[test]
    fn files_as_known_are_not_opened_and_changes_are_seen() {
        let folder = Folder::new("changes");
        folder.put("a.bsd", "ALPHA", 1_000);
        folder.put("b.bsd", "BETA", 1_000);
        let mut index = Index::default();
        index.add(&folder.0).unwrap();
        let first = index.refresh(at(5_000));
        assert_eq!((first.files, first.opened, first.changed), (2, 2, true));
        assert_eq!(entities(&index), ["ALPHA", "BETA"]);

        let mut index = Index::from_bytes(&index.to_bytes()).unwrap();
        let second = index.refresh(at(6_000));
        assert_eq!(
            (
                second.files,
                second.opened,
                second.bytes_read,
                second.changed
            ),
            (2, 0, 0, false)
        );

        // Same size, another time; another file; one gone.
        folder.put("a.bsd", "OMEGA", 2_000);
        folder.put("c.bsd", "GAMMA", 1_000);
        std::fs::remove_file(folder.0.join("b.bsd")).unwrap();
        let third = index.refresh(at(7_000));
        assert_eq!((third.files, third.opened, third.gone), (2, 2, 1));
        assert_eq!(entities(&index), ["OMEGA", "GAMMA"]);

        assert!(index.forget(&folder.0) && !index.forget(&folder.0));
        assert_eq!(index.refresh(at(8_000)).gone, 2);
        assert_eq!(index, Index::default());
    }

    /// Read within the second of its change, then changed again without a trace in size and time.
    #[test]
    fn a_change_that_leaves_size_and_time_is_seen_by_the_fingerprint() {
        let folder = Folder::new("doubt");
        folder.put("a.bsd", "ALPHA", 1_000);
        let mut index = Index::default();
        index.add(&folder.0).unwrap();
        index.refresh(at(1_001));
        folder.put("a.bsd", "OMEGA", 1_000);
        assert_eq!(index.refresh(at(1_500)).opened, 1);
        assert_eq!(entities(&index), ["OMEGA"]);
        // By now its time is settled.
        assert_eq!(index.refresh(at(1_600)).opened, 0);
        // A clock that runs behind settles nothing.
        folder.put("a.bsd", "SIGMA", 9_000);
        index.refresh(at(2_000));
        assert_eq!(index.refresh(at(2_001)).opened, 1);
    }

    #[test]
    fn a_damaged_cache_is_none() {
        let folder = Folder::new("damage");
        folder.put("a.bsd", "ALPHA", 1_000);
        let mut index = Index::default();
        index.add(&folder.0).unwrap();
        index.refresh(at(5_000));
        let good = index.to_bytes();
        assert_eq!(Index::from_bytes(&good).as_ref(), Some(&index));
        for i in 0..good.len() {
            for bit in 0..8 {
                let mut bad = good.clone();
                bad[i] ^= 1 << bit;
                assert_eq!(Index::from_bytes(&bad), None, "bit {bit} of byte {i}");
            }
            assert_eq!(Index::from_bytes(&good[..i]), None, "cut at {i}");
        }
        // Whole, with the right fingerprint, and yet no index.
        let other = Index::seal(b"{\"folders\":3}");
        assert_eq!(Index::from_bytes(&other), None);
    }

    #[test]
    fn folders_within_folders_count_once_and_what_is_gone_is_a_problem() {
        let folder = Folder::new("nested");
        std::fs::create_dir(folder.0.join("inner")).unwrap();
        folder.put("inner/a.bsd", "ALPHA", 1_000);
        let mut index = Index::default();
        index.add(&folder.0).unwrap();
        index.add(&folder.0.join("inner")).unwrap();
        assert_eq!(index.refresh(at(5_000)).files, 1);
        assert!(matches!(
            index.add(&folder.0.join("none")),
            Err(LibraryError::Unreadable { .. })
        ));
        std::fs::remove_dir_all(folder.0.join("inner")).unwrap();
        let done = index.refresh(at(6_000));
        assert_eq!((done.files, done.gone, done.problems.len()), (0, 1, 1));
    }
}
