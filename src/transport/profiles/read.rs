//! Profile files: TOML, everything wrong with them told at once.

use std::path::Path;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::super::{Chip, Way};
use super::error::{ProfileError, ProfileFault};
use super::profile::{Pin, Profile, SERIAL_NAMES, TapLines, Wire};
use crate::tables::{self, Table};

/// A profile as a file has it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ProfileFile {
    /// The chips that it is for.
    pub chips: Vec<&'static Chip>,
    /// The channels that it is for, 0 for A; the first one is meant where none is named.
    pub channels: Vec<u8>,
    /// What is worth knowing of it.
    pub note: Option<String>,
    /// What the lines that are set when it is opened are for, in the order of `profile.fixed`.
    pub enables: Vec<String>,
    /// The lines, on the first of the channels.
    pub profile: Profile,
}

impl ProfileFile {
    /// Reads a profile; `path` names it in errors.
    ///
    /// # Errors
    /// Everything that is wrong with it.
    pub fn parse(path: &str, text: &str) -> Result<ProfileFile, ProfileError> {
        tables::parse(Path::new(path), text.to_owned(), file)
    }

    /// A built-in profile by its name, else the file of that name.
    ///
    /// # Errors
    /// It cannot be read, or what is wrong with it.
    pub fn find(name: &str) -> Result<ProfileFile, ProfileError> {
        if let Some((_, file)) = super::built_in().find(|(built_in, _)| *built_in == name) {
            return Ok(file);
        }
        let help = "name a profile file or one that comes with taploom; `taploom adapters --wiring` shows those";
        tables::read(Path::new(name), "profile", help, file)
    }

    /// Whether it is for this chip.
    pub fn is_for(&self, chip: &Chip) -> bool {
        self.chips.contains(&chip)
    }

    /// The profile on one of its channels.
    pub fn on(&self, channel: u8) -> Profile {
        let letter = char::from(b'A' + channel.min(25));
        Profile {
            name: format!("{}, channel {letter}", self.profile.name),
            channel,
            ..self.profile.clone()
        }
    }
}

type Reader<'a> = tables::Reader<'a, ProfileFault>;
type Value<'a> = Spanned<DeValue<'a>>;

/// How the names of lines are to be understood.
struct Lines {
    way: Way,
    channels: Vec<u8>,
}

