//! One device in plain words: what the file says of it, for a person and for a program.

mod cautions;
mod fields;
mod identity;
mod text;
mod words;

use taploom_bsdl::Device;
use taploom_bsdl::model::{PinMap, RegisterRef};

use super::vet::Vetted;

pub use cautions::{Caution, cautions};
pub use fields::describe_fields;
pub(super) use identity::hex;
pub use text::describe_text;

/// A device to be described, in one of its packages.
#[derive(Debug, Clone, Copy)]
pub struct Described<'a> {
    /// The file that it is from.
    pub file: &'a Vetted,
    /// The device.
    pub device: &'a Device,
    /// The package; `None` if the file has none.
    pub map: Option<&'a PinMap>,
}

/// The instructions that put a register between TDI and TDO.
fn selected_by(device: &Device, register: RegisterRef) -> Vec<&str> {
    let selects = |i: &&taploom_bsdl::model::Instruction| device.register_for(i) == Some(register);
    device
        .instructions
        .iter()
        .filter(selects)
        .map(|i| &*i.name)
        .collect()
}
