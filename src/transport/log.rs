//! A log of everything that goes over USB, and a device that answers from it.
//!
//! The log is text, one event a line: the time in nanoseconds since the device was opened, bytes
//! out, bytes in and round trips so far, then what was called and what came of it:
//!
//! ```text
//! taploom usb log 1
//! device 6010 0700 512 FT2232H W7
//! 250000 0 0 0 control 0b 0200 0001 ok
//! 375000 0 0 0 ask 0a 0000 0001 1 10
//! 375000 0 0 0 listen 16384 2 ok
//! 425000 0 0 0 write aaab87 ok
//! 519230 3 6 1 read 3160faaafaab
//! 619230 3 6 1 read timeout 0
//! 639230 3 6 1 pause 20000
//! ```
//!
//! Instead of `ok` or data an event may end in `gone`, `busy`, `forbidden`, `stalled`,
//! `timeout N` or `error TEXT`. A run is a function of what the device answers, so a [`Replay`]
//! of its log gives it again, bit for bit; where the program does something else, the replay says
//! so with the line.

use std::io::{self, BufRead, Write};
use std::time::Duration;

use super::{Usb, UsbCounts, UsbError};

const HEAD: &str = "taploom usb log 1";

/// Writes a log of what goes through to a [`Usb`].
#[derive(Debug)]
pub struct Recorder<U, W> {
    usb: U,
    log: W,
    /// The log could not be written; the run goes on without it.
    broken: Option<io::ErrorKind>,
}

impl<U: Usb, W: Write> Recorder<U, W> {
    /// Records what goes through to `usb` in `log`.
    ///
    /// # Errors
    /// The log cannot be written.
    pub fn new(usb: U, mut log: W) -> io::Result<Recorder<U, W>> {
        writeln!(log, "{HEAD}")?;
        let (product, release) = (usb.product(), usb.release());
        let (packet, name) = (usb.packet_bytes(), usb.name());
        writeln!(log, "device {product:04x} {release:04x} {packet} {name}")?;
        Ok(Recorder {
            usb,
            log,
            broken: None,
        })
    }

    /// The device below.
    pub fn usb(&self) -> &U {
        &self.usb
    }

    /// Why the log is not whole, if it is not.
    pub fn broken(&self) -> Option<io::ErrorKind> {
        self.broken
    }

    fn event(&mut self, what: &str, outcome: &str) {
        let now = self.usb.now().as_nanos();
        let counts = self.usb.counts();
        let (out, into, trips) = (counts.out_bytes, counts.in_bytes, counts.round_trips);
        let line = format!("{now} {out} {into} {trips} {what} {outcome}");
        if let Err(e) = writeln!(self.log, "{}", line.trim_end()) {
            self.broken.get_or_insert(e.kind());
        }
    }
}

fn done(result: &Result<(), UsbError>) -> String {
    match result {
        Ok(()) => "ok".to_owned(),
        Err(e) => failure(e),
    }
}

fn data(result: &Result<Vec<u8>, UsbError>) -> String {
    match result {
        // A dash, so that no data is a word as well.
        Ok(bytes) if bytes.is_empty() => "-".to_owned(),
        Ok(bytes) => hex::encode(bytes),
        Err(e) => failure(e),
    }
}

fn failure(e: &UsbError) -> String {
    match e {
        UsbError::Gone => "gone".to_owned(),
        UsbError::Busy => "busy".to_owned(),
        UsbError::NotAllowed => "forbidden".to_owned(),
        UsbError::Stalled => "stalled".to_owned(),
        UsbError::TimedOut { done } => format!("timeout {done}"),
        UsbError::Other(said) => format!("error {}", said.replace('\n', " ")),
    }
}

fn failure_of(text: &str) -> Option<UsbError> {
    let (word, rest) = text.split_once(' ').unwrap_or((text, ""));
    match word {
        "gone" => Some(UsbError::Gone),
        "busy" => Some(UsbError::Busy),
        "forbidden" => Some(UsbError::NotAllowed),
        "stalled" => Some(UsbError::Stalled),
        "timeout" => Some(UsbError::TimedOut {
            done: rest.parse().ok()?,
        }),
        "error" => Some(UsbError::Other(rest.to_owned())),
        _ => None,
    }
}

