//! Finding BSDL files among files and folders, and reading them within bounds.

use std::collections::HashSet;
use std::path::{Path, PathBuf};

use taploom_bsdl::model::Package;
use taploom_bsdl::{Options, Outcome};

/// Names that BSDL files end in, case ignored. A file that is named itself may be called anything.
pub const ENDINGS: [&str; 3] = ["bsd", "bsdl", "bsm"];

/// Names that files with packages end in, case ignored.
pub const PACKAGE_ENDINGS: [&str; 5] = ["vhd", "vhdl", "pkg", "bsd", "bsdl"];

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
    search(path, DEPTH, &mut HashSet::new(), &mut files)?;
    if files.is_empty() {
        return Err(LibraryError::NoFiles {
            path: path.to_owned(),
        });
    }
    Ok(files)
}

/// Adds the BSDL files of a folder. Each folder is searched once, under whatever names links give it; pipes, sockets and
/// devices are no files to be found, whatever they are called.
fn search(
    folder: &Path,
    depth: usize,
    searched: &mut HashSet<PathBuf>,
    files: &mut Vec<PathBuf>,
) -> Result<(), LibraryError> {
    let refused = |e| LibraryError::unreadable(folder, e);
    if !searched.insert(std::fs::canonicalize(folder).map_err(refused)?) {
        return Ok(());
    }
    let mut entries = std::fs::read_dir(folder)
        .and_then(|entries| entries.collect::<Result<Vec<_>, _>>())
        .map_err(refused)?;
    entries.sort_by_key(std::fs::DirEntry::file_name);
    for entry in entries {
        let path = entry.path();
        // Only a link makes it worth asking the system once more.
        let kind = entry.file_type().map_err(refused)?;
        let (is_folder, is_file) = match kind.is_symlink() {
            true => (path.is_dir(), path.is_file()),
            false => (kind.is_dir(), kind.is_file()),
        };
        if is_folder && depth > 0 {
            search(&path, depth - 1, searched, files)?;
        } else if is_file && ends_in(&path, &ENDINGS) {
            files.push(path);
        }
    }
    Ok(())
}

fn ends_in(path: &Path, endings: &[&str]) -> bool {
    let ending = path.extension().and_then(|e| e.to_str());
    ending.is_some_and(|e| endings.iter().any(|k| e.eq_ignore_ascii_case(k)))
}

/// Packages that a description uses and that lie in files called like them, in one of the folders: `LOOM_CELLS.vhd`, say.
/// A file that cannot be read or holds no package counts as none.
pub fn packages(names: &[String], folders: &[&Path]) -> Vec<Package> {
    let mut found = Vec::new();
    for folder in folders {
        let Ok(entries) = std::fs::read_dir(folder) else {
            continue;
        };
        let paths = entries.flatten().map(|e| e.path());
        let mut paths: Vec<PathBuf> = paths
            .filter(|p| ends_in(p, &PACKAGE_ENDINGS) && p.is_file())
            .collect();
        paths.sort();
        for path in paths {
            let stem = path.file_stem().and_then(|s| s.to_str());
            if stem.is_some_and(|s| names.iter().any(|n| n.eq_ignore_ascii_case(s)))
                && let Ok(bytes) = read(&path)
            {
                found.extend(taploom_bsdl::parse_package(&bytes, &Options::default()).0);
            }
        }
    }
    found
}

/// Reads a description, and the packages that it uses from the files called like them beside it and in `folders`.
pub fn parse_with_packages(
    path: &Path,
    bytes: &[u8],
    options: &Options,
    folders: &[PathBuf],
) -> Outcome {
    let outcome = taploom_bsdl::parse(bytes, options);
    let used = outcome.device.as_ref().map_or(&[][..], |d| &d.packages);
    // B711: a package is not at hand.
    if !outcome.diagnostics.iter().any(|d| d.code == "B711") {
        return outcome;
    }
    let beside = path.parent().filter(|p| !p.as_os_str().is_empty());
    let mut places = vec![beside.unwrap_or(Path::new("."))];
    places.extend(folders.iter().map(PathBuf::as_path));
    let packages = packages(used, &places);
    if packages.is_empty() {
        return outcome;
    }
    let mut options = options.clone();
    options.packages.extend(packages);
    taploom_bsdl::parse(bytes, &options)
}

/// The bytes of a plain file, at most [`LARGEST`](crate::files::LARGEST) of them.
///
/// # Errors
/// [`LibraryError::Unreadable`].
pub fn read(path: &Path) -> Result<Vec<u8>, LibraryError> {
    crate::files::read(path).map_err(|e| LibraryError::unreadable(path, e))
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

    /// Links that lead back, pipes and devices called like BSDL files, and a package beside the file that uses it.
    #[cfg(unix)]
    #[test]
    fn hostile_folders_are_searched_once() {
        use std::os::unix::fs::symlink;
        let folder = std::env::temp_dir().join(format!("taploom-hostile-{}", std::process::id()));
        let _ = std::fs::remove_dir_all(&folder);
        std::fs::create_dir_all(folder.join("inner")).unwrap();
        for i in 0..12 {
            symlink(&folder, folder.join(format!("inner/back{i}"))).unwrap();
        }
        symlink("/dev/zero", folder.join("zero.bsd")).unwrap();
        symlink(folder.join("none"), folder.join("gone.bsd")).unwrap();
        let socket = std::os::unix::net::UnixListener::bind(folder.join("socket.bsd"));
        assert!(socket.is_ok());
        std::fs::create_dir(folder.join("folder.bsd")).unwrap();
        let text = "entity LOOM is use STD_1149_1_2001.all; use Loom_Cells.all; end LOOM;";
        std::fs::write(folder.join("inner/a.bsd"), text).unwrap();
        let package = "package LOOM_CELLS is constant CARD : CELL_INFO := ((INPUT, EXTEST, PI), (INPUT, SAMPLE, PI)); end LOOM_CELLS;";
        std::fs::write(folder.join("LOOM_CELLS.vhd"), package).unwrap();
        let found = bsdl_files(&folder).unwrap();
        assert_eq!(found, [folder.join("inner/a.bsd")]);

        let bytes = read(&found[0]).unwrap();
        let absent = |folders: &[PathBuf]| {
            let outcome = parse_with_packages(&found[0], &bytes, &Options::default(), folders);
            outcome.diagnostics.iter().any(|d| d.code == "B711")
        };
        assert!(absent(&[]) && !absent(std::slice::from_ref(&folder)));
        std::fs::rename(
            folder.join("LOOM_CELLS.vhd"),
            folder.join("inner/loom_cells.VHD"),
        )
        .unwrap();
        assert!(!absent(&[]));
        std::fs::remove_dir_all(&folder).unwrap();
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
