//! What IEEE 1532 says about how a part is configured: flows of steps, procedures of flows, actions of procedures.
//! From memory, no file with them at hand.

use super::Wait;
use crate::span::Span;

/// Steps that are run one after another.
#[doc(alias = "ISC_FLOW")]
#[derive(Debug, Clone, PartialEq)]
pub struct Flow {
    /// Its name and the data that it works on.
    pub name: DataName,
    /// Words before the first block (such as `unprocessed`, `exit_on_error`), as spelt.
    pub words: Vec<String>,
    /// Its blocks, in the order written.
    pub blocks: Vec<FlowBlock>,
    /// Where the name stands.
    pub span: Span,
}

/// A name, and in brackets after it the name of the data that it works on (such as `program(array)`).
#[derive(Debug, Clone, PartialEq, Eq, Hash)]
pub struct DataName {
    /// The name, as spelt.
    pub name: String,
    /// The data's name, as spelt.
    pub data: Option<String>,
}

/// Steps that are run once or several times.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowBlock {
    /// When.
    pub kind: BlockKind,
    /// The steps.
    pub steps: Vec<FlowStep>,
}

/// When a block of steps is run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum BlockKind {
    /// Once, first.
    Initialize,
    /// As many times.
    Repeat(u32),
    /// Once, last.
    Terminate,
}

/// One step: an instruction, what is shifted in, how long to wait, what is expected out.
#[derive(Debug, Clone, PartialEq)]
pub struct FlowStep {
    /// The instruction, as spelt.
    pub instruction: String,
    /// What is shifted in, field by field, as in the file.
    pub updates: Vec<DataField>,
    /// How long to stay in Run-Test/Idle: all of these.
    pub wait: Vec<Wait>,
    /// What is expected out, field by field.
    pub captures: Vec<DataField>,
    /// Where the instruction stands.
    pub span: Span,
}

/// A field of data in a step.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DataField {
    /// Bits; `None` where none are written (a word of control such as `OST`).
    pub width: Option<u32>,
    /// The data as written: hexadecimal digits, `?` for data from the file, `$name` for a variable, an expression.
    pub data: String,
}

/// Flows under one name.
#[doc(alias = "ISC_PROCEDURE")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Procedure {
    /// Its name and the data that it works on.
    pub name: DataName,
    /// The flows, in order.
    pub flows: Vec<DataName>,
    /// Where the name stands.
    pub span: Span,
}

/// What a user asks for: procedures under one name.
#[doc(alias = "ISC_ACTION")]
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Action {
    /// Its name and the data that it works on.
    pub name: DataName,
    /// Words after the name (such as `proprietary`), as spelt.
    pub words: Vec<String>,
    /// The procedures, in order.
    pub procedures: Vec<ActionStep>,
    /// Where the name stands.
    pub span: Span,
}

/// A procedure of an action.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ActionStep {
    /// The procedure.
    pub procedure: DataName,
    /// Words after it (such as `recommended`, `optional`, `proprietary`), as spelt.
    pub words: Vec<String>,
}