impl<U: Usb, W: Write> Usb for Recorder<U, W> {
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        let result = self.usb.control_out(request, value, index);
        self.event(
            &format!("control {request:02x} {value:04x} {index:04x}"),
            &done(&result),
        );
        result
    }

    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        let result = self.usb.control_in(request, value, index, length);
        self.event(
            &format!("ask {request:02x} {value:04x} {index:04x} {length}"),
            &data(&result),
        );
        result
    }

    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError> {
        let result = self.usb.listen(request_bytes, depth);
        self.event(&format!("listen {request_bytes} {depth}"), &done(&result));
        result
    }

    fn write(&mut self, bytes: Vec<u8>, timeout: Duration) -> Result<(), UsbError> {
        let what = format!("write {}", hex::encode(&bytes));
        let result = self.usb.write(bytes, timeout);
        self.event(&what, &done(&result));
        result
    }

    fn read(&mut self, timeout: Duration) -> Result<Vec<u8>, UsbError> {
        let result = self.usb.read(timeout);
        self.event("read", &data(&result));
        result
    }

    fn restart(&mut self) -> Result<(), UsbError> {
        let result = self.usb.restart();
        self.event("restart", &done(&result));
        result
    }

    fn pause(&mut self, time: Duration) {
        self.usb.pause(time);
        self.event("pause", &time.as_nanos().to_string());
    }

    fn packet_bytes(&self) -> usize {
        self.usb.packet_bytes()
    }

    fn product(&self) -> u16 {
        self.usb.product()
    }

    fn release(&self) -> u16 {
        self.usb.release()
    }

    fn name(&self) -> String {
        self.usb.name()
    }

    fn counts(&self) -> UsbCounts {
        self.usb.counts()
    }

    fn now(&self) -> Duration {
        self.usb.now()
    }
}

/// A device that answers from a log. Counts and times are those of the log.
#[derive(Debug)]
pub struct Replay<R> {
    log: R,
    line: u64,
    product: u16,
    release: u16,
    packet_bytes: usize,
    name: String,
    now: Duration,
    counts: UsbCounts,
}

impl<R: BufRead> Replay<R> {
    /// Reads the head of a log; the events are read as they are needed.
    ///
    /// # Errors
    /// The log cannot be read, or is none.
    pub fn new(mut log: R) -> io::Result<Replay<R>> {
        let none = || {
            io::Error::new(
                io::ErrorKind::InvalidData,
                "this is no log of USB transfers",
            )
        };
        let mut head = String::new();
        log.read_line(&mut head)?;
        let mut device = String::new();
        log.read_line(&mut device)?;
        let words: Vec<&str> = device.trim_end().splitn(5, ' ').collect();
        let ["device", product, release, packet, name] = words[..] else {
            return Err(none());
        };
        let number = |text: &str| u16::from_str_radix(text, 16).map_err(|_| none());
        let packet_bytes = packet.parse().map_err(|_| none())?;
        if head.trim_end() != HEAD || packet_bytes < 3 {
            return Err(none());
        }
        Ok(Replay {
            log,
            line: 2,
            product: number(product)?,
            release: number(release)?,
            packet_bytes,
            name: name.to_owned(),
            now: Duration::ZERO,
            counts: UsbCounts::default(),
        })
    }

    /// What came of `what` in the log, or why the log and the program have parted.
    fn next(&mut self, what: &str) -> Result<String, UsbError> {
        let mut text = String::new();
        self.line += 1;
        let line = self.line;
        let bad = |said: String| UsbError::Other(format!("line {line} of the log: {said}"));
        match self.log.read_line(&mut text) {
            Ok(0) => return Err(bad(format!("it has ended, now comes \"{}\"", short(what)))),
            Ok(_) => {}
            Err(e) => return Err(bad(e.to_string())),
        }
        let text = text.trim_end();
        let mut words = text.splitn(5, ' ');
        let mut number = || words.next().and_then(|w| w.parse::<u64>().ok());
        let numbers = (number(), number(), number(), number());
        let (Some(now), Some(out), Some(into), Some(trips)) = numbers else {
            return Err(bad(format!("\"{}\" is no event", short(text))));
        };
        let event = words.next().unwrap_or_default();
        let outcome = event
            .strip_prefix(what)
            .and_then(|rest| rest.strip_prefix(' '))
            .ok_or_else(|| {
                bad(format!(
                    "it has \"{}\", now comes \"{}\"",
                    short(event),
                    short(what)
                ))
            })?;
        self.now = Duration::from_nanos(now);
        self.counts = UsbCounts {
            out_bytes: out,
            in_bytes: into,
            round_trips: trips,
        };
        Ok(outcome.to_owned())
    }

    fn done(&mut self, what: &str) -> Result<(), UsbError> {
        let outcome = self.next(what)?;
        if outcome == "ok" {
            return Ok(());
        }
        Err(failure_of(&outcome).unwrap_or_else(|| self.no_outcome(&outcome)))
    }

    fn data(&mut self, what: &str) -> Result<Vec<u8>, UsbError> {
        let outcome = self.next(what)?;
        if outcome == "-" {
            return Ok(Vec::new());
        }
        match hex::decode(&outcome) {
            Ok(bytes) => Ok(bytes),
            Err(_) => Err(failure_of(&outcome).unwrap_or_else(|| self.no_outcome(&outcome))),
        }
    }

    fn no_outcome(&self, outcome: &str) -> UsbError {
        UsbError::Other(format!(
            "line {} of the log: \"{}\" is no outcome",
            self.line,
            short(outcome)
        ))
    }
}

