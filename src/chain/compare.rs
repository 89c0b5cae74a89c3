//! The chain as found against the chain as declared: the one file of this room that knows boards.

use taploom_bsdl::model::Pattern;

use crate::bits::Bits;
use crate::board::{Board, BoardDevice, DeviceIndex};
use crate::tap::ChainLayout;

use super::align::{Expected, Fit, Pair, align};
use super::diagnosis::plural;
use super::{Diagnosis, Finding, Found, IdCode, IrHint, KnownParts, split};

/// A chain that is as declared: what loading and boundary scan work with.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Chain {
    layout: ChainLayout,
    devices: Vec<DeviceIndex>,
    idcodes: Vec<Option<IdCode>>,
}

impl Chain {
    /// Instruction register lengths, TDI to TDO.
    pub fn layout(&self) -> &ChainLayout {
        &self.layout
    }

    /// The board's devices that are on the chain, TDI to TDO. Place 0 is the first after TDI.
    pub fn devices(&self) -> &[DeviceIndex] {
        &self.devices
    }

    /// The identity codes they answered with, TDI to TDO; `None` for BYPASS.
    pub fn idcodes(&self) -> &[Option<IdCode>] {
        &self.idcodes
    }

    /// The place of a device, 0 first after TDI; `None` if it is not on the chain (an optional one).
    pub fn place_of(&self, device: DeviceIndex) -> Option<usize> {
        self.devices.iter().position(|d| *d == device)
    }
}

/// What is to be said of one device.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// It is the declared part.
    AsDeclared,
    /// Another part stands in its place.
    WrongPart,
    /// The declared part in another version.
    WrongVersion,
    /// It does not answer, its neighbours do.
    Missing,
    /// It is on the chain and not declared.
    Extra,
    /// The chain is broken between it and TDO: nobody can hear it.
    Silent,
}

impl Verdict {
    /// The words of screens and documents.
    pub fn as_str(self) -> &'static str {
        match self {
            Verdict::AsDeclared => "as declared",
            Verdict::WrongPart => "wrong part",
            Verdict::WrongVersion => "wrong version",
            Verdict::Missing => "missing",
            Verdict::Extra => "extra",
            Verdict::Silent => "silent",
        }
    }
}

/// One device, found or declared or both.
#[derive(Debug, Clone, PartialEq)]
pub struct Row {
    /// Its position on the chain, 1 first after TDI; `None` for a missing one. On a broken chain the declared position.
    pub position: Option<usize>,
    /// The board's device; `None` for an extra one.
    pub device: Option<DeviceIndex>,
    /// Its name on the board; empty for an extra one.
    pub name: String,
    /// Its BSDL entity: the board's, or for a wrong or extra part that of a known part with its code.
    pub entity: Option<String>,
    /// The code it answered with; `None` for BYPASS and for one that did not answer.
    pub idcode: Option<IdCode>,
    /// Length of its instruction register in bits, if that is certain.
    pub ir_length: Option<usize>,
    /// What that captured, bit 0 nearest TDO.
    pub ir_capture: Option<Bits>,
    /// What is to be said of it.
    pub verdict: Verdict,
}

/// What came of a comparison.
#[derive(Debug, Clone, PartialEq)]
pub struct Comparison {
    /// Devices TDI to TDO; optional ones only if they are there.
    pub rows: Vec<Row>,
    /// Optional devices that are not there.
    pub absent: Vec<DeviceIndex>,
    /// How many devices the board must have on its chain.
    pub required: usize,
    /// What differs and what is wrong.
    pub findings: Vec<Finding>,
    /// The chain to work with, if every device that must be there is, as the declared part (or another version of it), and
    /// the instruction registers add up.
    pub chain: Option<Chain>,
}

impl Comparison {
    /// Whether all is as the board file says.
    pub fn is_as_declared(&self) -> bool {
        self.chain.is_some()
            && self.rows.iter().all(|r| r.verdict == Verdict::AsDeclared)
            && !self.findings.iter().any(|f| f.fault)
    }

