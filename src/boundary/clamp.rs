//! Devices held by CLAMP while another is worked on.

use crate::bits::Bits;
use crate::board::Board;
use crate::tap::{ChainLayout, Instructions};

use super::{Drives, Guard, Guarded, Stillness, Wanted, drives};

/// The devices of a chain that are held by CLAMP, all but those that the guard's pins leave in mission mode: their pins stay at
/// the guard's image at rest, so that outputs are off wherever they can be, held pins are at their levels, and pins that cannot
/// be switched off stand still. One BYPASS bit of each lies between TDI and TDO.
///
/// Devices that take no part in boundary scan, or whose BSDL has no CLAMP, stay in BYPASS.
#[derive(Debug, Clone)]
pub struct Clamp {
    layout: ChainLayout,
    preload: Instructions,
    image: Bits,
    /// By place, TDI to TDO.
    opcodes: Vec<Option<Bits>>,
}

impl Clamp {
    /// Holds what the guard stands over. `_still` is the proof that the pins were looked at before. `None` if no device can be
    /// held.
    pub fn of(board: &Board, guard: &Guard<'_>, _still: &Stillness) -> Option<Clamp> {
        let pins = guard.pins();
        let layout = pins.layout().clone();
        let opcodes: Vec<Option<Bits>> = (pins.seats().iter())
            .map(|seat| {
                let bsdl = board.devices[seat.device.0].bsdl.as_deref()?;
                let clamp = bsdl.clamp().filter(|_| seat.takes_part)?;
                let opcode = clamp.opcodes.first()?.bits_with_x_as(false);
                Some(opcode.into_iter().collect())
            })
            .collect();
        if opcodes.iter().all(Option::is_none) {
            return None;
        }
        let preload: Vec<Option<&Bits>> = (pins.seats().iter().zip(&opcodes))
            .map(|(seat, clamp)| {
                let codes = seat.opcodes.as_ref().filter(|_| clamp.is_some());
                codes.map(|codes| &codes.preload)
            })
            .collect();
        let preload = Instructions::permitted(layout.ir_scan(&preload), Guarded::new());
        // From TDO on: the image at rest of what is held, one bit of BYPASS of the others.
        let mut image = Bits::new();
        for (seat, clamp) in pins.seats().iter().zip(&opcodes).rev() {
            match clamp {
                Some(_) => image.append(
                    &guard
                        .rest()
                        .bits()
                        .slice(seat.field.start, seat.field.len()),
                ),
                None => image.push(false),
            }
        }
        Some(Clamp {
            layout,
            preload,
            image,
            opcodes,
        })
    }

    /// What comes first, and again after each reset: the instruction scan and the data scan that put the image at rest where
    /// CLAMP takes it from.
    pub fn preload(&self) -> (Instructions, Bits) {
        (self.preload.clone(), self.image.clone())
    }

    /// CLAMP in what is held, and an instruction in the device at `place`, TDI to TDO.
    ///
    /// # Errors
    /// [`Drives`] if that one would drive pins.
    ///
    /// # Panics
    /// If the opcode has another length than the device's register.
    pub fn with(&self, place: usize, wanted: Wanted<'_>) -> Result<Instructions, Drives> {
        if let Some(drives) = drives(wanted.device, wanted.opcode) {
            return Err(drives);
        }
        let mut all: Vec<Option<&Bits>> = self.opcodes.iter().map(Option::as_ref).collect();
        all[place] = Some(wanted.opcode);
        let bits = self.layout.ir_scan(&all);
        Ok(Instructions::permitted(bits, Guarded::new()))
    }

    /// Places of the devices that are held, TDI to TDO.
    pub fn held(&self) -> impl Iterator<Item = usize> + '_ {
        (0..self.opcodes.len()).filter(|place| self.opcodes[*place].is_some())
    }
}
