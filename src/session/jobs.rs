//! The jobs that commands and scripts share: what is done on an open session, without a word
//! printed.

use std::collections::BTreeMap;
use std::time::SystemTime;

use taploom_bsdl::Device;

use crate::bits::Bits;
use crate::board::{Board, DeviceIndex};
use crate::boundary::drives;
use crate::chain::{
    Chain, Comparison, Found, IdCode, KnownPart, KnownParts, Margin, Split, compare, discover,
    margin, rates_up_to, split_found,
};
use crate::library::Index;
use crate::load::play::ChainPads;
use crate::load::{Far, Image, ImageRefusal, Load, LoadError, Loaded, Recipe, Target, Watch};
use crate::ringout::{Method, RingOut, RingOutError, Wish, ring_out};
use crate::svf::Edge;
use crate::tap::{PieceLimits, Port, PortError, run};

use super::{Session, keep_index, kept_index};

/// Bits that go through the chain at each rate of a margin.
const MARGIN_BITS: usize = 100_000;

/// TCK rate for a chain of which nothing is known.
pub const UNKNOWN_TCK_HZ: u32 = 1_000_000;

/// What a scan gave.
#[derive(Debug, Clone, PartialEq)]
pub struct Scanned {
    /// The chain as found.
    pub found: Found,
    /// How the instruction bits divide among the devices.
    pub split: Split,
    /// The chain against the board, if there is one.
    pub comparison: Option<Comparison>,
    /// Parts whose identity codes are known, from the board or from the index of BSDL files.
    pub known: KnownParts,
}

impl Session {
    /// Who is on the chain and, with a board, whether that is as declared.
    ///
    /// # Errors
    /// The adapter failed, or the run was interrupted.
    pub fn scan(&mut self, board: Option<&Board>) -> Result<Scanned, PortError> {
        self.scan_knowing(board, KnownParts::none())
    }

    /// As [`scan`](Self::scan), with parts that are known beside those of the board.
    ///
    /// # Errors
    /// The adapter failed, or the run was interrupted.
    pub fn scan_knowing(
        &mut self,
        board: Option<&Board>,
        mut known: KnownParts,
    ) -> Result<Scanned, PortError> {
        let tck_hz = board.map_or(UNKNOWN_TCK_HZ, |b| b.tck_limit_hz(true));
        let found = discover(self, tck_hz)?;
        for device in board.into_iter().flat_map(|b| &b.devices) {
            if let Some(bsdl) = &device.bsdl {
                known.add(bsdl);
            }
        }
        let split = split_found(&found, &known);
        let comparison = board.map(|b| compare(&found, b, &known));
        Ok(Scanned {
            found,
            split,
            comparison,
            known,
        })
    }
}

/// What an index of BSDL files knows about identity codes; files with errors in them are not relied on.
pub fn known_from(index: &Index) -> KnownParts {
    let sound = index.parts().filter(|(_, part)| part.errors == 0);
    KnownParts::new(
        sound
            .flat_map(|(_, part)| {
                part.patterns().map(|idcode| KnownPart {
                    name: part.entity.clone(),
                    idcode,
                    ir_length: part.ir_length as usize,
                    ir_capture: part.ir_capture.as_ref().and_then(|c| c.parse().ok()),
                })
            })
            .collect(),
    )
}

/// What the kept index of BSDL files knows, brought up to date: files that changed are read again, all others are not
/// opened. Where the index cannot be kept afterwards, nothing is lost but time.
pub fn known_parts(now: SystemTime) -> KnownParts {
    let (mut index, _) = kept_index();
    if index.refresh(now).changed {
        let _ = keep_index(&index);
    }
    known_from(&index)
}

/// The rest of the chain around a file that was made for one device alone.
pub fn pads_around(chain: &Chain, device: DeviceIndex) -> Option<ChainPads> {
    let place = chain.place_of(device)?;
    let lengths = chain.layout().ir_lengths();
    Some(ChainPads {
        ir_before: lengths[place + 1..].iter().sum(),
        ir_after: lengths[..place].iter().sum(),
        dr_before: lengths.len() - place - 1,
        dr_after: place,
    })
}