    /// Names of the optional devices that are there.
    pub fn optional_present<'a>(&'a self, board: &'a Board) -> impl Iterator<Item = &'a str> {
        self.rows
            .iter()
            .filter(|r| r.verdict != Verdict::Silent)
            .filter_map(|r| board.devices.get(r.device?.0))
            .filter(|d| d.optional)
            .map(|d| &*d.name)
    }
}

/// Holds a chain as found against a board. `known` names parts that the board does not declare; it may be empty.
pub fn compare(found: &Found, board: &Board, known: &KnownParts) -> Comparison {
    let expected: Vec<Expected> = board
        .chain_declared(true)
        .into_iter()
        .map(|d| Expected {
            idcodes: d.idcodes,
            no_idcode: d.no_idcode,
            optional: d.optional,
        })
        .collect();
    let codes: Vec<Option<IdCode>> = found.devices.iter().map(|d| d.idcode).collect();
    let mut known = known.clone();
    board
        .devices
        .iter()
        .filter_map(|d| d.bsdl.as_ref())
        .for_each(|d| known.add(d));
    let pairs = align(&expected, &codes, found.is_complete());
    let work = Work {
        found,
        board,
        known: &known,
        pairs: &pairs,
    };

    let mut findings: Vec<Finding> = found.health.iter().map(|d| work.diagnosis(d)).collect();
    let lengths = work.ir_lengths();
    let mut rows = Vec::new();
    let mut absent = Vec::new();
    for (at, pair) in pairs.iter().enumerate() {
        let optional = |d: usize| board.devices[d].optional;
        match *pair {
            Pair::Missing(d) | Pair::Hidden(d) if optional(d) => absent.push(DeviceIndex(d)),
            Pair::Missing(d) => {
                rows.push(work.lost(d, Verdict::Missing));
                findings.push(work.missing(at, d));
            }
            Pair::Hidden(d) => rows.push(work.lost(d, Verdict::Silent)),
            Pair::Extra(f) => {
                rows.push(work.present(f, None, Verdict::Extra, &lengths));
                findings.push(work.extra(at, f));
            }
            Pair::Both {
                declared,
                found: f,
                fit,
            } => {
                let verdict = match fit {
                    Fit::Same | Fit::Unknown => Verdict::AsDeclared,
                    Fit::Version => Verdict::WrongVersion,
                    Fit::Other => Verdict::WrongPart,
                };
                rows.push(work.present(f, Some(declared), verdict, &lengths));
                if verdict != Verdict::AsDeclared {
                    findings.push(work.differs(declared, f, verdict));
                }
            }
        }
    }
    if !found.is_complete() {
        rows.iter_mut()
            .enumerate()
            .for_each(|(i, r)| r.position = Some(i + 1));
    }
    let fits = |r: &Row| matches!(r.verdict, Verdict::AsDeclared | Verdict::WrongVersion);
    let mut chain = None;
    if found.is_whole() && rows.iter().all(fits) {
        let devices: Vec<DeviceIndex> = rows.iter().filter_map(|r| r.device).collect();
        let ir_lengths: Vec<usize> = devices
            .iter()
            .map(|d| board.devices[d.0].ir_length as usize)
            .collect();
        let layout = ChainLayout::new(ir_lengths);
        if found.ir_total == Some(layout.ir_total()) {
            findings.extend(work.captures(&layout, &devices));
            let idcodes = rows.iter().map(|r| r.idcode).collect();
            chain = Some(Chain {
                layout,
                devices,
                idcodes,
            });
        } else {
            findings.push(work.total_differs(&devices));
        }
    }
    let required = board.devices.iter().filter(|d| !d.optional).count();
    Comparison {
        rows,
        absent,
        required,
        findings,
        chain,
    }
}

/// What the parts of a comparison look at.
struct Work<'a> {
    found: &'a Found,
    board: &'a Board,
    known: &'a KnownParts,
    pairs: &'a [Pair],
}

