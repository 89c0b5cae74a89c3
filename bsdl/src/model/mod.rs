//! What a BSDL file says about a device, as plain data with questions to ask of it.
//!
//! Bit 0 is the bit nearest TDO, everywhere. Names keep the spelling of the file and are compared without regard to
//! ASCII case. This folder knows nothing of the text's grammar, of hardware or of any output format.

mod assembly;
mod beside;
mod boundary;
mod capture;
mod description;
mod device;
mod flow;
mod index;
mod instruction;
mod package;
mod pattern;
mod pins;
mod port;
mod queries;

pub use assembly::{
    AssembledLength, AssembledSegment, AssemblyPart, Association, AssociationItem, BoundarySegment,
    Constraint, Gravity, RegisterAssembly,
};
pub use beside::{AcPin, AcTest, AcTrain, PinBehavior, SystemConfiguration};
pub use boundary::{Cell, CellFunction, CellKind, Disable, DisableResult};
pub use capture::{CaptureMode, CaptureSource, capture_source};
pub use description::{
    Description, Field, FieldValue, FieldedRegister, Mnemonic, MnemonicGroup, OpenInput,
    PowerAssociation, SystemClock,
};
pub use device::{
    Compliance, Device, Edition, Extension, Halt, IntestExecution, Observing, RunbistExecution,
    TapPorts, Wait,
};
pub use flow::{
    Action, ActionStep, BlockKind, DataField, DataName, Flow, FlowBlock, FlowStep, Procedure,
};
pub(crate) use index::under;
pub use instruction::{Instruction, Register, RegisterRef};
pub use package::{CellCapture, CellInfo, Package};
pub(crate) use package::{FUNCTION_WORDS, MODE_WORDS, SOURCE_WORDS};
pub use pattern::{Pattern, PatternError, Trit};
pub use pins::{Pin, PinMap};
pub use port::{DifferentialKind, Port, PortBit, PortGroup, PortMode, PortPair, Range};
pub use queries::PinCells;
