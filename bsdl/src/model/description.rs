//! What the 2013 edition adds: fields of registers with names for their values, power ports, system clocks; how
//! registers are put together is in `assembly`. From memory, no file of that edition at hand: a value that cannot be
//! read is told as a warning. The text of all these attributes is kept among the extensions as well.

use super::{
    AssembledLength, AssemblyPart, Association, BoundarySegment, Constraint, Pattern, PortBit,
    Range, RegisterAssembly, Trit,
};
use crate::span::Span;

/// The 2013 attributes that are read.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Description {
    /// Supplies and the ports that they feed.
    #[doc(alias = "POWER_PORT_ASSOCIATION")]
    pub power: Vec<PowerAssociation>,
    /// Clocks that must run for some instructions.
    #[doc(alias = "SYSCLOCK_REQUIREMENTS")]
    pub clocks: Vec<SystemClock>,
    /// Names for register values, in groups.
    #[doc(alias = "REGISTER_MNEMONICS")]
    pub mnemonics: Vec<MnemonicGroup>,
    /// Registers as fields.
    #[doc(alias = "REGISTER_FIELDS")]
    pub registers: Vec<FieldedRegister>,
    /// Registers and kinds of segments put together from parts.
    #[doc(alias = "REGISTER_ASSEMBLY")]
    pub assemblies: Vec<RegisterAssembly>,
    /// Limits between fields.
    #[doc(alias = "REGISTER_CONSTRAINTS")]
    pub constraints: Vec<Constraint>,
    /// What registers and fields belong to.
    #[doc(alias = "REGISTER_ASSOCIATION")]
    pub associations: Vec<Association>,
    /// Pieces of the boundary register.
    #[doc(alias = "BOUNDARY_SEGMENT")]
    pub segments: Vec<BoundarySegment>,
    /// The boundary register's length, if it is put together from segments.
    #[doc(alias = "ASSEMBLED_BOUNDARY_LENGTH")]
    pub assembled_length: Option<AssembledLength>,
}

impl Description {
    pub(super) fn clear_spans(&mut self) {
        let none = Span::default();
        self.power.iter_mut().for_each(|p| p.span = none);
        self.clocks.iter_mut().for_each(|c| c.span = none);
        let fields = self.registers.iter_mut().flat_map(|r| &mut r.fields);
        fields.for_each(|f| f.span = none);
        for assembly in &mut self.assemblies {
            assembly.span = none;
            for part in &mut assembly.parts {
                match part {
                    AssemblyPart::Segment(segment) => segment.span = none,
                    AssemblyPart::Choice { span, .. } => *span = none,
                    AssemblyPart::Using { .. } => {}
                }
            }
        }
        self.constraints.iter_mut().for_each(|c| c.span = none);
        self.associations.iter_mut().for_each(|a| a.span = none);
        for segment in &mut self.segments {
            segment.span = none;
            segment.cells.iter_mut().for_each(|c| c.span = none);
        }
        self.assembled_length.iter_mut().for_each(|l| l.span = none);
    }

    /// The register of fields with this name, case ignored.
    pub fn register(&self, name: &str) -> Option<&FieldedRegister> {
        let is = |r: &&FieldedRegister| r.name.eq_ignore_ascii_case(name);
        self.registers.iter().find(is)
    }

    /// The value that a mnemonic stands for, group and name compared without regard to case.
    pub fn mnemonic(&self, group: &str, name: &str) -> Option<&Mnemonic> {
        let group = self
            .mnemonics
            .iter()
            .find(|g| g.name.eq_ignore_ascii_case(group))?;
        group
            .values
            .iter()
            .find(|m| m.name.eq_ignore_ascii_case(name))
    }
}

/// What an open input reads, as its line of the boundary table says. CHECK: the words are known by hearsay.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum OpenInput {
    /// OPEN0.
    Open0,
    /// OPEN1.
    Open1,
    /// OPENX.
    OpenX,
    /// EXPECT0.
    Expect0,
    /// EXPECT1.
    Expect1,
}

impl OpenInput {
    /// All with their words.
    pub const ALL: [(Self, &'static str); 5] = [
        (Self::Open0, "OPEN0"),
        (Self::Open1, "OPEN1"),
        (Self::OpenX, "OPENX"),
        (Self::Expect0, "EXPECT0"),
        (Self::Expect1, "EXPECT1"),
    ];

    /// The word.
    pub fn as_str(self) -> &'static str {
        Self::ALL
            .iter()
            .find(|(o, _)| *o == self)
            .map_or("", |(_, s)| s)
    }
}

/// A supply and the ports that it feeds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PowerAssociation {
    /// The supply's port; without index where a whole vector is meant.
    pub power: PortBit,
    /// The ports fed by it.
    pub ports: Vec<PortBit>,
    /// Where the supply is named.
    pub span: Span,
}

