//! Board and harness files: what should be there, and the nets that it makes.
//!
//! [`Board::load`] reads a board file, its harness and the BSDL files that it names, checks every reference and reports
//! all problems at once, each with file, line, column, cause and mend. [`Netlist`] is what the files say is joined;
//! [`Board::wire_ends`] answers which device pins a wire can be tested from.
//!
//! This room must never know transport, scan programs or adapters. It reads files and never writes any, prints
//! nothing, and says nothing about what *is* on the bench: only what was declared.

mod chain;
mod declared;
mod devices;
mod error;
mod fittings;
mod harness;
pub(crate) mod library;
mod load;
mod lookup;
mod names;
mod netlist;
mod part;
mod parts;
mod place;
mod reach;
mod shapes;
mod template;
#[cfg(test)]
mod tests;
mod wires;

pub use chain::DeclaredDevice;
pub use declared::{
    Board, BoardDevice, Connector, ConnectorPinDeclared, Driver, DriverWhen, GuardRules, Hold,
    Part, PartKind, Pull, Socket, Tie, Wire, WireKind,
};
pub(crate) use error::Reader;
pub use error::{BoardError, Cause, Problem};
pub use netlist::{Joint, JointKind, Net, Netlist, Node, NodeId, PinLevel};
pub use part::{Channel, Direction, Enable};
pub use place::{
    ConnectorIndex, ConnectorPin, DeviceIndex, DevicePin, DriverIndex, Level, PartIndex, Place,
    PullIndex, SocketIndex, SocketPin, Supply, WireIndex,
};
pub use reach::{LiveDriver, Reach, WireEnds, WireRole};
pub use shapes::{SHAPES, Shape};
pub use template::{FirstDevice, first_board};

pub use crate::tables::{Location, natural_key};
