//! How a simulated device takes an image: a configuration engine that a file describes.
//! The file's format stands in [`super::bench_file`].

use std::sync::Arc;

use crate::bits::Bits;

/// What an instruction does for configuration.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Role {
    Open,
    Shift,
    Status,
    Start,
    Close,
    /// Reads back what a part that keeps its image has in its memory.
    Read,
}

/// A flag of the engine.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Flag {
    Open,
    Ready,
    Synced,
    Loaded,
    Done,
    CrcError,
    PartMismatch,
    LengthError,
    SequenceError,
    Busy,
}

impl Flag {
    /// All flags with the keys of `[status]` and `[ir]`.
    pub(super) const ALL: [(&'static str, Self); 10] = [
        ("open", Self::Open),
        ("ready", Self::Ready),
        ("synced", Self::Synced),
        ("loaded", Self::Loaded),
        ("done", Self::Done),
        ("crc_error", Self::CrcError),
        ("part_mismatch", Self::PartMismatch),
        ("length_error", Self::LengthError),
        ("sequence_error", Self::SequenceError),
        ("busy", Self::Busy),
    ];
}

/// What the file says.
#[derive(Debug, Clone)]
pub(super) struct EngineModel {
    pub(super) instructions: Vec<(String, Role)>,
    pub(super) clear_clocks: u64,
    pub(super) start_clocks: u64,
    /// Nanoseconds in Run-Test/Idle that erasing takes beside the clocks, and writing.
    pub(super) clear_ns: u64,
    pub(super) start_ns: u64,
    /// The image stays without power, and can be read back.
    pub(super) keeps: bool,
    /// Up to eight bytes.
    pub(super) preamble: Vec<u8>,
    pub(super) text_bytes: usize,
    pub(super) length_max: u32,
    pub(super) crc_polynomial: u16,
    pub(super) crc_start: u16,
    /// The status word's constant bits.
    pub(super) always: Bits,
    pub(super) status: Vec<(Flag, u32)>,
    pub(super) ir: Vec<(Flag, u32)>,
}

/// An image that has come in whole.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub(super) struct Image {
    pub(super) text: String,
    pub(super) payload_bytes: u64,
    pub(super) crc: u16,
}

/// What the engine waits for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Phase {
    Preamble,
    /// Reading bytes: so many have come since the preamble.
    Body,
    /// Ignores what comes.
    Over,
}

/// The engine of one device.
#[derive(Debug)]
pub(super) struct Engine {
    model: Arc<EngineModel>,
    part: u32,
    flags: u16,
    clear: Left,
    start: Left,
    phase: Phase,
    window: u64,
    byte: u8,
    byte_bits: u32,
    count: u64,
    word: u32,
    length: u32,
    crc: u16,
    crc_table: Box<[u16; 256]>,
    text: Vec<u8>,
    images: Vec<Image>,
    /// What a part that keeps its image holds, from the preamble on; the rest is erased, all ones.
    memory: Vec<u8>,
    /// Bits that came in since configuration was opened.
    image_bits: u64,
}

/// What is left of something that takes clocks and time in Run-Test/Idle under its instruction.
#[derive(Debug, Clone, Copy, Default)]
struct Left {
    clocks: u64,
    ns: u64,
}

impl Left {
    fn is_over(self) -> bool {
        self.clocks == 0 && self.ns == 0
    }
}

/// Bytes that can be read back beyond the longest image: erased memory.
const BEYOND: usize = 64;

impl Engine {
    /// For a device with this IDCODE; `running`: a design runs already.
    pub(super) fn new(model: Arc<EngineModel>, idcode: u32, running: bool) -> Self {
        let mut table = Box::new([0; 256]);
        for (i, entry) in table.iter_mut().enumerate() {
            let mut crc = (i as u16) << 8;
            for _ in 0..8 {
                let carry = crc & 0x8000 != 0;
                crc = crc << 1 ^ if carry { model.crc_polynomial } else { 0 };
            }
            *entry = crc;
        }
        let mut engine = Self {
            part: idcode & 0x0fff_ffff,
            flags: 0,
            clear: Left::default(),
            start: Left::default(),
            phase: Phase::Preamble,
            window: 0,
            byte: 0,
            byte_bits: 0,
            count: 0,
            word: 0,
            length: 0,
            crc: model.crc_start,
            crc_table: table,
            text: vec![],
            images: vec![],
            memory: vec![],
            image_bits: 0,
            model,
        };
        engine.put(Flag::Done, running);
        engine
    }