impl Work<'_> {
    /// Instruction register lengths of the found devices, where they are certain.
    fn ir_lengths(&self) -> Option<Vec<usize>> {
        let capture = self.found.ir_capture.as_ref()?;
        let mut hints = vec![IrHint::default(); self.found.devices.len()];
        for pair in self.pairs {
            match *pair {
                Pair::Both {
                    declared,
                    found,
                    fit,
                } if fit != Fit::Other => {
                    hints[found].length = Some(self.board.devices[declared].ir_length as usize);
                }
                Pair::Both { found, .. } | Pair::Extra(found) => {
                    hints[found] = self.known.hint(self.found.devices[found].idcode);
                }
                _ => {}
            }
        }
        split(capture, &hints).lengths().map(<[usize]>::to_vec)
    }

    fn lost(&self, d: usize, verdict: Verdict) -> Row {
        let device = &self.board.devices[d];
        Row {
            position: None,
            device: Some(DeviceIndex(d)),
            name: device.name.to_string(),
            entity: device.entity.clone(),
            idcode: None,
            ir_length: None,
            ir_capture: None,
            verdict,
        }
    }

    fn present(
        &self,
        f: usize,
        declared: Option<usize>,
        verdict: Verdict,
        lengths: &Option<Vec<usize>>,
    ) -> Row {
        let device = declared.map(|d| &self.board.devices[d]);
        let found = self.found.devices[f];
        let known = || Some(self.known.with(found.idcode?).next()?.name.clone());
        let declared_part = matches!(verdict, Verdict::AsDeclared | Verdict::WrongVersion);
        let entity = device
            .filter(|_| declared_part)
            .map_or_else(known, |d| d.entity.clone());
        let field = lengths
            .as_ref()
            .map(|l| ChainLayout::new(l.clone()).ir_field(f));
        let ir_capture = self
            .found
            .ir_capture
            .as_ref()
            .zip(field.clone())
            .map(|(c, field)| c.slice(field.start, field.len()));
        Row {
            position: Some(found.position),
            device: declared.map(DeviceIndex),
            name: device.map_or(String::new(), |d| d.name.to_string()),
            entity,
            idcode: found.idcode,
            ir_length: field.map(|f| f.len()),
            ir_capture,
            verdict,
        }
    }

    /// The declared device that a found one, counted from TDO, stands for; beyond the last found one the declared device
    /// before it.
    fn declared_from_tdo(&self, from_tdo: usize) -> Option<usize> {
        let count = self.found.devices.len();
        if from_tdo <= count {
            return self.pairs.iter().find_map(|p| match *p {
                Pair::Both {
                    declared,
                    found,
                    fit,
                } if found == count - from_tdo && fit != Fit::Other => Some(declared),
                _ => None,
            });
        }
        let hidden = self.pairs.iter().rev().filter_map(|p| match *p {
            Pair::Hidden(d) if !self.board.devices[d].optional => Some(d),
            _ => None,
        });
        hidden.take(1).next()
    }

    fn diagnosis(&self, diagnosis: &Diagnosis) -> Finding {
        let device = |n| self.declared_from_tdo(n);
        let name = |n: usize| device(n).map(|d| self.board.devices[d].name.to_string());
        let mut finding = diagnosis.finding(&name);
        if let Diagnosis::OpenBehind { good } | Diagnosis::LowBehind { good } = diagnosis
            && let Some(last) = device(*good)
        {
            let end = self.tap_pin(last, "TDI");
            match device(good + 1) {
                Some(before) => {
                    finding.place = format!("between {} and {end}", self.tap_pin(before, "TDO"))
                }
                None => {
                    finding.place = format!("between the adapter's TDI and {end}");
                    finding.mend =
                        "check this stretch: plug, cable, buffer, and for a short to ground".into();
                }
            }
        }
        finding
    }

    /// `TDO of U2 (U2.T8)`.
    fn tap_pin(&self, d: usize, which: &str) -> String {
        let device = &self.board.devices[d];
        let pin = device.bsdl.as_ref().and_then(|bsdl| {
            let port = if which == "TDO" {
                bsdl.tap.tdo
            } else {
                bsdl.tap.tdi
            };
            self.board
                .pin_of_bit(DeviceIndex(d), bsdl.bits_of(port?).next()?)
        });
        pin.map_or_else(
            || format!("{which} of {}", device.name),
            |pin| format!("{which} of {} ({pin})", device.name),
        )
    }

    /// What stands on each side of a step of the alignment, for messages.
    fn between(&self, at: usize) -> String {
        let there = |p: &Pair| match *p {
            Pair::Both { declared, .. } => Some(self.board.devices[declared].name.to_string()),
            Pair::Extra(f) => Some(format!(
                "the device at position {}",
                self.found.devices[f].position
            )),
            _ => None,
        };
        let before = self.pairs[..at].iter().rev().find_map(there);
        let after = self.pairs[at + 1..].iter().find_map(there);
        match (before, after) {
            (Some(before), Some(after)) => format!("between {before} and {after}"),
            (Some(before), None) => format!("between {before} and TDO of the chain"),
            (None, Some(after)) => format!("between TDI of the chain and {after}"),
            (None, None) => "between TDI and TDO of the chain".into(),
        }
    }

    fn missing(&self, at: usize, d: usize) -> Finding {
        let device = &self.board.devices[d];
        Finding {
            kind: "missing",
            what: "it does not answer, and the chain is closed without it".into(),
            place: format!("{}, {}", device.name, self.between(at)),
            expected: part_words(device),
            seen: "no device there".into(),
            mend: format!(
                "check whether {0} is fitted and powered, and whether a link bridges its TDI and TDO; if it is on the chain \
                 only at times, declare it `optional = true`",
                device.name
            ),
            fault: true,
        }
    }

    fn extra(&self, at: usize, f: usize) -> Finding {
        let found = self.found.devices[f];
        Finding {
            kind: "extra",
            what: "a device that the board file does not declare".into(),
            place: format!("position {} of {}, {}", found.position, self.found.devices.len(), self.between(at)),
            expected: "no device there".into(),
            seen: self.seen_words(found.idcode),
            mend: "declare it in the board file by a [[device]] at this place, or take it off the chain".into(),
            fault: true,
        }
    }

    fn differs(&self, d: usize, f: usize, verdict: Verdict) -> Finding {
        let device = &self.board.devices[d];
        let found = self.found.devices[f];
        let place = format!(
            "{}, position {} of {}",
            device.name,
            found.position,
            self.found.devices.len()
        );
        let (kind, what, mend) = if verdict == Verdict::WrongVersion {
            let code = found.idcode.map_or(String::new(), |id| id.to_string());
            let mend = format!(
                "if this version will do, give {} `idcode = \"{code}\"` in the board file",
                device.name
            );
            (
                "wrong version",
                "the declared part in another version",
                mend,
            )
        } else {
            let mend = format!(
                "read the marking on {}: replace the part, or mend the board file",
                device.name
            );
            ("wrong part", "another part than declared", mend)
        };
        let seen = match found.idcode {
            None => "no IDCODE: it answers as BYPASS".into(),
            id => self.seen_words(id),
        };
        Finding {
            kind,
            what: what.into(),
            place,
            expected: part_words(device),
            seen,
            mend,
            fault: true,
        }
    }

    /// `IDCODE 0x32C52A01 (SHUTTLE_44)`, or what the code itself says.
    fn seen_words(&self, idcode: Option<IdCode>) -> String {
        let Some(id) = idcode else {
            return "a device in BYPASS".into();
        };
        match self.known.with(id).next() {
            Some(part) => format!("{}, IDCODE {id}", part.name),
            None => format!(
                "IDCODE {id} (maker {}, part 0x{:04X}, version {})",
                id.manufacturer().unwrap_or("not assigned"),
                id.part(),
                id.version()
            ),
        }
    }

    fn total_differs(&self, devices: &[DeviceIndex]) -> Finding {
        let each: Vec<String> = devices
            .iter()
            .map(|d| &self.board.devices[d.0])
            .map(|d| format!("{} {}", d.name, d.ir_length))
            .collect();
        let sum: u32 = devices
            .iter()
            .map(|d| self.board.devices[d.0].ir_length)
            .sum();
        Finding {
            kind: "instruction length",
            what: "the instruction registers do not add up".into(),
            place: "the instruction path".into(),
            expected: format!("{sum} bits ({})", each.join(", ")),
            seen: format!("{} bits", self.found.ir_total.unwrap_or(0)),
            mend: "compare INSTRUCTION_LENGTH of the BSDL files, and `ir_length` in the board file, with the parts' data sheets"
                .into(),
            fault: true,
        }
    }

    /// Captured instruction bits that differ from the BSDL.
    fn captures<'b>(
        &'b self,
        layout: &'b ChainLayout,
        devices: &'b [DeviceIndex],
    ) -> impl Iterator<Item = Finding> + 'b {
        devices.iter().enumerate().filter_map(move |(at, d)| {
            let device = &self.board.devices[d.0];
            let pattern = device.bsdl.as_ref()?.instruction_capture.as_ref()?;
            let field = layout.ir_field(at);
            let seen = self.found.ir_capture.as_ref()?.slice(field.start, field.len());
            let bits: Vec<bool> = seen.iter().collect();
            (pattern.len() == bits.len() && !pattern.matches(&bits)).then(|| Finding {
                kind: "instruction capture",
                what: "the captured instruction bits differ from the BSDL file".into(),
                place: format!("{}, position {} of {}", device.name, at + 1, devices.len()),
                expected: pattern.to_string(),
                seen: seen.to_binary(),
                mend: "parts show their state in the upper bits and some BSDL files state them for one state only; the two lowest \
                       must be 01"
                    .into(),
                fault: true,
            })
        })
    }
}