/// A clock that must run for some instructions.
#[derive(Debug, Clone, PartialEq)]
pub struct SystemClock {
    /// The clock's port.
    pub port: PortBit,
    /// Lowest rate in hertz.
    pub min_hz: f64,
    /// Highest rate in hertz.
    pub max_hz: f64,
    /// Instructions that need it, as spelt.
    pub instructions: Vec<String>,
    /// Where the clock is named.
    pub span: Span,
}

/// Names for values.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct MnemonicGroup {
    /// Name of the group.
    pub name: String,
    /// Its names.
    pub values: Vec<Mnemonic>,
}

/// One name for a value.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Mnemonic {
    /// The name.
    pub name: String,
    /// The value as written between the brackets (such as `0b01`, `0x3F`, `X`).
    pub value: String,
    /// The words of its information tag.
    pub note: Option<String>,
}

impl Mnemonic {
    /// The value as bits, where it is written in bits or hexadecimal digits.
    pub fn bits(&self) -> Option<Pattern> {
        bits(&self.value)
    }
}

/// A register as fields.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct FieldedRegister {
    /// The register's name.
    pub name: String,
    /// Its length in bits.
    pub length: u32,
    /// Its fields.
    pub fields: Vec<Field>,
}

/// One field of a register.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Field {
    /// The field's name.
    pub name: String,
    /// Its width in bits.
    pub width: u32,
    /// Its bits in the register, the field's highest bit first; bit 0 is nearest TDO.
    pub bits: Vec<Range>,
    /// What else is said: a word such as DEFAULT, SAFE, NOPI, and the text in its brackets.
    pub properties: Vec<(String, Option<String>)>,
    /// Where the field's name stands.
    pub span: Span,
}

impl Field {
    /// The text in the brackets of a property, case ignored; `Some("")` where it has none.
    pub fn property(&self, word: &str) -> Option<&str> {
        let is = |p: &&(String, Option<String>)| p.0.eq_ignore_ascii_case(word);
        let (_, text) = self.properties.iter().find(is)?;
        Some(text.as_deref().unwrap_or(""))
    }

    /// The value that DEFAULT, SAFE, CAPTURES or RESETVAL gives the field; `None` if there is no such property.
    ///
    /// ```
    /// use taploom_bsdl::model::{Field, FieldValue};
    /// let properties = vec![("DEFAULT".to_owned(), Some("Card(BLANK)".to_owned())), ("SAFE".to_owned(), Some("0x5".to_owned()))];
    /// let field = Field { name: "HOLES".into(), width: 4, bits: vec![], properties, span: Default::default() };
    /// assert_eq!(field.value("default"), Some(FieldValue::Named("Card".into(), "BLANK".into())));
    /// let Some(FieldValue::Bits(bits)) = field.value("SAFE") else { panic!() };
    /// assert_eq!(bits.to_string(), "0101");
    /// ```
    pub fn value(&self, word: &str) -> Option<FieldValue> {
        let text = self.property(word)?.trim();
        Some(match bits(text) {
            Some(bits) => FieldValue::Bits(bits),
            None => match text.strip_suffix(')').and_then(|t| t.split_once('(')) {
                Some((group, name)) => FieldValue::Named(group.trim().into(), name.trim().into()),
                None => FieldValue::Text(text.into()),
            },
        })
    }
}

/// A value of a field.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum FieldValue {
    /// Bits, written in binary or hexadecimal digits.
    Bits(Pattern),
    /// A mnemonic: its group and its name.
    Named(String, String),
    /// Anything else, as written.
    Text(String),
}

/// `0b01X`, `0x3F`, or bare 0, 1 and X; underscores and blanks between digits are passed over. The rightmost digit
/// holds bit 0. `None` for anything else.
fn bits(text: &str) -> Option<Pattern> {
    let lower = text.trim().to_ascii_lowercase();
    let digits = |t: &str| -> Vec<u8> {
        let all = t.bytes().rev();
        all.filter(|b| !matches!(b, b'_' | b' ' | b'\t')).collect()
    };
    let mut all = Vec::new();
    if let Some(hex) = lower.strip_prefix("0x") {
        for digit in digits(hex) {
            match (digit, (digit as char).to_digit(16)) {
                (b'x', _) => all.extend([Trit::X; 4]),
                (_, Some(n)) => all.extend((0..4).map(|i| Trit::from(n >> i & 1 == 1))),
                _ => return None,
            }
        }
    } else {
        for digit in digits(lower.strip_prefix("0b").unwrap_or(&lower)) {
            all.push(Trit::from_char(digit)?);
        }
    }
    (!all.is_empty()).then(|| Pattern::from_bits(all))
}