    /// What an instruction does, by name.
    pub(super) fn role(&self, instruction: &str) -> Option<Role> {
        let found = self
            .model
            .instructions
            .iter()
            .find(|(name, _)| name.eq_ignore_ascii_case(instruction));
        found.map(|(_, role)| *role)
    }

    /// Whether the loaded design runs.
    pub(super) fn running(&self) -> bool {
        self.has(Flag::Done)
    }

    /// Images that came in whole and right.
    pub(super) fn images(&self) -> &[Image] {
        &self.images
    }

    /// The status word, bit 0 first.
    pub(super) fn status(&self) -> Bits {
        let mut word = self.model.always.clone();
        for &(flag, bit) in &self.model.status {
            if self.has(flag) && (bit as usize) < word.len() {
                word.set(bit as usize, true);
            }
        }
        word
    }

    /// A bit that the captured instruction register shows.
    pub(super) fn ir_bit(&self, bit: usize) -> Option<bool> {
        let shown = self.model.ir.iter().find(|(_, b)| *b as usize == bit);
        shown.map(|(flag, _)| self.has(*flag))
    }

    /// An instruction has come into force.
    pub(super) fn instruction(&mut self, role: Role) {
        match role {
            Role::Open => {
                self.flags = 0;
                self.put(Flag::Open, true);
                self.clear = Left {
                    clocks: self.model.clear_clocks,
                    ns: self.model.clear_ns,
                };
                self.start = Left::default();
                self.put(Flag::Busy, !self.clear.is_over());
                self.memory.clear();
                self.image_bits = 0;
                self.phase = Phase::Preamble;
                self.window = 0;
            }
            Role::Start => {
                let errors = [
                    Flag::CrcError,
                    Flag::PartMismatch,
                    Flag::LengthError,
                    Flag::SequenceError,
                ];
                let right = self.has(Flag::Open)
                    && self.has(Flag::Loaded)
                    && !errors.iter().any(|f| self.has(*f));
                if right {
                    self.start = Left {
                        clocks: self.model.start_clocks,
                        ns: self.model.start_ns,
                    };
                    self.put(Flag::Busy, !self.start.is_over());
                } else {
                    self.put(Flag::SequenceError, true);
                }
            }
            Role::Close => {
                self.put(Flag::Open, false);
                self.put(Flag::Busy, false);
                self.start = Left::default();
                if !self.has(Flag::Done) {
                    self.put(Flag::Ready, false);
                    self.put(Flag::Loaded, false);
                    // What is half written does not count as an image.
                    self.memory.clear();
                }
            }
            Role::Shift | Role::Status | Role::Read => {}
        }
    }

    /// Cycles of TCK and nanoseconds in Run-Test/Idle under an instruction.
    pub(super) fn idle(&mut self, role: Role, clocks: u64, ns: u64) {
        let ends = |left: &mut Left| {
            let running = !left.is_over();
            left.clocks = left.clocks.saturating_sub(clocks);
            left.ns = left.ns.saturating_sub(ns);
            running && left.is_over()
        };
        let flag = match role {
            Role::Open if self.has(Flag::Open) && ends(&mut self.clear) => Flag::Ready,
            Role::Start if self.has(Flag::Open) && ends(&mut self.start) => Flag::Done,
            _ => return,
        };
        self.put(Flag::Busy, false);
        self.put(flag, true);
    }

    /// Bits that came in since configuration was opened last.
    pub(super) fn image_bits(&self) -> u64 {
        self.image_bits
    }

    /// Whether the image stays without power.
    pub(super) fn keeps(&self) -> bool {
        self.model.keeps
    }