/// Tells which devices an instruction scan of the whole chain makes drive their pins by the boundary register: EXTEST and its
/// kin.
pub fn extest_watch<'a>(
    board: &'a Board,
    chain: &'a Chain,
) -> impl Fn(&Bits) -> Option<String> + 'a {
    watch(board, chain, |bsdl, opcode| {
        drives(bsdl, opcode).map(|d| d.instruction)
    })
}

/// Tells which devices an instruction scan of the whole chain gives an instruction that their makers call private: it may harm
/// the part or the board. `None` where no device of the board has any.
pub fn private_watch<'a>(
    board: &'a Board,
    chain: &'a Chain,
) -> Option<impl Fn(&Bits) -> Option<String> + 'a> {
    let mut described = board.devices.iter().filter_map(|d| d.bsdl.as_ref());
    let any = described.any(|bsdl| bsdl.instructions.iter().any(|i| i.private));
    any.then(|| {
        watch(board, chain, |bsdl, opcode| {
            let code: Vec<bool> = opcode.iter().collect();
            let mut selected = (bsdl.instructions.iter())
                .filter(|i| i.opcodes.iter().any(|o| o.matches(&code)))
                .peekable();
            let first = selected.peek()?.name.clone();
            selected.all(|i| i.private).then_some(first)
        })
    })
}

/// Names the instructions of a whole scan that `of` names for a device and its opcode: `EXTEST in U1, U2`.
fn watch<'a>(
    board: &'a Board,
    chain: &'a Chain,
    of: impl Fn(&Device, &Bits) -> Option<String> + 'a,
) -> impl Fn(&Bits) -> Option<String> + 'a {
    move |scan| {
        if scan.len() != chain.layout().ir_total() {
            return None;
        }
        let mut named: BTreeMap<String, Vec<&str>> = BTreeMap::new();
        for (place, device) in chain.devices().iter().enumerate() {
            let declared = &board.devices[device.0];
            let field = chain.layout().ir_field(place);
            let opcode = scan.slice(field.start, field.len());
            let found = (declared.bsdl.as_ref()).and_then(|bsdl| of(bsdl, &opcode));
            if let Some(instruction) = found {
                let devices = named.entry(instruction.to_ascii_uppercase());
                devices.or_default().push(&declared.name);
            }
        }
        let named: Vec<String> = (named.iter())
            .map(|(instruction, devices)| format!("{instruction} in {}", devices.join(", ")))
            .collect();
        (!named.is_empty()).then(|| named.join(" and "))
    }
}

/// Names the device that a bit of a whole scan belongs to: by the instruction registers, or by the registers that the
/// instruction scan in force (bit 0 nearest TDO; empty since a reset) selects. Where one device alone is not in BYPASS, its
/// register may be of any length.
pub fn locator<'a>(
    board: &'a Board,
    chain: &'a Chain,
) -> impl Fn(Edge, &Bits, usize, usize) -> Option<String> + 'a {
    move |edge, ir, bit, total| {
        let layout = chain.layout();
        let name = |place: usize| board.devices[chain.devices()[place].0].name.to_string();
        if edge == Edge::Ir {
            let mut places = 0..layout.len();
            let place = places.find(|p| layout.ir_field(*p).contains(&bit))?;
            return (total == layout.ir_total()).then(|| name(place));
        }
        if !ir.is_empty() && ir.len() != layout.ir_total() {
            return None;
        }
        let lengths: Vec<Option<usize>> = (0..layout.len())
            .map(|place| {
                let opcode = (!ir.is_empty()).then(|| {
                    let field = layout.ir_field(place);
                    ir.slice(field.start, field.len())
                });
                register_bits(board, chain.devices()[place], opcode.as_ref())
            })
            .collect();
        // From TDO to TDI, as the bits are numbered.
        let odd: Vec<usize> = (0..lengths.len())
            .filter(|p| lengths[*p] != Some(1))
            .collect();
        let known: Option<usize> = lengths.iter().copied().sum();
        let free = match (&odd[..], known) {
            (_, Some(sum)) if sum == total => None,
            ([one], _) => Some(*one),
            _ => return None,
        };
        let rest = (total + 1).checked_sub(lengths.len())?;
        let mut from = 0;
        for place in (0..lengths.len()).rev() {
            let length = if free == Some(place) {
                rest
            } else {
                lengths[place]?
            };
            if (from..from + length).contains(&bit) {
                return Some(name(place));
            }
            from += length;
        }
        None
    }
}

