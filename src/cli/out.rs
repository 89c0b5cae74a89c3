//! Standard output for data, standard error for notes. A closed pipe is no error.

use std::io::Write;
use std::sync::mpsc::RecvTimeoutError;
use std::time::Duration;

use anstyle::{AnsiColor, Style};

use crate::session::{Cancel, Stop};

// Colour is never the only sign: what it marks is a word too. Cyan and yellow stay apart for colour-blind eyes.

/// For advice and notes.
pub(crate) const NOTE: Style = AnsiColor::Cyan.on_default();
/// For errors.
pub(crate) const BAD: Style = AnsiColor::Yellow.on_default().bold();

/// Writes data to standard output; colour only where a terminal takes it. False, with a note, if it could not be written: a
/// reader that has gone away is no error, a full disk is.
pub(crate) fn data(text: &str) -> bool {
    let mut out = anstream::stdout().lock();
    let mut written = out.write_all(text.as_bytes());
    if !text.ends_with('\n') {
        written = written.and_then(|()| out.write_all(b"\n"));
    }
    match written.and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => {
            note(&format!("error: cannot write to standard output: {error}"));
            false
        }
        _ => true,
    }
}

/// Writes a line to standard error.
pub(crate) fn note(line: &str) {
    let _ = writeln!(anstream::stderr().lock(), "{line}");
}

/// Writes a failure to standard error: what, then what to do.
pub(crate) fn failure(failure: &super::Failure) {
    let (bad, note_style) = (BAD, NOTE);
    note(&format!("{bad}error:{bad:#} {}", failure.message));
    if let Some(help) = &failure.help {
        note(&format!("{note_style}help:{note_style:#} {help}"));
    }
}

/// Asks on the terminal; anything but yes is no. A wish to stop ends the wait for the answer.
pub(crate) fn asked(question: &str, cancel: &Cancel) -> Result<bool, Stop> {
    let line = line(&format!("{question} [y/N] "), cancel)?;
    let line = line.trim().to_ascii_lowercase();
    Ok(matches!(line.as_str(), "y" | "yes"))
}

/// A line from the terminal. A read cannot be broken off, so that it is waited for beside the wish to stop.
fn line(prompt: &str, cancel: &Cancel) -> Result<String, Stop> {
    {
        let mut err = anstream::stderr().lock();
        let _ = write!(err, "{prompt}");
        let _ = err.flush();
    }
    let (sender, receiver) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        let mut line = String::new();
        let _ = std::io::stdin().read_line(&mut line);
        let _ = sender.send(line);
    });
    loop {
        if let Some(stop) = cancel.asked() {
            note("");
            return Err(stop);
        }
        match receiver.recv_timeout(Duration::from_millis(50)) {
            Err(RecvTimeoutError::Timeout) => {}
            answer => return Ok(answer.unwrap_or_default()),
        }
    }
}

/// Asks for a line on the terminal; an empty one, or a wish to stop, is the default.
pub(crate) fn answer(question: &str, default: &str, cancel: &Cancel) -> String {
    let line = line(&format!("{question} [{default}] "), cancel).unwrap_or_default();
    match line.trim() {
        "" => default.to_owned(),
        said => said.to_owned(),
    }
}