/// At most 40 characters of something.
fn short(text: &str) -> String {
    let mut cut: String = text.chars().take(40).collect();
    if cut.len() < text.len() {
        cut.push('…');
    }
    cut
}

impl<R: BufRead> Usb for Replay<R> {
    fn control_out(&mut self, request: u8, value: u16, index: u16) -> Result<(), UsbError> {
        self.done(&format!("control {request:02x} {value:04x} {index:04x}"))
    }

    fn control_in(
        &mut self,
        request: u8,
        value: u16,
        index: u16,
        length: u16,
    ) -> Result<Vec<u8>, UsbError> {
        self.data(&format!(
            "ask {request:02x} {value:04x} {index:04x} {length}"
        ))
    }

    fn listen(&mut self, request_bytes: usize, depth: usize) -> Result<(), UsbError> {
        self.done(&format!("listen {request_bytes} {depth}"))
    }

    fn write(&mut self, bytes: Vec<u8>, _timeout: Duration) -> Result<(), UsbError> {
        self.done(&format!("write {}", hex::encode(bytes)))
    }

    fn read(&mut self, _timeout: Duration) -> Result<Vec<u8>, UsbError> {
        self.data("read")
    }

    fn restart(&mut self) -> Result<(), UsbError> {
        self.done("restart")
    }

    fn pause(&mut self, _time: Duration) {
        // That the log and the program have parted shows at the next transfer.
        let _ = self.next("pause");
    }

    fn packet_bytes(&self) -> usize {
        self.packet_bytes
    }

    fn product(&self) -> u16 {
        self.product
    }

    fn release(&self) -> u16 {
        self.release
    }

    fn name(&self) -> String {
        self.name.clone()
    }

    fn counts(&self) -> UsbCounts {
        self.counts
    }

    fn now(&self) -> Duration {
        self.now
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn logs_that_are_none_are_refused() {
        for text in [
            "",
            "hello\nworld\n",
            "taploom usb log 1\n",
            "taploom usb log 1\ndevice 6010 0700 two x\n",
            "taploom usb log 1\ndevice 6010 0700 1 x\n",
            "taploom usb log 9\ndevice 6010 0700 512 x\n",
        ] {
            assert!(Replay::new(text.as_bytes()).is_err(), "{text:?}");
        }
    }

    #[test]
    fn events_and_their_outcomes() {
        let log = "taploom usb log 1\n\
                   device 6010 0700 512 FT2232H W 7\n\
                   10 0 0 0 control 0b 0200 0001 ok\n\
                   20 0 0 0 ask 0a 0000 0001 1 10\n\
                   30 3 6 1 read 3160fa\n\
                   40 3 6 1 read timeout 7\n\
                   50 3 6 1 write aa stalled\n\
                   60 3 6 1 pause 20\n\
                   70 3 6 1 write bb error no idea\n\
                   80 3 6 1 read -\n\
                   90 3 6 1 read maybe\n\
                   nonsense\n";
        let mut usb = Replay::new(log.as_bytes()).unwrap();
        assert_eq!(usb.name(), "FT2232H W 7");
        assert_eq!(usb.control_out(0x0b, 0x0200, 1), Ok(()));
        assert_eq!(usb.control_in(0x0a, 0, 1, 1), Ok(vec![0x10]));
        assert_eq!(usb.read(Duration::ZERO), Ok(vec![0x31, 0x60, 0xfa]));
        assert_eq!(usb.counts().round_trips, 1);
        assert_eq!(
            usb.read(Duration::ZERO),
            Err(UsbError::TimedOut { done: 7 })
        );
        assert_eq!(
            usb.write(vec![0xaa], Duration::ZERO),
            Err(UsbError::Stalled)
        );
        usb.pause(Duration::from_nanos(20));
        assert_eq!(usb.now(), Duration::from_nanos(60));
        assert_eq!(
            usb.write(vec![0xbb], Duration::ZERO),
            Err(UsbError::Other("no idea".into()))
        );
        assert_eq!(usb.read(Duration::ZERO), Ok(vec![]));
        let said = |e: Result<Vec<u8>, UsbError>| e.unwrap_err().to_string();
        assert!(said(usb.read(Duration::ZERO)).contains("line 11 of the log: \"maybe\""));
        assert!(said(usb.read(Duration::ZERO)).contains("\"nonsense\" is no event"));
        assert!(said(usb.read(Duration::ZERO)).contains("it has ended"));
    }

    #[test]
    fn a_program_that_does_something_else_is_told_where() {
        let log = "taploom usb log 1\ndevice 6010 0700 512 x\n10 0 0 0 write aa ok\n";
        let mut usb = Replay::new(log.as_bytes()).unwrap();
        let error = usb.write(vec![0xab], Duration::ZERO).unwrap_err();
        assert_eq!(
            error.to_string(),
            "USB: line 3 of the log: it has \"write aa ok\", now comes \"write ab\""
        );
    }
}