    /// What can be read back, each byte most significant bit first; nothing from a part that does not keep its image.
    pub(super) fn read_back(&self) -> Bits {
        if !self.model.keeps {
            return Bits::new();
        }
        let longest = self.model.preamble.len() + self.model.text_bytes + 10;
        let bytes = longest + self.model.length_max as usize + BEYOND;
        let erased = std::iter::repeat(&0xff);
        self.memory
            .iter()
            .chain(erased)
            .take(bytes)
            .flat_map(|b| (0..8).rev().map(move |i| b >> i & 1 == 1))
            .collect()
    }

    /// Image bits, in the order in which they enter the register.
    pub(super) fn take(&mut self, bits: &Bits) {
        self.image_bits += bits.len() as u64;
        if !self.has(Flag::Open) || !self.has(Flag::Ready) {
            if !bits.is_empty() {
                self.put(Flag::SequenceError, true);
            }
            return;
        }
        let mut at = 0;
        while at < bits.len() {
            match self.phase {
                Phase::Over => return,
                // Whole bytes while the payload runs; the first bit of a byte is its highest.
                Phase::Body if self.byte_bits == 0 && bits.len() - at >= 8 => {
                    self.byte((bits.get_u64(at, 8) as u8).reverse_bits());
                    at += 8;
                }
                Phase::Body => {
                    self.byte = self.byte << 1 | u8::from(bits.get(at));
                    self.byte_bits += 1;
                    at += 1;
                    if self.byte_bits == 8 {
                        self.byte_bits = 0;
                        self.byte(self.byte);
                    }
                }
                Phase::Preamble => {
                    self.window = self.window << 1 | u64::from(bits.get(at));
                    at += 1;
                    let wanted =
                        (self.model.preamble.iter()).fold(0, |w, b| w << 8 | u64::from(*b));
                    let mask = u64::MAX >> (64 - 8 * self.model.preamble.len());
                    if self.window & mask == wanted {
                        self.put(Flag::Synced, true);
                        self.phase = Phase::Body;
                        (self.byte_bits, self.count, self.length) = (0, 0, 0);
                        self.crc = self.model.crc_start;
                        self.text.clear();
                        self.memory.clone_from(&self.model.preamble);
                    }
                }
            }
        }
    }

    /// A byte after the preamble.
    fn byte(&mut self, byte: u8) {
        let text = self.model.text_bytes as u64;
        let payload = text + 8;
        let at = self.count;
        self.count += 1;
        if self.model.keeps {
            self.memory.push(byte);
        }
        // The length is 0 until it has been read.
        if at < payload + u64::from(self.length) {
            self.crc = self.crc << 8 ^ self.crc_table[usize::from(self.crc >> 8 ^ u16::from(byte))];
        }
        if at < text {
            self.text.push(byte);
        } else if at < payload {
            self.word = self.word << 8 | u32::from(byte);
            if at + 1 == text + 4 && self.word != self.part {
                self.stop(Flag::PartMismatch);
            } else if at + 1 == payload {
                self.length = self.word;
                if self.length == 0 || self.length > self.model.length_max {
                    self.stop(Flag::LengthError);
                }
            }
        } else if at >= payload + u64::from(self.length) {
            self.word = self.word << 8 | u32::from(byte);
            if at == payload + u64::from(self.length) + 1 {
                self.phase = Phase::Over;
                if self.word as u16 == self.crc {
                    self.put(Flag::Loaded, true);
                    let end = self.text.iter().position(|b| *b == 0);
                    let text = &self.text[..end.unwrap_or(self.text.len())];
                    self.images.push(Image {
                        text: String::from_utf8_lossy(text).into_owned(),
                        payload_bytes: self.length.into(),
                        crc: self.crc,
                    });
                } else {
                    self.put(Flag::CrcError, true);
                }
            }
        }
    }

    fn stop(&mut self, why: Flag) {
        self.put(why, true);
        self.phase = Phase::Over;
    }

    fn has(&self, flag: Flag) -> bool {
        self.flags >> flag as u16 & 1 == 1
    }

