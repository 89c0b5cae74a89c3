//! Files that a run writes: none may be one that it reads, and each must be writable before anything is driven.

use std::path::Path;

use crate::board::Board;
use crate::files::reason;

use super::{Context, Failure};

impl Context {
    /// Looks at `--record` and `--trace` of a run that reads the board's files and `also`.
    ///
    /// # Errors
    /// As [`ready`].
    pub(super) fn outputs_ready(
        &self,
        board: Option<&Board>,
        also: &[&Path],
    ) -> Result<(), Failure> {
        let common = &self.common;
        let given = [("--record", &common.record), ("--trace", &common.trace)];
        let files = board.map_or(&[][..], |b| &b.files);
        let inputs = files.iter().map(|f| f.as_path());
        let inputs = inputs.chain(also.iter().copied());
        let inputs: Vec<&Path> = inputs.chain(common.simulate.as_deref()).collect();
        for (option, path) in given {
            if let Some(path) = path {
                ready(option, path, &inputs)?;
            }
        }
        Ok(())
    }
}

/// Refuses an output that is one of the inputs, and one that cannot be written; a pipe or a device is not tried.
///
/// # Errors
/// Which file, and why.
pub(super) fn ready(option: &str, path: &Path, inputs: &[&Path]) -> Result<(), Failure> {
    let shown = path.display();
    if let Some(input) = inputs.iter().find(|input| same(path, input)) {
        let words = format!(
            "{option} {shown} would overwrite {}, which this run reads",
            input.display()
        );
        return Err(Failure::input("file", words).help("name another file"));
    }
    if path.is_dir() {
        let words = format!("{option} {shown} is a folder");
        return Err(Failure::input("file", words).help("name a file in it"));
    }
    if path.exists() && !path.is_file() {
        return Ok(());
    }
    // Beside it, as it will be written: a file that is there stays as it is until the new one is whole.
    let mut name = path.file_name().unwrap_or_default().to_owned();
    name.push(format!(".{}.try", std::process::id()));
    let beside = path.with_file_name(name);
    match std::fs::File::create_new(&beside) {
        Ok(_) => {
            let _ = std::fs::remove_file(&beside);
            Ok(())
        }
        Err(error) => {
            let words = format!("{option} {shown} cannot be written: {}", reason(&error));
            Err(Failure::input("file", words).help("name a file in a folder that can be written"))
        }
    }
}

/// Whether two paths lead to one file, by whatever links.
fn same(a: &Path, b: &Path) -> bool {
    let (Ok(a), Ok(b)) = (std::fs::canonicalize(a), std::fs::canonicalize(b)) else {
        return false;
    };
    a == b || same_node(&a, &b)
}

#[cfg(unix)]
fn same_node(a: &Path, b: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let node = |path: &Path| std::fs::metadata(path).map(|m| (m.is_file(), m.dev(), m.ino()));
    matches!((node(a), node(b)), (Ok(a), Ok(b)) if a == b && a.0)
}

#[cfg(not(unix))]
fn same_node(_: &Path, _: &Path) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn links_lead_to_the_file_they_lead_to() {
        let folder = std::env::temp_dir().join(format!("taploom-outputs-{}", std::process::id()));
        std::fs::create_dir_all(&folder).unwrap();
        let file = |name: &str| folder.join(name);
        std::fs::write(file("board.toml"), "x").unwrap();
        std::fs::hard_link(file("board.toml"), file("hard")).unwrap();
        #[cfg(unix)]
        std::os::unix::fs::symlink(file("board.toml"), file("soft")).unwrap();
        let board = file("board.toml");
        for name in ["board.toml", "hard", "soft"] {
            let error = ready("--record", &file(name), &[&board]).unwrap_err();
            assert!(
                error.message.contains("would overwrite"),
                "{name}: {error:?}"
            );
        }
        assert!(ready("--record", &file("new.json"), &[&board]).is_ok());
        let error = ready("--record", &file("none/new.json"), &[&board]).unwrap_err();
        assert!(error.message.contains("cannot be written"), "{error:?}");
        assert!(ready("--record", &folder, &[&board]).is_err());
        assert_eq!(std::fs::read_dir(&folder).unwrap().count(), 3);
        std::fs::remove_dir_all(&folder).unwrap();
    }
}
