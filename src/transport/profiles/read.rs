//! Profile files: TOML, everything wrong with them told at once.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::super::{Chip, Way};
use super::error::{ProfileError, ProfileFault, ProfileProblem};
use super::profile::{Pin, Profile, SERIAL_NAMES, TapLines, Wire};

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
        let mut reader = Reader {
            text,
            problems: Vec::new(),
        };
        let (root, errors) = DeTable::parse_recoverable(text);
        for e in &errors {
            let message = e.message().trim().replace('\n', ", ");
            reader.fault(e.span().unwrap_or(0..0), ProfileFault::Syntax(message));
        }
        let file = if errors.is_empty() {
            reader.file(root.get_ref())
        } else {
            None
        };
        let mut problems = reader.problems;
        problems.sort_by_key(|p| (p.line, p.column));
        match file {
            Some(file) if problems.is_empty() => Ok(file),
            _ => Err(ProfileError {
                path: path.to_owned(),
                problems,
            }),
        }
    }

    /// A built-in profile by its name, else the file of that name.
    ///
    /// # Errors
    /// It cannot be read, or what is wrong with it.
    pub fn find(name: &str) -> Result<ProfileFile, ProfileError> {
        if let Some((_, file)) = super::built_in().find(|(built_in, _)| *built_in == name) {
            return Ok(file);
        }
        let unreadable = |why: String| ProfileError {
            path: name.to_owned(),
            problems: vec![ProfileProblem {
                line: 0,
                column: 0,
                text: String::new(),
                fault: ProfileFault::Unreadable(why),
            }],
        };
        let is_file = std::fs::metadata(name)
            .map_err(|e| unreadable(e.to_string()))?
            .is_file();
        if !is_file {
            return Err(unreadable("it is no plain file".to_owned()));
        }
        let text = std::fs::read_to_string(name).map_err(|e| unreadable(e.to_string()))?;
        ProfileFile::parse(name, &text)
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

/// Collects what is wrong.
struct Reader<'t> {
    text: &'t str,
    problems: Vec<ProfileProblem>,
}

/// A value with its place.
type Value<'a> = Spanned<DeValue<'a>>;

/// A table with its name.
struct Table<'a> {
    name: String,
    span: Range<usize>,
    map: &'a DeTable<'a>,
}

impl<'a> Table<'a> {
    fn get(&self, key: &str) -> Option<&'a Value<'a>> {
        let found = self.map.iter().find(|(k, _)| k.get_ref() == key);
        found.map(|(_, value)| value)
    }
}