    fn put(&mut self, flag: Flag, value: bool) {
        let bit = 1 << flag as u16;
        if value {
            self.flags |= bit;
        } else {
            self.flags &= !bit;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The engine of the scenario, as `fixtures/knitting-machine/README.md` describes it.
    pub(crate) fn model() -> EngineModel {
        let instructions = [
            ("CFG_OPEN", Role::Open),
            ("CFG_SHIFT", Role::Shift),
            ("CFG_STATUS", Role::Status),
            ("CFG_START", Role::Start),
            ("CFG_CLOSE", Role::Close),
        ];
        let bits = [0, 1, 2, 3, 4, 8, 9, 10, 11];
        EngineModel {
            instructions: instructions.map(|(n, r)| (n.to_string(), r)).to_vec(),
            clear_clocks: 512,
            start_clocks: 48,
            clear_ns: 0,
            start_ns: 0,
            keeps: false,
            preamble: vec![0xc9, 0x5a, 0x36, 0xe1],
            text_bytes: 32,
            length_max: 1_048_576,
            crc_polynomial: 0x1021,
            crc_start: 0xffff,
            always: Bits::from_u64(0x5000, 16),
            status: Flag::ALL.iter().map(|(_, f)| *f).zip(bits).collect(),
            ir: vec![(Flag::Done, 4), (Flag::Ready, 5)],
        }
    }

    /// A CRC by the definition, bit by bit: polynomial 0x1021, start 0xFFFF, most significant bit first.
    fn crc(bytes: &[u8]) -> u16 {
        bytes.iter().fold(0xffff, |crc, byte| {
            (0..8).rev().fold(crc, |crc: u16, i| {
                let carry = (crc >> 15) ^ u16::from(byte >> i & 1) == 1;
                crc << 1 ^ if carry { 0x1021 } else { 0 }
            })
        })
    }

    fn image(part: u32, length: u32, payload: &[u8]) -> Vec<u8> {
        let mut body = b"HEDDLE_208 pattern-tap".to_vec();
        body.resize(32, 0);
        body.extend(part.to_be_bytes());
        body.extend(length.to_be_bytes());
        body.extend(payload);
        let mut bytes = vec![0xff; 16];
        bytes.extend([0xc9, 0x5a, 0x36, 0xe1]);
        bytes.extend(&body);
        bytes.extend(crc(&body).to_be_bytes());
        bytes.extend([0xff; 8]);
        bytes
    }

    /// The bits on their way: `lead` pad bits, then each byte most significant bit first.
    fn stream(bytes: &[u8], lead: usize) -> Bits {
        let mut bits = Bits::zeros(lead);
        bits.extend(
            bytes
                .iter()
                .flat_map(|b| (0..8).rev().map(move |i| b >> i & 1 == 1)),
        );
        bits
    }

    fn opened() -> Engine {
        let mut engine = Engine::new(Arc::new(model()), 0x24d0_8501, false);
        engine.instruction(Role::Open);
        engine.idle(Role::Open, 511, 0);
        assert_eq!(engine.status().get_u64(0, 16), 0x5001);
        engine.idle(Role::Open, 1, 0);
        assert_eq!(engine.status().get_u64(0, 16), 0x5003);
        engine
    }

    fn status_after(bits: &Bits, cut: usize) -> u64 {
        let mut engine = opened();
        let mut at = 0;
        while at < bits.len() {
            let n = cut.min(bits.len() - at);
            engine.take(&bits.slice(at, n));
            at += n;
        }
        engine.status().get_u64(0, 16)
    }

    #[test]
    fn the_published_check_value_of_the_crc() {
        // CRC catalogues: this variant gives 0x29B1 over the nine digits.
        assert_eq!(crc(b"123456789"), 0x29b1);
    }

    #[test]
    fn an_image_is_taken_at_any_bit_position_and_in_any_pieces() {
        let payload: Vec<u8> = (0..=255).collect();
        let bytes = image(0x04d0_8501, 256, &payload);
        for lead in [0, 1, 3, 7, 11] {
            for cut in [1, 5, 64, 1_000_000] {
                assert_eq!(
                    status_after(&stream(&bytes, lead), cut),
                    0x500f,
                    "{lead} {cut}"
                );
            }
        }
    }

    #[test]
    fn each_way_to_be_wrong_has_its_bit() {
        let good = image(0x04d0_8501, 4, b"knit");
        let mut damaged = good.clone();
        damaged[61] ^= 0x10;
        assert_eq!(status_after(&stream(&damaged, 0), 9), 0x5107);
        let other = image(0x04d1_6501, 4, b"knit");
        assert_eq!(status_after(&stream(&other, 0), 9), 0x5207);
        for length in [0, 1_048_577] {
            let wrong = image(0x04d0_8501, length, b"knit");
            assert_eq!(status_after(&stream(&wrong, 0), 9), 0x5407, "{length}");
        }
        let short = stream(&good, 0);
        assert_eq!(status_after(&short.slice(0, short.len() - 70), 9), 0x5007);
    }

    #[test]
    fn the_order_of_things_is_kept() {
        let mut engine = Engine::new(Arc::new(model()), 0x24d0_8501, true);
        assert!(engine.running());
        engine.take(&Bits::ones(8));
        assert_eq!(engine.status().get_u64(0, 16), 0x5810);
        engine.instruction(Role::Open);
        assert!(!engine.running());
        engine.take(&Bits::ones(8));
        assert_eq!(engine.status().get_u64(0, 16), 0x5801);

        let mut engine = opened();
        engine.take(&stream(&image(0x04d0_8501, 4, b"knit"), 0));
        engine.instruction(Role::Start);
        engine.idle(Role::Start, 47, 0);
        assert!(!engine.running());
        engine.idle(Role::Start, 1, 0);
        engine.instruction(Role::Close);
        assert_eq!(engine.status().get_u64(0, 16), 0x501e);
        assert_eq!(engine.images()[0].text, "HEDDLE_208 pattern-tap");
        assert_eq!(
            (engine.ir_bit(4), engine.ir_bit(5), engine.ir_bit(6)),
            (Some(true), Some(true), None)
        );

        let mut engine = opened();
        engine.take(&stream(&image(0x04d0_8501, 4, b"knit"), 0));
        engine.instruction(Role::Close);
        assert_eq!(engine.status().get_u64(0, 16), 0x5004);
        engine.instruction(Role::Start);
        assert_eq!(engine.status().get_u64(0, 16), 0x5804);
    }

    #[test]
    fn a_part_that_keeps_its_image_takes_time_and_is_read_back() {
        let mut keeping = model();
        (keeping.clear_ns, keeping.start_ns) = (100_000_000, 20_000_000);
        (keeping.keeps, keeping.length_max) = (true, 64);
        keeping.status.push((Flag::Busy, 5));
        let status = |e: &Engine| e.status().get_u64(0, 16);
        let mut engine = Engine::new(Arc::new(keeping), 0x24d0_8501, false);
        assert!(engine.read_back().iter().all(|b| b));
        engine.instruction(Role::Open);
        engine.idle(Role::Open, 600, 99_999_999);
        assert_eq!(status(&engine), 0x5021);
        engine.idle(Role::Open, 0, 1);
        assert_eq!(status(&engine), 0x5003);
        let bytes = image(0x04d0_8501, 4, b"knit");
        engine.take(&stream(&bytes, 2));
        // From the preamble to the CRC as it was sent, then erased memory.
        let kept = stream(&bytes[16..bytes.len() - 8], 0);
        let back = engine.read_back();
        assert_eq!(back.slice(0, kept.len()), kept);
        assert_eq!(back.len(), 8 * (4 + 32 + 8 + 64 + 2 + BEYOND));
        assert!(back.iter().skip(kept.len()).all(|b| b));
        engine.instruction(Role::Start);
        engine.idle(Role::Start, 48, 0);
        assert_eq!(status(&engine), 0x502f);
        engine.idle(Role::Start, 0, 20_000_000);
        engine.instruction(Role::Close);
        assert_eq!(status(&engine), 0x501e);
        assert_eq!(engine.read_back().slice(0, kept.len()), kept);
        // Broken off after the erase: blank.
        engine.instruction(Role::Open);
        engine.instruction(Role::Close);
        assert!(!engine.running() && engine.read_back().iter().all(|b| b));
    }
}
