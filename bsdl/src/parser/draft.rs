//! What the statements say, before the strings inside them are read.

use super::joined::Joined;
use crate::model::{Package, Port};
use crate::span::Span;

/// The statements of one entity.
#[derive(Debug, Default)]
pub(super) struct Draft {
    /// The entity's name, empty if it has none.
    pub(super) entity: Span,
    pub(super) generic: Option<Generic>,
    pub(super) ports: Vec<Port>,
    /// Bits of all ports.
    pub(super) bits: u64,
    /// Names whose port declaration could not be read: no complaint that they are unknown.
    pub(super) broken_ports: Vec<Span>,
    pub(super) uses: Vec<(String, Span)>,
    pub(super) attributes: Vec<Attribute>,
    /// Names of all attribute statements, faulty ones included.
    pub(super) seen: Vec<Span>,
    /// There is a generic and a port list, faulty ones included.
    pub(super) has_generic: bool,
    pub(super) has_ports: bool,
    /// A pin map was begun.
    pub(super) has_map: bool,
    /// Name and text of each pin map.
    pub(super) maps: Vec<(Span, Joined)>,
    /// Names declared as extensions.
    pub(super) declared: Vec<Span>,
    /// Packages in the same file.
    pub(super) packages: Vec<Package>,
    /// Where the description ends.
    pub(super) end: Span,
}

/// The generic's default.
#[derive(Debug)]
pub(super) struct Generic {
    pub(super) default: Option<(String, Span)>,
}

/// `attribute NAME of TARGET : CLASS is VALUE;`
#[derive(Debug)]
pub(super) struct Attribute {
    pub(super) name: Span,
    pub(super) target: Span,
    /// True for `: signal`.
    pub(super) on_signal: bool,
    pub(super) value: Value,
    /// Where the value stands.
    pub(super) span: Span,
}

/// A value as its form tells.
#[derive(Debug)]
pub(super) enum Value {
    /// Strings.
    Text(Joined),
    /// A number: the token's place.
    Number,
    /// A word: the token's place.
    Word,
    /// `(number, word)`.
    Clock { hz: Span, halt: Span },
    /// `(number, number)`.
    Pair { first: Span, second: Span },
}

impl Value {
    /// What it is, for messages.
    pub(super) fn kind(&self) -> &'static str {
        match self {
            Self::Text(_) => "a string",
            Self::Number => "a number",
            Self::Word => "a word",
            Self::Clock { .. } | Self::Pair { .. } => "a pair in brackets",
        }
    }
}