impl Reader<'_> {
    fn fault(&mut self, span: Range<usize>, fault: ProfileFault) {
        let start = (0..=span.start.min(self.text.len()))
            .rev()
            .find(|&i| self.text.is_char_boundary(i))
            .unwrap_or(0);
        let before = &self.text[..start];
        let from = before.rfind('\n').map_or(0, |i| i + 1);
        let line_text = self.text[from..].lines().next().unwrap_or_default();
        self.problems.push(ProfileProblem {
            line: before.matches('\n').count() + 1,
            column: self.text[from..start].chars().count() + 1,
            text: line_text.trim_end().to_owned(),
            fault,
        });
    }

    fn bad(&mut self, value: &Value, key: &str, expected: impl Into<String>) {
        let found = match value.get_ref() {
            DeValue::String(text) => format!("\"{text}\""),
            other => other.type_str().to_owned(),
        };
        let fault = ProfileFault::BadValue {
            key: key.to_owned(),
            found,
            expected: expected.into(),
            near: None,
        };
        self.fault(value.span(), fault);
    }

    /// The keys of a table that nobody knows.
    fn known(&mut self, name: &str, map: &DeTable, known: &[&'static str]) {
        for (key, _) in map.iter() {
            let written: &str = key.get_ref();
            if !known.contains(&written) {
                let fault = ProfileFault::UnknownKey {
                    key: written.to_owned(),
                    table: name.to_owned(),
                    near: nearest(written, known.iter().copied()).map(str::to_owned),
                    known: known.to_vec(),
                };
                self.fault(key.span(), fault);
            }
        }
    }

    fn table<'a>(
        &mut self,
        name: &str,
        value: &'a Value<'a>,
        known: &[&'static str],
    ) -> Option<Table<'a>> {
        let Some(map) = value.get_ref().as_table() else {
            self.bad(value, name, "a table");
            return None;
        };
        self.known(name, map, known);
        Some(Table {
            name: name.to_owned(),
            span: value.span(),
            map,
        })
    }

    fn need<'a>(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
    ) -> Option<&'a Value<'a>> {
        let value = table.get(key);
        if value.is_none() {
            let fault = ProfileFault::MissingKey {
                table: table.name.clone(),
                key,
                example,
            };
            self.fault(table.span.clone(), fault);
        }
        value
    }

    fn text<'a>(&mut self, value: &'a Value<'a>, key: &str) -> Option<&'a str> {
        let text = value.get_ref().as_str().filter(|t| !t.trim().is_empty());
        if text.is_none() {
            self.bad(value, key, "a text");
        }
        text
    }

    fn flag(&mut self, table: &Table, key: &str) -> bool {
        let Some(value) = table.get(key) else {
            return false;
        };
        value.get_ref().as_bool().unwrap_or_else(|| {
            self.bad(value, key, "true or false");
            false
        })
    }

    /// An array, or one value that counts as an array of one.
    fn each<'a>(value: &'a Value<'a>) -> Vec<&'a Value<'a>> {
        match value.get_ref().as_array() {
            Some(array) => array.iter().collect(),
            None => vec![value],
        }
    }

    /// One of several words.
    fn word<T: Copy>(&mut self, value: &Value, key: &str, words: &[(&str, T)]) -> Option<T> {
        let text = value.get_ref().as_str();
        let found = text.and_then(|t| words.iter().find(|(w, _)| w.eq_ignore_ascii_case(t)));
        if let Some((_, found)) = found {
            return Some(*found);
        }
        let names: Vec<String> = words.iter().map(|(w, _)| format!("\"{w}\"")).collect();
        let near = text.and_then(|t| nearest(t, words.iter().map(|(w, _)| *w)));
        let fault = ProfileFault::BadValue {
            key: key.to_owned(),
            found: text.map_or_else(
                || value.get_ref().type_str().to_owned(),
                |t| format!("\"{t}\""),
            ),
            expected: names.join(" or "),
            near: near.map(str::to_owned),
        };
        self.fault(value.span(), fault);
        None
    }

    fn file(&mut self, root: &DeTable) -> Option<ProfileFile> {
        self.known("the profile", root, &["profile", "tap", "lines", "enable"]);
        let whole = Table {
            name: "the profile".to_owned(),
            span: 0..0,
            map: root,
        };
        let head = self.need(&whole, "profile", "a table [profile]");
        let head = head.and_then(|v| {
            let known = ["format", "name", "chips", "channel", "drive", "note"];
            self.table("[profile]", v, &known)
        })?;
        let format = self.need(&head, "format", "format = 1");
        if let Some(value) = format
            && value.get_ref().as_integer().map(|i| i.as_str()) != Some("1")
        {
            self.bad(value, "format", "the number 1");
        }
        let name = self
            .need(&head, "name", "name = \"what it is called\"")
            .and_then(|v| self.text(v, "name"));
        let chips = self.chips(&head);
        let channels = self.channels(&head);
        let way = head.get("drive").and_then(|v| {
            self.word(
                v,
                "drive",
                &[("MPSSE", Way::Mpsse), ("bit-bang", Way::BitBang)],
            )
        });
        let note = head.get("note").and_then(|v| self.text(v, "note"));
        let mut profile = Profile {
            name: name.unwrap_or_default().to_owned(),
            channel: channels.first().copied().unwrap_or(0),
            way: way.unwrap_or(Way::Mpsse),
            tap: TapLines::MPSSE,
            return_clock: false,
            trst: None,
            system_reset: None,
            spare: Vec::new(),
            fixed: Vec::new(),
        };
        self.tap(&whole, &mut profile, &channels);
        self.lines(&whole, &mut profile, &channels);
        let enables = self.enables(&whole, &mut profile, &channels);
        if self.problems.is_empty() {
            for &channel in &channels {
                let on = Profile {
                    channel,
                    ..profile.clone()
                };
                for chip in &chips {
                    if let Some(why) = on.fault(chip) {
                        self.fault(head.span.clone(), ProfileFault::DoesNotFit(why));
                    }
                }
            }
        }
        Some(ProfileFile {
            chips,
            channels,
            note: note.map(str::to_owned),
            enables,
            profile,
        })
    }

    fn chips(&mut self, head: &Table) -> Vec<&'static Chip> {
        let Some(value) = self.need(head, "chips", "chips = [\"FT2232H\"]") else {
            return Vec::new();
        };
        let mut chips = Vec::new();
        for value in Reader::each(value) {
            let words: Vec<(&str, &'static Chip)> = Chip::ALL.iter().map(|c| (c.name, c)).collect();
            chips.extend(self.word(value, "chips", &words));
        }
        chips
    }

    fn channels(&mut self, head: &Table) -> Vec<u8> {
        let Some(value) = head.get("channel") else {
            return vec![0];
        };
        let words = [("A", 0), ("B", 1), ("C", 2), ("D", 3)];
        let each = Reader::each(value);
        let mut channels: Vec<u8> = Vec::new();
        for value in each {
            channels.extend(self.word(value, "channel", &words));
        }
        channels
    }

    fn tap(&mut self, whole: &Table, profile: &mut Profile, channels: &[u8]) {
        let known = ["tck", "tdi", "tdo", "tms", "return_clock"];
        let Some(value) = self.need(whole, "tap", "a table [tap]") else {
            return;
        };
        let Some(tap) = self.table("[tap]", value, &known) else {
            return;
        };
        let way = profile.way;
        let mut line = |key: &'static str, example: &'static str| {
            let value = self.need(&tap, key, example)?;
            self.line(value, key, way, channels)
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
            match self.line(value, "return_clock", way, channels) {
                Some(pin) if pin != Profile::RETURN_CLOCK || way != Way::Mpsse => {
                    let fault = ProfileFault::BadLine {
                        key: "return_clock".to_owned(),
                        found: value.get_ref().as_str().unwrap_or_default().to_owned(),
                        why: "an MPSSE takes the return clock on D7 alone".to_owned(),
                    };
                    self.fault(value.span(), fault);
                }
                Some(_) => profile.return_clock = true,
                None => {}
            }
        }
    }

    fn lines(&mut self, whole: &Table, profile: &mut Profile, channels: &[u8]) {
        let Some(lines) = whole
            .get("lines")
            .and_then(|v| self.table("[lines]", v, &["trst", "system_reset", "spare"]))
        else {
            return;
        };
        let way = profile.way;
        if let Some(value) = lines.get("trst") {
            profile.trst = self.wire(value, "trst", way, channels);
        }
        if let Some(value) = lines.get("system_reset") {
            profile.system_reset = self.wire(value, "system_reset", way, channels);
        }
        if let Some(value) = lines.get("spare") {
            for value in Reader::each(value) {
                profile
                    .spare
                    .extend(self.wire(value, "spare", way, channels));
            }
        }
    }

    fn enables(&mut self, whole: &Table, profile: &mut Profile, channels: &[u8]) -> Vec<String> {
        let Some(value) = whole.get("enable") else {
            return Vec::new();
        };
        let mut whats = Vec::new();
        for value in Reader::each(value) {
            let known = ["line", "on", "what"];
            let Some(enable) = self.table("[[enable]]", value, &known) else {
                continue;
            };
            let pin = self
                .need(&enable, "line", "line = \"D6\"")
                .and_then(|v| self.line(v, "line", profile.way, channels));
            let on = self
                .need(&enable, "on", "on = \"low\"")
                .and_then(|v| self.word(v, "on", &[("low", false), ("high", true)]));
            let what = enable.get("what").and_then(|v| self.text(v, "what"));
            if let (Some(pin), Some(on)) = (pin, on) {
                profile.fixed.push((pin, on));
                whats.push(what.unwrap_or("enable").to_owned());
            }
        }
        whats
    }

    /// A wire: a line, or a table with the line and how it is wired.
    fn wire(&mut self, value: &Value, key: &str, way: Way, channels: &[u8]) -> Option<Wire> {
        if value.get_ref().as_table().is_none() {
            return self.line(value, key, way, channels).map(Wire::straight);
        }
        let table = self.table(key, value, &["line", "inverted", "open_drain"])?;
        let line = self.need(&table, "line", "line = \"D4\"");
        let pin = line.and_then(|v| self.line(v, key, way, channels));
        let (inverted, open_drain) = (
            self.flag(&table, "inverted"),
            self.flag(&table, "open_drain"),
        );
        Some(Wire {
            pin: pin?,
            inverted,
            open_drain,
        })
    }

    fn line(&mut self, value: &Value, key: &str, way: Way, channels: &[u8]) -> Option<Pin> {
        let text = self.text(value, key)?;
        match line_of(text, way, channels) {
            Ok(pin) => Some(pin),
            Err(why) => {
                let fault = ProfileFault::BadLine {
                    key: key.to_owned(),
                    found: format!("\"{text}\""),
                    why,
                };
                self.fault(value.span(), fault);
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

/// The name nearest to what was written, if one is near enough to have been meant.
fn nearest<'a>(written: &str, names: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let written = written.to_ascii_lowercase();
    names
        .into_iter()
        .map(|name| {
            let distance = strsim::damerau_levenshtein(&written, &name.to_ascii_lowercase());
            (distance, name)
        })
        .filter(|(distance, name)| *distance <= 1 + name.len().min(written.len()) / 4)
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}
