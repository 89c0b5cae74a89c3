//! Files that are whole or not there: records, witnesses, and the last good record of a board.

use std::fs::File;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use crate::library::{Index, LARGEST_INDEX};

/// Why a file was not kept. The old content, if any, is untouched.
#[derive(Debug, thiserror::Error)]
#[error("cannot write {}: {source}", path.display())]
pub struct StoreError {
    /// The file.
    pub path: PathBuf,
    /// The system's words.
    pub source: std::io::Error,
}

/// Writes a file so that it is either as before or whole: to a neighbour first, then renamed.
///
/// # Errors
/// [`StoreError`].
pub fn write_whole(path: &Path, content: &[u8]) -> Result<(), StoreError> {
    let fail = |source| StoreError {
        path: path.to_owned(),
        source,
    };
    // A pipe or a device cannot be replaced; it is written as it is.
    if path.exists() && !path.is_file() {
        return std::fs::write(path, content).map_err(fail);
    }
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.part", std::process::id()));
    let part = path.with_file_name(name);
    let written = File::create(&part)
        .and_then(|mut file| {
            file.write_all(content)?;
            file.sync_all()
        })
        .and_then(|()| std::fs::rename(&part, path));
    written.map_err(|source| {
        let _ = std::fs::remove_file(&part);
        fail(source)
    })
}

/// The folder for what the program remembers between runs: `TAPLOOM_STATE`, else the user's
/// state folder (`$XDG_STATE_HOME` or `~/.local/state`), else none.
fn state_folder() -> Option<PathBuf> {
    let set = |name| {
        std::env::var_os(name)
            .filter(|v| !v.is_empty())
            .map(PathBuf::from)
    };
    set("TAPLOOM_STATE")
        .or_else(|| Some(set("XDG_STATE_HOME")?.join("taploom")))
        .or_else(|| Some(set("HOME")?.join(".local/state/taploom")))
}

/// Where the index of BSDL files stands; `None` without a state folder.
pub fn index_path() -> Option<PathBuf> {
    Some(state_folder()?.join("bsdl-index"))
}

/// The index of BSDL files as it was kept: with false if there is one that is damaged or cannot be read, which then counts
/// as empty.
pub fn kept_index() -> (Index, bool) {
    let Some(path) = index_path() else {
        return (Index::default(), true);
    };
    match crate::files::read_at_most(&path, LARGEST_INDEX) {
        Err(error) => (Index::default(), error.kind() == ErrorKind::NotFound),
        Ok(bytes) => match Index::from_bytes(&bytes) {
            Some(index) => (index, true),
            None => (Index::default(), false),
        },
    }
}

/// Keeps the index of BSDL files. Without a state folder nothing is kept.
///
/// # Errors
/// [`StoreError`].
pub fn keep_index(index: &Index) -> Result<(), StoreError> {
    let Some(path) = index_path() else {
        return Ok(());
    };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(|source| StoreError {
            path: folder.to_owned(),
            source,
        })?;
    }
    // What stands there instead of a file is left alone: a pipe would be waited for without end.
    match crate::files::plain(&path) {
        Err(source) if source.kind() != ErrorKind::NotFound => Err(StoreError { path, source }),
        _ => write_whole(&path, &index.to_bytes()),
    }
}

/// Where the last good record of a board stands. Simulated runs are kept apart: they prove
/// nothing about a real harness.
fn last_good_path(board_hash: &str, simulated: bool) -> Option<PathBuf> {
    let name = if simulated {
        format!("{board_hash}.simulated.json")
    } else {
        format!("{board_hash}.json")
    };
    Some(state_folder()?.join("boards").join(name))
}

/// The last good record of the board with this hash, if one was kept.
pub fn last_good(board_hash: &str, simulated: bool) -> Option<String> {
    std::fs::read_to_string(last_good_path(board_hash, simulated)?).ok()
}

/// Keeps a record as the board's last good one. Without a state folder nothing is kept.
///
/// # Errors
/// [`StoreError`].
pub fn keep_last_good(board_hash: &str, simulated: bool, record: &str) -> Result<(), StoreError> {
    let Some(path) = last_good_path(board_hash, simulated) else {
        return Ok(());
    };
    if let Some(folder) = path.parent() {
        std::fs::create_dir_all(folder).map_err(|source| StoreError {
            path: folder.to_owned(),
            source,
        })?;
    }
    write_whole(&path, record.as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_file_is_replaced_whole_and_a_missing_folder_is_said() {
        let folder = std::env::temp_dir().join(format!("taploom-store-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let path = folder.join("record.json");
        write_whole(&path, b"one").unwrap();
        write_whole(&path, b"two").unwrap();
        assert_eq!(std::fs::read(&path).unwrap(), b"two");
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 1);
        let error = write_whole(&folder.join("no/record.json"), b"x").unwrap_err();
        assert!(error.to_string().starts_with("cannot write "), "{error}");
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
