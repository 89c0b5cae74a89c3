//! Plain files, read within bounds: the one way in which every room takes a small file into memory. A pipe would be waited
//! for without end, a device never ends.

use std::io::{self, Error, ErrorKind, Read};
use std::path::Path;

/// Largest board, bench, recipe, harness and BSDL file, in bytes.
pub const LARGEST: u64 = 256 << 20;

/// Refuses what is no plain file, before it is opened: opening a pipe could wait for ever.
///
/// # Errors
/// The system's, or that it is no plain file.
pub fn plain(path: &Path) -> io::Result<()> {
    match std::fs::metadata(path)?.is_file() {
        true => Ok(()),
        false => Err(Error::new(
            ErrorKind::InvalidInput,
            "it is no plain file: a folder, a pipe or a device",
        )),
    }
}

/// The bytes of a plain file of at most [`LARGEST`] bytes.
///
/// # Errors
/// The system's; no plain file; too large.
pub fn read(path: &Path) -> io::Result<Vec<u8>> {
    read_at_most(path, LARGEST)
}

/// The bytes of a plain file of at most so many bytes.
///
/// # Errors
/// As [`read`].
pub fn read_at_most(path: &Path, largest: u64) -> io::Result<Vec<u8>> {
    plain(path)?;
    let mut bytes = Vec::new();
    std::fs::File::open(path)?
        .take(largest + 1)
        .read_to_end(&mut bytes)?;
    if bytes.len() as u64 > largest {
        let most = largest >> 20;
        return Err(Error::new(
            ErrorKind::InvalidInput,
            format!("it is larger than {most} MiB"),
        ));
    }
    Ok(bytes)
}

/// The system's words without the error number.
pub fn reason(error: &Error) -> String {
    let text = error.to_string();
    let text = text.split(" (os error").next().unwrap_or_default();
    let mut chars = text.chars();
    chars
        .next()
        .map_or_else(String::new, |c| c.to_lowercase().chain(chars).collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_plain_file_is_refused_before_it_is_opened() {
        assert!(read(Path::new(file!())).is_ok_and(|bytes| !bytes.is_empty()));
        for odd in ["/dev/zero", "src"] {
            let error = read(Path::new(odd)).unwrap_err().to_string();
            assert!(error.contains("no plain file"), "{odd}: {error}");
        }
        assert_eq!(
            read(Path::new("src/none")).unwrap_err().kind(),
            ErrorKind::NotFound
        );
    }
}
