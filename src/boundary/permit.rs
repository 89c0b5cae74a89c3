//! What this room lets into instruction registers.

use taploom_bsdl::Device;
use taploom_bsdl::model::Instruction;

use crate::bits::Bits;
use crate::tap::{ChainLayout, Instructions};

/// The guard's permit to shift instructions ([`Instructions::permitted`]): only this room makes one.
#[derive(Debug)]
pub struct Guarded(());

impl Guarded {
    pub(super) fn new() -> Self {
        Guarded(())
    }
}

/// An instruction for one device of a chain.
#[derive(Debug, Clone, Copy)]
pub struct Wanted<'a> {
    /// What describes the device.
    pub device: &'a Device,
    /// The opcode, as long as the device's instruction register.
    pub opcode: &'a Bits,
}

/// An opcode that would put the boundary register onto a device's pins.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "{instruction} puts the boundary register of {entity} onto its pins, which is the guard's alone"
)]
pub struct Drives {
    /// The device's entity.
    pub entity: String,
    /// The instruction that the opcode selects.
    pub instruction: String,
}

/// One instruction scan that drives no pin by the boundary register; BYPASS where there is `None`. In the order of the
/// layout, TDI to TDO.
///
/// # Errors
/// [`Drives`] for an opcode that by its device's description would.
///
/// # Panics
/// If number or lengths do not fit the layout.
pub fn harmless(
    layout: &ChainLayout,
    wanted: &[Option<Wanted<'_>>],
) -> Result<Instructions, Drives> {
    for wanted in wanted.iter().flatten() {
        drives(wanted.device, wanted.opcode).map_or(Ok(()), Err)?;
    }
    let opcodes: Vec<Option<&Bits>> = wanted.iter().map(|w| w.map(|w| w.opcode)).collect();
    let bits = layout.ir_scan(&opcodes);
    Ok(Instructions::permitted(bits, Guarded::new()))
}

/// Whether an opcode puts the boundary register onto the device's pins.
pub fn drives(device: &Device, opcode: &Bits) -> Option<Drives> {
    let code: Vec<bool> = opcode.iter().collect();
    let selects = |i: &&Instruction| i.opcodes.iter().any(|o| o.matches(&code));
    let mut instructions = device.instructions.iter().filter(|i| i.drives_pins());
    let instruction = instructions.find(selects)?;
    Some(Drives {
        entity: device.entity.clone(),
        instruction: instruction.name.clone(),
    })
}
