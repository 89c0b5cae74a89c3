//! Finding BSDL files among files and folders, and reading them within bounds.

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

/// Names that BSDL files end in, case ignored. A file that is named itself may be called anything.
pub const ENDINGS: [&str; 3] = ["bsd", "bsdl", "bsm"];

/// No BSDL file is larger than this, in bytes: what is, is something else (a device, a pipe without end).
pub const LARGEST: u64 = 256 << 20;

/// Folders are searched this deep.
const DEPTH: usize = 8;

/// Why a file or a folder could not be used.
#[derive(Debug, thiserror::Error)]
pub enum LibraryError {
    /// The system refuses it.
    #[error("cannot read {}: {}", path.display(), words(source))]
    Unreadable {
        /// The file or folder.
        path: PathBuf,
        /// The system's words.
        source: std::io::Error,
    },
    /// Larger than [`LARGEST`].
    #[error("{} is larger than {} MiB; no BSDL file is", path.display(), LARGEST >> 20)]
    TooLarge {
        /// The file.
        path: PathBuf,
    },
    /// A name that is no Unicode text cannot be remembered.
    #[error("the name {} is no Unicode text and cannot be remembered", path.display())]
    Name {
        /// The file or folder.
        path: PathBuf,
    },
    /// A folder without a single BSDL file.
    #[error("{} holds no file that ends in .bsd, .bsdl or .bsm", path.display())]
    NoFiles {
        /// The folder.
        path: PathBuf,
    },
}

impl LibraryError {
    pub(super) fn unreadable(path: &Path, source: std::io::Error) -> Self {
        LibraryError::Unreadable {
            path: path.to_owned(),
            source,
        }
    }
}

/// The system's words, lower case and without the error number.
fn words(error: &std::io::Error) -> String {
    let text = error.to_string();
    text.split(" (os error")
        .next()
        .unwrap_or_default()
        .to_lowercase()
}

/// The files that a path stands for: itself, or all BSDL files in the folder and below it, in order of name.
///
/// # Errors
/// [`LibraryError::Unreadable`] for a folder that cannot be listed, [`LibraryError::NoFiles`] for one without BSDL.
pub fn bsdl_files(path: &Path) -> Result<Vec<PathBuf>, LibraryError> {
    if !path.is_dir() {
        return Ok(vec![path.to_owned()]);
    }
    let mut files = Vec::new();
    search(path, DEPTH, &mut files)?;
    if files.is_empty() {
        return Err(LibraryError::NoFiles {
            path: path.to_owned(),
        });
    }
    Ok(files)
}

fn search(folder: &Path, depth: usize, files: &mut Vec<PathBuf>) -> Result<(), LibraryError> {
    let refused = |e| LibraryError::unreadable(folder, e);
    let mut entries = std::fs::read_dir(folder)
        .and_then(|entries| entries.collect::<Result<Vec<_>, _>>())
        .map_err(refused)?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = entry.path();
        let ending = path.extension().and_then(|e| e.to_str());
        let named = ending.is_some_and(|e| ENDINGS.iter().any(|k| e.eq_ignore_ascii_case(k)));
        // Only a link makes it worth asking the system about a file that is not named like one of ours.
        let kind = entry.file_type().map_err(refused)?;
        let is_folder = kind.is_dir() || (kind.is_symlink() && path.is_dir());
        if is_folder && depth > 0 {
            search(&path, depth - 1, files)?;
        } else if !is_folder && named {
            files.push(path);
        }
    }
    Ok(())
}

/// The bytes of a file, at most [`LARGEST`] of them.
///
/// # Errors
/// [`LibraryError::Unreadable`], [`LibraryError::TooLarge`].
pub fn read(path: &Path) -> Result<Vec<u8>, LibraryError> {
    let mut bytes = Vec::new();
    crate::files::plain(path)
        .and_then(|()| File::open(path))
        .and_then(|file| file.take(LARGEST + 1).read_to_end(&mut bytes))
        .map_err(|e| LibraryError::unreadable(path, e))?;
    if bytes.len() as u64 > LARGEST {
        return Err(LibraryError::TooLarge {
            path: path.to_owned(),
        });
    }
    Ok(bytes)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn folders_are_searched_in_order_and_what_is_missing_is_said() {
        let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures/knitting-machine");
        let files = bsdl_files(&fixtures).unwrap();
        let names: Vec<_> = files.iter().map(|p| p.file_name().unwrap()).collect();
        assert!(names.is_sorted() && names.len() >= 5, "{names:?}");
        let error = read(&fixtures.join("devices/none.bsd")).unwrap_err();
        assert!(
            error
                .to_string()
                .ends_with("none.bsd: no such file or directory"),
            "{error}"
        );
        let empty = Path::new(env!("CARGO_MANIFEST_DIR")).join("src/cli");
        let error = bsdl_files(&empty).unwrap_err().to_string();
        assert!(error.contains("holds no file"), "{error}");
    }

    #[test]
    fn a_file_without_end_is_refused() {
        let endless = Path::new("/dev/zero");
        if endless.exists() {
            let error = read(endless).unwrap_err().to_string();
            assert!(error.contains("no plain file"), "{error}");
        }
    }
}