fn file<'a>(r: &mut Reader<'a>, root: &'a Spanned<DeTable<'a>>) -> Option<ProfileFile> {
    let root = r.whole_file("the profile", root, &["profile", "tap", "lines", "enable"]);
    if !root.has("profile") {
        r.missing(
            &root,
            "profile",
            "[profile] with format = 1, a name and chips",
        );
    }
    if !root.has("tap") {
        r.missing(&root, "tap", "[tap] with tck, tdi, tdo and tms");
    }
    let known = ["format", "name", "chips", "channel", "drive", "note"];
    let head = r.table("[profile]", root.get("profile")?, &known)?;
    if !head.has("format") {
        r.missing(&head, "format", "format = 1");
    }
    r.whole(&head, "format", 1..=1, "format = 1");
    let name = r.need(&head, "name", "name = \"what it is called\"");
    if !head.has("chips") {
        r.missing(&head, "chips", "chips = [\"FT2232H\"]");
    }
    let words: Vec<(&str, &'static Chip)> = Chip::ALL.iter().map(|c| (c.name, c)).collect();
    let chips = r.texts(&head, "chips", "chips = [\"FT2232H\"]");
    let chips: Vec<_> = (chips.iter())
        .filter_map(|chip| r.word("chips", chip, &words))
        .collect();
    let letters = [("A", 0), ("B", 1), ("C", 2), ("D", 3)];
    let channels = r.texts(&head, "channel", "channel = \"A\"");
    let mut channels: Vec<u8> = (channels.iter())
        .filter_map(|channel| r.word("channel", channel, &letters))
        .collect();
    if !head.has("channel") {
        channels.push(0);
    }
    let ways = [("MPSSE", Way::Mpsse), ("bit-bang", Way::BitBang)];
    let way = r.word_or_first(&head, "drive", "drive = \"bit-bang\"", &ways);
    let note = r.text(&head, "note", "note = \"with a level buffer\"");
    let mut profile = Profile {
        name: name.map_or(String::new(), |n| n.text.to_owned()),
        channel: channels.first().copied().unwrap_or(0),
        way,
        tap: TapLines::MPSSE,
        return_clock: false,
        trst: None,
        system_reset: None,
        spare: Vec::new(),
        fixed: Vec::new(),
    };
    let lines = Lines { way, channels };
    lines.tap(r, &root, &mut profile);
    lines.side(r, &root, &mut profile);
    let enables = lines.enables(r, &root, &mut profile);
    if r.problems.is_empty() {
        for &channel in &lines.channels {
            let on = Profile {
                channel,
                ..profile.clone()
            };
            for chip in &chips {
                if let Some(why) = on.fault(chip) {
                    r.report(head.span.clone(), ProfileFault::DoesNotFit(why));
                }
            }
        }
    }
    Some(ProfileFile {
        chips,
        channels: lines.channels,
        note: note.map(|note| note.text.to_owned()),
        enables,
        profile,
    })
}

impl Lines {
    fn tap<'a>(&self, r: &mut Reader<'a>, root: &Table<'a>, profile: &mut Profile) {
        let known = ["tck", "tdi", "tdo", "tms", "return_clock"];
        let Some(tap) = root.get("tap").and_then(|v| r.table("[tap]", v, &known)) else {
            return;
        };
        let mut line = |key: &'static str, example: &'static str| {
            if !tap.has(key) {
                r.missing(&tap, key, example);
            }
            self.line(r, key, tap.get(key)?, example)
        };
        let lines = (
            line("tck", "tck = \"D0\""),
            line("tdi", "tdi = \"D1\""),
            line("tdo", "tdo = \"D2\""),
            line("tms", "tms = \"D3\""),
        );
        if let (Some(tck), Some(tdi), Some(tdo), Some(tms)) = lines {
            profile.tap = TapLines { tck, tdi, tdo, tms };
        }
        if let Some(value) = tap.get("return_clock") {
            match self.line(r, "return_clock", value, "return_clock = \"D7\"") {
                Some(pin) if pin != Profile::RETURN_CLOCK || self.way != Way::Mpsse => {
                    let fault = ProfileFault::BadLine {
                        key: "return_clock".to_owned(),
                        found: value.get_ref().as_str().unwrap_or_default().to_owned(),
                        why: "an MPSSE takes the return clock on D7 alone".to_owned(),
                    };
                    r.report(value.span(), fault);
                }
                Some(_) => profile.return_clock = true,
                None => {}
            }
        }
    }

    /// The lines beside the TAP.
    fn side<'a>(&self, r: &mut Reader<'a>, root: &Table<'a>, profile: &mut Profile) {
        let known = ["trst", "system_reset", "spare"];
        let lines = root
            .get("lines")
            .and_then(|v| r.table("[lines]", v, &known));
        let Some(lines) = lines else {
            return;
        };
        if let Some(value) = lines.get("trst") {
            profile.trst = self.wire(r, "trst", value);
        }
        if let Some(value) = lines.get("system_reset") {
            profile.system_reset = self.wire(r, "system_reset", value);
        }
        for value in Reader::values(&lines, "spare") {
            profile.spare.extend(self.wire(r, "spare", value));
        }
    }

    fn enables<'a>(
        &self,
        r: &mut Reader<'a>,
        root: &Table<'a>,
        profile: &mut Profile,
    ) -> Vec<String> {
        let mut whats = Vec::new();
        for value in Reader::values(root, "enable") {
            let known = ["line", "on", "what"];
            let Some(enable) = r.table("[[enable]]", value, &known) else {
                continue;
            };
            let (line, on) = ("line = \"D6\"", "on = \"low\"");
            if !enable.has("line") {
                r.missing(&enable, "line", line);
            }
            let pin = enable
                .get("line")
                .and_then(|v| self.line(r, "line", v, line));
            let on = r
                .need(&enable, "on", on)
                .and_then(|on| r.word("on", &on, &[("low", false), ("high", true)]));
            let what = r.text(&enable, "what", "what = \"output buffer\"");
            if let (Some(pin), Some(on)) = (pin, on) {
                profile.fixed.push((pin, on));
                whats.push(what.map_or("enable", |what| what.text).to_owned());
            }
        }
        whats
    }

    /// A wire: a line, or a table with the line and how it is wired.
    fn wire<'a>(&self, r: &mut Reader<'a>, key: &str, value: &'a Value<'a>) -> Option<Wire> {
        let example = "the name of a line, such as \"D4\"";
        if value.get_ref().as_table().is_none() {
            return self.line(r, key, value, example).map(Wire::straight);
        }
        let table = r.table(key, value, &["line", "inverted", "open_drain"])?;
        if !table.has("line") {
            r.missing(&table, "line", "line = \"D4\"");
        }
        let pin = table
            .get("line")
            .and_then(|v| self.line(r, key, v, example));
        let inverted = r.flag(&table, "inverted", "inverted = true");
        let open_drain = r.flag(&table, "open_drain", "open_drain = true");
        Some(Wire {
            pin: pin?,
            inverted: inverted.unwrap_or(false),
            open_drain: open_drain.unwrap_or(false),
        })
    }

    fn line<'a>(
        &self,
        r: &mut Reader<'a>,
        key: &str,
        value: &'a Value<'a>,
        example: &'static str,
    ) -> Option<Pin> {
        let text = r.as_text(key, value, example)?.text;
        match line_of(text, self.way, &self.channels) {
            Ok(pin) => Some(pin),
            Err(why) => {
                let (key, found) = (key.to_owned(), text.to_owned());
                r.report(value.span(), ProfileFault::BadLine { key, found, why });
                None
            }
        }
    }
}

/// The line of a name; why it is none.
fn line_of(text: &str, way: Way, channels: &[u8]) -> Result<Pin, String> {
    let name = text.trim().to_ascii_uppercase();
    if let Some(pin) = SERIAL_NAMES.iter().position(|n| *n == name) {
        return match way {
            Way::BitBang => Ok(pin as Pin),
            Way::Mpsse => {
                Err("only a channel driven by bit-bang has lines of a serial port".into())
            }
        };
    }
    let digit = name
        .chars()
        .last()
        .and_then(|c| c.to_digit(10))
        .filter(|&d| d < 8);
    let Some(digit) = digit else {
        return Err("it has no number from 0 to 7".to_owned());
    };
    let byte = match &name[..name.len() - 1] {
        "D" => 0,
        "C" => 8,
        long => {
            let (channel, rest) = long.split_at_checked(1).unwrap_or(("", long));
            let byte = match rest {
                "DBUS" => 0,
                "CBUS" => 8,
                _ => return Err("there is no such line".to_owned()),
            };
            let of = channel
                .as_bytes()
                .first()
                .map_or(0, |b| b.wrapping_sub(b'A'));
            if channels != [of] {
                return Err(format!("it is a line of channel {channel} alone"));
            }
            byte
        }
    };
    Ok(byte + digit as Pin)
}