/// `BOBBIN_44, IDCODE 0xX2C44A01`.
fn part_words(device: &BoardDevice) -> String {
    let codes: Vec<String> = device.idcodes.iter().map(code_words).collect();
    let code = match (&codes[..], device.bsdl.is_some()) {
        ([], true) => "no IDCODE".into(),
        ([], false) => "any device".into(),
        (codes, _) => format!(
            "{} {}",
            plural(codes.len(), "IDCODE", "one of the IDCODEs"),
            codes.join(", ")
        ),
    };
    device
        .entity
        .as_ref()
        .map_or_else(|| code.clone(), |entity| format!("{entity}, {code}"))
}

/// A code pattern in hexadecimal, a digit `X` where all four bits may vary; in binary where only some may.
fn code_words(pattern: &Pattern) -> String {
    let digits: Option<String> = pattern
        .bits()
        .chunks(4)
        .rev()
        .map(|digit| {
            let fixed: Vec<u32> = digit
                .iter()
                .filter_map(|t| t.value().map(u32::from))
                .collect();
            match fixed.len() {
                0 => Some('X'),
                n if n == digit.len() => {
                    let value = fixed.iter().enumerate().fold(0, |v, (i, b)| v | b << i);
                    char::from_digit(value, 16).map(|c| c.to_ascii_uppercase())
                }
                _ => None,
            }
        })
        .collect();
    digits.map_or_else(|| format!("0b{pattern}"), |d| format!("0x{d}"))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn codes_are_written_in_the_shortest_exact_way() {
        let words = |text: &str| code_words(&text.parse().unwrap());
        assert_eq!(words("XXXX0010110001000100101000000001"), "0xX2C44A01");
        assert_eq!(
            words("XX010010110001000100101000000001"),
            "0bXX010010110001000100101000000001"
        );
    }
}