/// Bits of the register that an opcode selects, or of the one after a reset; `None` where nobody says.
fn register_bits(board: &Board, device: DeviceIndex, opcode: Option<&Bits>) -> Option<usize> {
    let declared = &board.devices[device.0];
    let Some(opcode) = opcode else {
        let coded = match &declared.bsdl {
            Some(bsdl) => !bsdl.idcodes.is_empty(),
            None => return None,
        };
        return Some(if coded { 32 } else { 1 });
    };
    if opcode.all(true) {
        return Some(1);
    }
    let bsdl = declared.bsdl.as_ref()?;
    let code: Vec<bool> = opcode.iter().collect();
    let register = bsdl.register_for(bsdl.decode(&code)?)?;
    bsdl.register_length(register).map(|n| n as usize)
}

impl Session {
    /// Rings out a board whose chain has been found as declared, at the board's TCK rate.
    ///
    /// # Errors
    /// [`RingOutError`]; the board has been taken out of EXTEST.
    pub fn ring_out(
        &mut self,
        board: &Board,
        chain: &Chain,
        method: Method,
        wish: &Wish,
    ) -> Result<RingOut, RingOutError> {
        let tck_hz = self.set_tck_hz(board.tck_limit_hz(true))?;
        let limits = PieceLimits::at(tck_hz);
        let wish = Wish {
            tck_hz: Some(tck_hz),
            ..wish.clone()
        };
        ring_out(board, chain.devices(), method, &wish, &mut |program| {
            run(self, program, limits)
        })
    }
}

/// A load that was run, or that was not because the image is not for the device.
#[derive(Debug)]
#[allow(clippy::large_enum_variant, reason = "one value a run")]
pub enum LoadOutcome<'a> {
    /// The image was refused before the first bit.
    Refused(ImageRefusal),
    /// The load and how it ended.
    Ran(Load<'a>, Loaded),
}

/// What a load is asked to do.
#[derive(Debug, Clone, Copy, Default)]
pub struct LoadWish {
    /// Sends an image that does not look right all the same.
    pub force: bool,
    /// Reads the image back, where the recipe can.
    pub verify: bool,
}

impl Session {
    /// Loads an image into a device of a chain that has been found as declared.
    ///
    /// The wish to stop is looked at between pieces; the recipe's exit steps run then and the
    /// load ends as [`LoadEnd::BrokenOff`](crate::load::LoadEnd::BrokenOff).
    ///
    /// # Errors
    /// [`LoadError`].
    #[allow(
        clippy::too_many_arguments,
        reason = "each is another thing, and callers name them"
    )]
    pub fn load<'a>(
        &mut self,
        recipe: &'a Recipe,
        target: Target<'a>,
        image: &'a Image,
        code: Option<IdCode>,
        tck_hz: u32,
        wish: LoadWish,
        progress: &mut dyn FnMut(&Far),
    ) -> Result<LoadOutcome<'a>, LoadError> {
        let load = match Load::prepare(recipe, target, image, code, wish.force)? {
            Ok(load) => load,
            Err(refusal) => return Ok(LoadOutcome::Refused(refusal)),
        };
        let lost = |source| LoadError::Port {
            source,
            device: target.name.to_owned(),
            far: Box::default(),
        };
        let tck_hz = self.set_tck_hz(tck_hz).map_err(lost)?;
        let cancel = self.cancel.clone();
        let told = std::mem::replace(&mut self.told, true);
        let cancelled = || cancel.asked().is_some();
        let watch = Watch {
            cancelled: &cancelled,
            progress,
        };
        let result = load.run(self, tck_hz, wish.verify, watch);
        self.told = told || cancelled();
        Ok(LoadOutcome::Ran(load, result?))
    }
}

impl Session {
    /// How fast TCK may go on a chain that has been found whole, up to `limit_hz`.
    ///
    /// # Errors
    /// The adapter failed, or the run was interrupted.
    pub fn margin(&mut self, limit_hz: u32) -> Result<Margin, PortError> {
        let found = discover(self, limit_hz.min(UNKNOWN_TCK_HZ))?;
        let tried = margin(self, &found, &rates_up_to(limit_hz), MARGIN_BITS)?;
        self.set_tck_hz(limit_hz.min(UNKNOWN_TCK_HZ))?;
        Ok(tried)
    }
}
