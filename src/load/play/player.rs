//! The player.

use std::collections::{BTreeMap, VecDeque};
use std::io::Read;

use crate::bits::Bits;
use crate::svf::{
    Edge, Limits, Located, Pad, PioLevel, Place, Reader, RunTest, ScanText, Statement, TrstMode,
    state_word,
};
use crate::tap::{Compare, Instructions, Level, Line, Mismatch, Op, Port, Shift, TapState};

use super::counts::{PlayMismatch, Played};
use super::deck::Deck;
use super::error::PlayError;
use super::parallel::{Columns, Spares};
use super::sticky::{Scan, Sticky};

/// The player's permit to shift whatever instructions a file has ([`Instructions::permitted`]): only this file makes one. A
/// file that selects EXTEST goes past the guard by nature; who plays it has asked before ([`PlayOptions::inspect`]).
#[derive(Debug)]
pub struct PastGuard(());

/// Bits of the other devices around a file that was made for one device alone.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct ChainPads {
    /// Instruction register bits of the devices nearer TDO; they get ones (BYPASS).
    pub ir_before: usize,
    /// Instruction register bits of the devices nearer TDI.
    pub ir_after: usize,
    /// Devices nearer TDO, one BYPASS bit each.
    pub dr_before: usize,
    /// Devices nearer TDI.
    pub dr_after: usize,
}

/// Looks at the bits of a whole instruction scan (bit 0 nearest TDO) and names what it selects,
/// if the user must hear of it before.
pub type Inspect<'a> = &'a dyn Fn(&Bits) -> Option<String>;

/// Names the device that a bit of a whole scan belongs to: the scan's register, the bits of the instruction scan in force
/// (empty since a reset), the bit's number and the length of the scan. `None` where nobody knows.
pub type Locate<'a> = &'a dyn Fn(Edge, &Bits, usize, usize) -> Option<String>;

/// How to play.
#[derive(Clone, Copy)]
pub struct PlayOptions<'a> {
    /// What the reader accepts.
    pub limits: Limits,
    /// Goes on after mismatches.
    pub keep_going: bool,
    /// Whether answers are compared at all.
    pub compare: bool,
    /// The rest of the chain, if the file knows only one device.
    pub pads: ChainPads,
    /// TCK is never above this.
    pub tck_hz: u32,
    /// Is shown every instruction scan; what it names first goes to [`Played::seen`].
    pub inspect: Option<Inspect<'a>>,
    /// Names the devices of bits that differ.
    pub locate: Option<Locate<'a>>,
    /// Spare lines for the file's parallel pins.
    pub spares: Spares<'a>,
}

/// Bytes of statements that a loop may hold.
const LOOP_BYTES: usize = 16 << 20;
/// The longest single wait, in seconds: no file means a longer one.
const LONGEST_WAIT: f64 = 3600.0;

/// Plays a file on a port. The chain is reset first; at the end it is in Run-Test/Idle or where
/// the file left it.
///
/// The result says how far it got in any case; beside it stands why it stopped before the end.
/// Mismatches do not count as an error: without `keep_going` playing ends at the first one and
/// [`Played::complete`] is false.
pub fn play(
    text: impl Read,
    port: &mut dyn Port,
    options: &PlayOptions,
) -> (Played, Option<PlayError>) {
    let deck = Deck::new(Some(port), options.tck_hz);
    Player::new(deck, *options).run(text)
}

/// Reads and counts a file, and touches nothing.
pub fn rehearse(text: impl Read, options: &PlayOptions<'_>) -> (Played, Option<PlayError>) {
    let deck = Deck::new(None, options.tck_hz);
    Player::new(deck, *options).run(text)
}

/// A scan whose compare is under way.
struct Sent {
    tag: u64,
    at: Place,
    command: &'static str,
    data_from: usize,
    data_len: usize,
    edge: Edge,
    total: usize,
    /// The instruction scan in force.
    ir: Bits,
}

struct Player<'p> {
    deck: Deck<'p>,
    options: PlayOptions<'p>,
    played: Played,
    sticky: BTreeMap<&'static str, Sticky>,
    /// Header and trailer: DR, IR.
    pads: [[Scan; 2]; 2],
    end_dr: TapState,
    end_ir: TapState,
    run_state: TapState,
    run_end: TapState,
    trst_on: bool,
    trst_absent: bool,
    tck_hz: u32,
    columns: Columns,
    /// The last instruction scan; empty since a reset.
    ir: Bits,
    sent: VecDeque<Sent>,
    next_tag: u64,
    /// Whether statements are counted: not again while a loop repeats.
    counting: bool,
}

/// Whether playing goes on.
enum Flow {
    On,
    Stop,
}

impl<'p> Player<'p> {
    fn new(deck: Deck<'p>, options: PlayOptions<'p>) -> Self {
        Player {
            deck,
            options,
            played: Played::default(),
            sticky: BTreeMap::new(),
            pads: Default::default(),
            end_dr: TapState::RunTestIdle,
            end_ir: TapState::RunTestIdle,
            run_state: TapState::RunTestIdle,
            run_end: TapState::RunTestIdle,
            trst_on: false,
            trst_absent: false,
            tck_hz: options.tck_hz,
            columns: Columns::default(),
            ir: Bits::new(),
            sent: VecDeque::new(),
            next_tag: 0,
            counting: true,
        }
    }

    fn run(mut self, text: impl Read) -> (Played, Option<PlayError>) {
        let mut reader = Reader::new(text, self.options.limits);
        let mut error = self.statements(&mut reader).err();
        // Everything on the deck runs, so that no piece is left half way; a failed port says so.
        if let Err(source) = self.deck.settle()
            && error.is_none()
        {
            error = Some(PlayError::Port {
                at: self.deck.last,
                source,
            });
        }
        self.take_mismatches();
        self.played.tck_cycles = self.deck.tck_cycles;
        self.played.warnings = reader.warnings().to_vec();
        self.played.complete = error.is_none()
            && self.played.complete
            && (self.options.keep_going || self.played.mismatches.is_empty());
        (self.played, error)
    }

    fn statements(&mut self, reader: &mut Reader<impl Read>) -> Result<(), PlayError> {
        self.put(Op::Reset)?;
        self.put(Op::Go(TapState::RunTestIdle))?;
        while let Some(located) = reader.next_statement()? {
            let flow = match located.statement {
                Statement::Loop(times) => {
                    self.count(&located);
                    self.repeat(located.at, times, reader)?
                }
                Statement::EndLoop => {
                    return Err(PlayError::Loop {
                        at: located.at,
                        what: "ENDLOOP without LOOP",
                    });
                }
                _ => self.statement(located)?,
            };
            if let Flow::Stop = flow {
                return Ok(());
            }
        }
        self.played.complete = true;
        Ok(())
    }

    /// A loop: its statements again until all compares in them pass, so many times at most.
    fn repeat(
        &mut self,
        at: Place,
        times: u64,
        reader: &mut Reader<impl Read>,
    ) -> Result<Flow, PlayError> {
        let began = reader.offset();
        let mut body = Vec::new();
        loop {
            if reader.offset() - began > LOOP_BYTES as u64 {
                return Err(PlayError::Loop {
                    at,
                    what: "this loop is too long to be held in memory",
                });
            }
            let Some(located) = reader.next_statement()? else {
                return Err(PlayError::Loop {
                    at,
                    what: "this loop has no ENDLOOP",
                });
            };
            match located.statement {
                Statement::EndLoop => {
                    self.count(&located);
                    break;
                }
                Statement::Loop(_) => {
                    return Err(PlayError::Loop {
                        at: located.at,
                        what: "a loop in a loop",
                    });
                }
                _ => body.push(located),
            }
        }
        self.settle(at)?;
        if let Flow::Stop = self.judge() {
            return Ok(Flow::Stop);
        }
        let before = self.played.mismatches.len();
        let rounds = if self.deck.port().is_none() {
            times.min(1)
        } else {
            times
        };
        for round in 0..rounds {
            self.counting = round == 0;
            self.played.mismatches.truncate(before);
            self.played.loop_repeats += u64::from(round > 0);
            for located in &body {
                self.put_statement(located.clone())?;
            }
            self.settle(at)?;
            self.take_mismatches();
            if self.played.mismatches.len() == before {
                break;
            }
        }
        self.counting = true;
        Ok(self.judge())
    }

    /// One statement; a new instruction waits for the compares before it.
    fn statement(&mut self, located: Located) -> Result<Flow, PlayError> {
        let gate = matches!(
            located.statement,
            Statement::Scan(Edge::Ir, _) | Statement::Frequency(_)
        );
        if gate && self.deck.open_compares > 0 && !self.options.keep_going {
            self.settle(located.at)?;
        }
        self.take_mismatches();
        if let Flow::Stop = self.judge() {
            return Ok(Flow::Stop);
        }
        self.put_statement(located)?;
        Ok(Flow::On)
    }

    fn judge(&self) -> Flow {
        if self.played.mismatches.is_empty() || self.options.keep_going {
            Flow::On
        } else {
            Flow::Stop
        }
    }

    fn put_statement(&mut self, located: Located) -> Result<(), PlayError> {
        self.count(&located);
        let at = located.at;
        self.deck.last = at;
        self.played.last = Some(at);
        let command = located.statement.command();
        match located.statement {
            Statement::End(Edge::Dr, state) => self.end_dr = state,
            Statement::End(Edge::Ir, state) => self.end_ir = state,
            Statement::Pad(edge, pad, text) => {
                let scan = self
                    .sticky
                    .entry(command)
                    .or_default()
                    .fill(at, command, text)?;
                self.pads[usize::from(edge == Edge::Ir)][usize::from(pad == Pad::Trailer)] = scan;
            }
            Statement::Scan(edge, text) => self.scan(at, edge, command, text)?,
            Statement::RunTest(run) => self.run_test(at, &run)?,
            Statement::State(path) => self.state(at, path)?,
            Statement::Trst(mode) => self.trst(at, mode)?,
            Statement::Frequency(hz) => self.frequency(at, hz)?,
            Statement::PioMap(map) => self.columns.map(at, &map, self.options.spares)?,
            Statement::Pio(levels) => self.parallel(at, &levels)?,
            Statement::Loop(_) | Statement::EndLoop => {}
        }
        Ok(())
    }

    fn count(&mut self, located: &Located) {
        if !self.counting {
            return;
        }
        *self
            .played
            .commands
            .entry(located.statement.command())
            .or_default() += 1;
        match &located.statement {
            Statement::Scan(edge, text) => {
                self.played.payload_bits += text.length;
                self.played.bits_shifted += text.length + self.pad_bits(*edge) as u64;
                self.played.compares += u64::from(text.tdo.is_some());
            }
            Statement::RunTest(run) => {
                self.played.run_test_cycles += run.clocks.map_or(0, |(n, _)| n);
                self.played.run_test_seconds += run.min_seconds.unwrap_or(0.0);
            }
            _ => {}
        }
    }

    fn chain_pads(&self, edge: Edge) -> (usize, usize) {
        let p = &self.options.pads;
        match edge {
            Edge::Dr => (p.dr_before, p.dr_after),
            Edge::Ir => (p.ir_before, p.ir_after),
        }
    }

    fn pad_bits(&self, edge: Edge) -> usize {
        let (before, after) = self.chain_pads(edge);
        let [header, trailer] = &self.pads[usize::from(edge == Edge::Ir)];
        before + header.tdi.len() + trailer.tdi.len() + after
    }

    fn scan(
        &mut self,
        at: Place,
        edge: Edge,
        command: &'static str,
        text: ScanText,
    ) -> Result<(), PlayError> {
        if self.trst_on {
            return Err(PlayError::InReset { at });
        }
        let data = self
            .sticky
            .entry(command)
            .or_default()
            .fill(at, command, text)?;
        let (before, after) = self.chain_pads(edge);
        let [header, trailer] = &self.pads[usize::from(edge == Edge::Ir)];
        let total = self.pad_bits(edge) + data.tdi.len();
        if total == 0 {
            return Ok(());
        }
        let data_from = before + header.tdi.len();
        let data_len = data.tdi.len();
        let pad = edge == Edge::Ir;
        let out = assemble(
            total,
            before,
            after,
            pad,
            [&header.tdi, &data.tdi, &trailer.tdi],
        );
        let parts = [header, &data, trailer];
        if edge == Edge::Ir {
            self.played.ir_lengths.insert(total);
            if self.played.seen.is_none()
                && let Some(inspect) = self.options.inspect
            {
                self.played.seen = inspect(&out).map(|what| (at, what));
            }
        }
        let compared = parts.iter().any(|p| p.expect.is_some()) && self.options.compare;
        let compare = compared.then(|| {
            let none: Vec<Bits> = parts.iter().map(|p| Bits::zeros(p.tdi.len())).collect();
            let pick = |i: usize, which: fn(&(Bits, Bits)) -> &Bits| {
                parts[i].expect.as_ref().map_or(&none[i], which)
            };
            let gather = |which: fn(&(Bits, Bits)) -> &Bits| {
                assemble(
                    total,
                    before,
                    after,
                    false,
                    [pick(0, which), pick(1, which), pick(2, which)],
                )
            };
            Compare {
                expected: gather(|e| &e.0),
                mask: gather(|e| &e.1),
                tag: self.next_tag,
                offset: 0,
            }
        });
        if compare.is_some() {
            self.sent.push_back(Sent {
                tag: self.next_tag,
                at,
                command,
                data_from,
                data_len,
                edge,
                total,
                ir: self.ir.clone(),
            });
            self.next_tag += 1;
        }
        if edge == Edge::Ir {
            self.ir = out.clone();
        }
        // A statement may hold 16 MB, and what is sent holds them again.
        drop(data);
        let mut shift = match edge {
            Edge::Dr => Shift::dr(out).to(self.end_dr),
            Edge::Ir => Shift::ir(Instructions::permitted(out, PastGuard(()))).to(self.end_ir),
        };
        if let Some(compare) = compare {
            shift = shift.compared(compare);
        }
        // A scan from a pause is a new scan: it passes Update first.
        match self.deck.state() {
            TapState::PauseDr => self.put(Op::Go(TapState::UpdateDr))?,
            TapState::PauseIr => self.put(Op::Go(TapState::UpdateIr))?,
            _ => {}
        }
        self.put(Op::Shift(shift))
    }

    /// Sets spare lines and looks at them.
    fn parallel(&mut self, at: Place, levels: &[PioLevel]) -> Result<(), PlayError> {
        let vector = self.columns.vector(at, levels)?;
        for op in vector.drive {
            self.put(op)?;
        }
        if vector.mask.all(false) || !self.options.compare {
            return Ok(());
        }
        let levels = self
            .deck
            .sense()
            .map_err(|source| PlayError::Port { at, source })?;
        self.take_mismatches();
        let Some(levels) = levels else {
            return Ok(());
        };
        let seen: Bits = vector
            .lines
            .iter()
            .map(|line| usize::from(*line) < levels.len() && levels.get((*line).into()))
            .collect();
        let bits = seen.differing(&vector.expected, &vector.mask);
        if !bits.is_empty() {
            self.played.mismatches.push(PlayMismatch {
                at,
                command: "PIO",
                bits,
                pad_bits: 0,
                seen,
                expected: vector.expected,
                mask: vector.mask,
                devices: vec![],
            });
        }
        Ok(())
    }

    fn run_test(&mut self, at: Place, run: &RunTest) -> Result<(), PlayError> {
        if let Some(state) = run.run_state {
            self.run_state = state;
            self.run_end = state;
        }
        if let Some(end) = run.end_state {
            self.run_end = end;
        }
        if self.trst_on && self.run_state != TapState::TestLogicReset {
            return Err(PlayError::InReset { at });
        }
        self.rest_in(self.run_state)?;
        let clocks = run.clocks.map_or(0, |(n, _)| n);
        if clocks > 0 {
            self.put(Op::Clocks(clocks))?;
        }
        let clocked = clocks as f64 / f64::from(self.tck_hz);
        let seconds = run.min_seconds.unwrap_or(0.0).max(clocked);
        if seconds > LONGEST_WAIT {
            let most = LONGEST_WAIT;
            return Err(PlayError::Wait { at, seconds, most });
        }
        if let Some(most) = run.max_seconds.filter(|most| clocked > *most) {
            return Err(PlayError::Maximum {
                at,
                clocks,
                hz: self.tck_hz,
                seconds: clocked,
                most,
            });
        }
        let rest = (run.min_seconds.unwrap_or(0.0) - clocked).max(0.0);
        if rest > 0.0 {
            self.put(Op::Wait((rest * 1e9).ceil() as u64))?;
        }
        self.rest_in(self.run_end)
    }

    /// Goes to a stable state by the default path, if the TAP is not there.
    fn rest_in(&mut self, state: TapState) -> Result<(), PlayError> {
        if self.deck.state() == state {
            Ok(())
        } else {
            self.default_path(state)
        }
    }

    fn default_path(&mut self, target: TapState) -> Result<(), PlayError> {
        let mut at = self.deck.state();
        let path: Vec<TapState> = at
            .default_path(target)
            .iter()
            .map(|tms| {
                at = at.next(tms);
                at
            })
            .collect();
        if path.is_empty() {
            Ok(())
        } else {
            self.put(Op::Along(path))
        }
    }

    fn state(&mut self, at: Place, path: Vec<TapState>) -> Result<(), PlayError> {
        if self.trst_on && path.iter().any(|s| *s != TapState::TestLogicReset) {
            return Err(PlayError::InReset { at });
        }
        match path[..] {
            // From wherever it is, with five clocks, whatever is believed of the state.
            [TapState::TestLogicReset] => {
                self.ir = Bits::new();
                self.put(Op::Reset)
            }
            [target] => self.default_path(target),
            _ => {
                let from = self.deck.state();
                // A path may name the state that the TAP is in as its first.
                let path = if path[0] == from && from.next(false) != from {
                    path[1..].to_vec()
                } else {
                    path
                };
                if from.next(false) != path[0] && from.next(true) != path[0] {
                    return Err(PlayError::Path {
                        at,
                        from: state_word(from),
                    });
                }
                self.put(Op::Along(path))
            }
        }
    }

    fn trst(&mut self, at: Place, mode: TrstMode) -> Result<(), PlayError> {
        if self.trst_absent {
            return Err(PlayError::TrstAbsent { at });
        }
        self.trst_on = mode == TrstMode::On;
        let level = match mode {
            TrstMode::On => Level::Low,
            TrstMode::Off => Level::High,
            TrstMode::Z => Level::Released,
            TrstMode::Absent => {
                self.trst_absent = true;
                return Ok(());
            }
        };
        self.put(Op::Line(Line::Trst, level))?;
        // The line resets the test logic; the clocks make sure where there is no such line.
        if mode == TrstMode::On {
            self.ir = Bits::new();
            self.put(Op::Reset)
        } else {
            Ok(())
        }
    }

    fn frequency(&mut self, at: Place, hz: Option<f64>) -> Result<(), PlayError> {
        let limit = f64::from(self.options.tck_hz);
        let hz = hz.map_or(limit, |hz| hz.clamp(1.0, limit)) as u32;
        self.tck_hz = hz;
        self.settle(at)?;
        if let Some(port) = self.deck.port() {
            self.tck_hz =
                port.set_tck_hz(hz)
                    .map_err(|source| PlayError::Rate { at, hz, source })?;
        }
        self.deck.tck_hz(self.tck_hz);
        Ok(())
    }

    fn put(&mut self, op: Op) -> Result<(), PlayError> {
        self.deck.put(op).map_err(|source| PlayError::Port {
            at: self.deck.last,
            source,
        })
    }

    fn settle(&mut self, at: Place) -> Result<(), PlayError> {
        self.deck
            .settle()
            .map_err(|source| PlayError::Port { at, source })
    }

    /// Turns what came back into mismatches of statements.
    fn take_mismatches(&mut self) {
        for mismatch in std::mem::take(&mut self.deck.mismatches) {
            while self.sent.front().is_some_and(|s| s.tag < mismatch.tag) {
                self.sent.pop_front();
            }
            if let Some(sent) = self.sent.front() {
                let placed = placed(sent, &mismatch, self.options.locate);
                self.played.mismatches.push(placed);
            }
        }
        if self.deck.open_compares == 0 {
            self.sent.clear();
        }
    }
}

/// Pads, header, data and trailer as one scan.
fn assemble(total: usize, before: usize, after: usize, pad: bool, parts: [&Bits; 3]) -> Bits {
    let mut bits = Bits::with_capacity(total);
    bits.push_run(pad, before);
    for part in parts {
        bits.append(part);
    }
    bits.push_run(pad, after);
    bits
}

/// A mismatch in terms of the statement's own data.
fn placed(sent: &Sent, mismatch: &Mismatch, locate: Option<Locate<'_>>) -> PlayMismatch {
    let wrong = mismatch.seen.differing(&mismatch.expected, &mismatch.mask);
    let data = sent.data_from..sent.data_from + sent.data_len;
    let (inside, outside): (Vec<usize>, Vec<usize>) = wrong
        .iter()
        .map(|i| i + mismatch.offset)
        .partition(|i| data.contains(i));
    let from = data
        .start
        .saturating_sub(mismatch.offset)
        .min(mismatch.seen.len());
    let to = data
        .end
        .saturating_sub(mismatch.offset)
        .min(mismatch.seen.len());
    let mut devices: Vec<String> = Vec::new();
    // A few bits tell; a scan that is wrong throughout is not asked about bit by bit.
    for bit in wrong.iter().take(4096).map(|i| i + mismatch.offset) {
        let device = locate.and_then(|l| l(sent.edge, &sent.ir, bit, sent.total));
        devices.extend(device.filter(|d| !devices.contains(d)));
    }
    let own = |bits: &Bits| bits.slice(from, to.saturating_sub(from));
    PlayMismatch {
        at: sent.at,
        command: sent.command,
        bits: inside.iter().map(|i| i - data.start).collect(),
        pad_bits: outside.len(),
        seen: own(&mismatch.seen),
        expected: own(&mismatch.expected),
        mask: own(&mismatch.mask),
        devices,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tap::{Answers, Piece, PortError, Ticket, Traffic};

    /// Keeps the ops; answers compares with what is expected, but for the scans whose number
    /// stands in `wrong`, where bit 0 is turned.
    #[derive(Default)]
    struct Fake {
        ops: Vec<Op>,
        wrong: Vec<usize>,
        compares: usize,
        answers: VecDeque<Answers>,
    }

    impl Port for Fake {
        fn submit(&mut self, piece: Piece) -> Result<Ticket, PortError> {
            let raw: Vec<Bits> = piece
                .ops
                .iter()
                .filter_map(|op| match op {
                    Op::Shift(shift) if shift.compare().is_some() => {
                        let c = shift.compare()?;
                        let mut bits = c.expected.clone();
                        if self.wrong.contains(&self.compares) {
                            bits.set(0, !bits.get(0));
                        }
                        self.compares += 1;
                        Some(bits)
                    }
                    Op::Sense(_) => Some(Bits::zeros(8)),
                    _ => None,
                })
                .collect();
            self.answers.push_back(piece.expectations().answer(raw));
            self.ops.extend(piece.ops);
            Ok(Ticket(0))
        }
        fn collect(&mut self, _: Ticket) -> Result<Answers, PortError> {
            Ok(self.answers.pop_front().unwrap())
        }
        fn set_tck_hz(&mut self, hz: u32) -> Result<u32, PortError> {
            Ok(hz)
        }
        fn release(&mut self) -> Result<(), PortError> {
            Ok(())
        }
        fn traffic(&self) -> Traffic {
            Traffic::default()
        }
    }

    fn options() -> PlayOptions<'static> {
        PlayOptions {
            limits: Limits::default(),
            keep_going: false,
            compare: true,
            pads: ChainPads::default(),
            tck_hz: 1_000_000,
            inspect: None,
            locate: None,
            spares: &[],
        }
    }

    fn play_text(
        text: &str,
        wrong: &[usize],
        options: &PlayOptions,
    ) -> (Fake, Played, Option<PlayError>) {
        let mut fake = Fake {
            wrong: wrong.to_vec(),
            ..Fake::default()
        };
        let (played, error) = play(text.as_bytes(), &mut fake, options);
        (fake, played, error)
    }

    fn shifts(fake: &Fake) -> Vec<&Shift> {
        fake.ops
            .iter()
            .filter_map(|op| if let Op::Shift(s) = op { Some(s) } else { None })
            .collect()
    }

    const WORKED: &str = "TRST OFF; ENDIR IDLE; ENDDR IDLE; HIR 8 TDI (00); HDR 16 TDI (FFFF) TDO (FFFF) MASK (FFFF); \
        TIR 16 TDI (0000); TDR 8 TDI (12); SIR 8 TDI (41); SDR 32 TDI (ABCD1234) TDO (11112222); \
        STATE DRPAUSE; RUNTEST 100 TCK ENDSTATE IRPAUSE;";

    #[test]
    fn the_worked_file_of_the_specification_as_integers() {
        // Statements from the Serial Vector Format Specification, revision E; results computed.
        let (fake, played, error) = play_text(WORKED, &[], &options());
        assert!(error.is_none() && played.complete);
        let shifts = shifts(&fake);
        assert_eq!(
            (shifts[0].out().len(), shifts[0].out().get_u64(0, 32)),
            (32, 0x0000_4100)
        );
        assert_eq!(
            (shifts[1].out().len(), shifts[1].out().get_u64(0, 56)),
            (56, 0x12_ABCD_1234_FFFF)
        );
        let compare = shifts[1].compare().unwrap();
        assert_eq!(compare.expected.get_u64(0, 48), 0x1111_2222_FFFF);
        assert_eq!(compare.mask.get_u64(0, 56), 0xFFFF_FFFF_FFFF);
        // From Pause-DR to Run-Test/Idle (110), 100 TCK there, then to Pause-IR (11010).
        let tail: Vec<&Op> = fake.ops.iter().rev().take(3).rev().collect();
        assert!(matches!(tail[0], Op::Along(p) if p.len() == 3));
        assert_eq!(tail[1], &Op::Clocks(100));
        assert!(matches!(tail[2], Op::Along(p) if p.len() == 5 && p[4] == TapState::PauseIr));
        assert_eq!((played.payload_bits, played.bits_shifted), (40, 88));
        assert_eq!((played.compares, played.run_test_cycles), (1, 100));
    }

    #[test]
    fn a_rehearsal_counts_the_same_and_touches_nothing() {
        let (_, played, _) = play_text(WORKED, &[], &options());
        let (rehearsed, error) = rehearse(WORKED.as_bytes(), &options());
        assert!(error.is_none());
        assert_eq!(rehearsed, played);
    }

    #[test]
    fn no_new_instruction_after_a_failed_compare() {
        let text =
            "SIR 8 TDI (09);\nSDR 32 TDI (0) TDO (12345679);\nSIR 8 TDI (0E);\nSDR 8 TDI (01);";
        let (fake, played, error) = play_text(text, &[0], &options());
        assert!(error.is_none() && !played.complete);
        assert_eq!(
            shifts(&fake).len(),
            2,
            "the erase instruction never went out"
        );
        let mismatch = &played.mismatches[0];
        assert_eq!((mismatch.at.line, mismatch.command), (2, "SDR"));
        assert_eq!(
            (mismatch.bits.as_slice(), mismatch.pad_bits),
            ([0].as_slice(), 0)
        );
        let (fake, played, _) = play_text(
            text,
            &[0],
            &PlayOptions {
                keep_going: true,
                ..options()
            },
        );
        assert_eq!(
            (
                shifts(&fake).len(),
                played.mismatches.len(),
                played.complete
            ),
            (4, 1, true)
        );
    }

    #[test]
    fn a_single_device_file_gets_the_rest_of_the_chain_around_it() {
        let pads = ChainPads {
            ir_before: 5,
            ir_after: 8,
            dr_before: 1,
            dr_after: 2,
        };
        let text = "SIR 4 TDI (0);\nSDR 4 TDI (F) TDO (F);";
        let (fake, played, _) = play_text(text, &[0], &PlayOptions { pads, ..options() });
        let shifts = shifts(&fake);
        assert_eq!(shifts[0].out().to_binary(), "11111111000011111");
        assert_eq!(shifts[1].out().to_binary(), "0011110");
        assert_eq!(shifts[1].compare().unwrap().mask.to_binary(), "0011110");
        assert_eq!(played.bits_shifted, 17 + 7);
        // The turned bit lies under no mask.
        assert!(played.mismatches.is_empty());
    }

    #[test]
    fn a_loop_repeats_until_its_compares_pass() {
        let text = "SIR 4 TDI (1);\nLOOP 5;\nRUNTEST 10 TCK;\nSDR 4 TDI (0) TDO (F);\nENDLOOP;\nSDR 4 TDI (0);";
        let (fake, played, _) = play_text(text, &[0, 1], &options());
        assert!(played.complete);
        assert_eq!(
            (played.loop_repeats, played.compares, played.run_test_cycles),
            (2, 1, 10)
        );
        assert_eq!(shifts(&fake).len(), 1 + 3 + 1);
        let (_, played, _) = play_text(text, &[0, 1, 2, 3, 4], &options());
        assert_eq!(
            (
                played.complete,
                played.mismatches.len(),
                played.loop_repeats
            ),
            (false, 1, 4)
        );
        for (text, message) in [
            ("ENDLOOP;", "line 1, column 1: ENDLOOP without LOOP"),
            (
                "LOOP 2; SDR 4 TDI (0);",
                "line 1, column 1: this loop has no ENDLOOP",
            ),
            (
                "LOOP 2; LOOP 3; ENDLOOP; ENDLOOP;",
                "line 1, column 9: a loop in a loop",
            ),
        ] {
            assert_eq!(
                play_text(text, &[], &options()).2.unwrap().to_string(),
                message
            );
        }
    }

    #[test]
    fn what_cannot_be_played_is_said_with_its_place() {
        for (text, message) in [
            (
                "TRST ON; SDR 4 TDI (0);",
                "line 1, column 10: a scan while TRST is ON: the test logic is held in reset",
            ),
            (
                "TRST ABSENT; TRST OFF;",
                "line 1, column 14: TRST after TRST ABSENT",
            ),
            (
                "STATE DRSHIFT DREXIT1 DRPAUSE;",
                "line 1, column 1: the path begins with a state that does not follow IDLE",
            ),
            ("PIO (HL);", "line 1, column 1: PIO before any PIOMAP"),
            (
                "\nPIOMAP (IN A OUT B);",
                "line 2, column 1: PIOMAP asks for parallel pins, and no spare line of the adapter stands for A, B",
            ),
            (
                "RUNTEST 4000 SEC;",
                "line 1, column 1: a wait of 4000 s, and the longest that is played has 3600 s",
            ),
            (
                "RUNTEST 2000 TCK MAXIMUM 1E-3 SEC;",
                "line 1, column 1: 2000 clocks take 0.002000 s with TCK at 1000000 Hz, and MAXIMUM allows 0.001000 s",
            ),
            (
                "SDR 8;",
                "line 1, column 1: SDR of 8 bits has no TDI, and the one before had another length",
            ),
            (
                "SIR 8 TDI (1)",
                "line 1, column 14: the file ends inside a statement that began at line 1, column 1: is it cut off?",
            ),
        ] {
            let (_, played, error) = play_text(text, &[], &options());
            assert_eq!(error.unwrap().to_string(), message);
            assert!(!played.complete);
        }
    }

    #[test]
    fn long_waits_are_waited_for_slice_by_slice() {
        let sensed = |fake: &Fake| {
            fake.ops
                .iter()
                .filter(|op| matches!(op, Op::Sense(_)))
                .count()
        };
        let (fake, played, error) = play_text("RUNTEST 1.05 SEC;", &[], &options());
        assert!(error.is_none() && played.complete);
        assert_eq!(sensed(&fake), 11);
        let waited = |op: &Op| if let Op::Wait(ns) = op { *ns } else { 0 };
        assert_eq!(fake.ops.iter().map(waited).sum::<u64>(), 1_050_000_000);
        let (fake, played, _) = play_text("RUNTEST 250000 TCK;", &[], &options());
        assert_eq!((sensed(&fake), played.run_test_cycles), (3, 250_000));
        let clocked = |op: &Op| if let Op::Clocks(n) = op { *n } else { 0 };
        assert_eq!(fake.ops.iter().map(clocked).sum::<u64>(), 250_000);
    }

    #[test]
    fn a_scan_from_a_pause_is_a_new_scan() {
        let text = "ENDDR DRPAUSE; SDR 4 TDI (0); RUNTEST DRPAUSE 5 TCK; SDR 4 TDI (1);";
        let (fake, ..) = play_text(text, &[], &options());
        let at = fake
            .ops
            .iter()
            .rposition(|op| matches!(op, Op::Shift(_)))
            .unwrap();
        assert_eq!(fake.ops[at - 1], Op::Go(TapState::UpdateDr));
        assert_eq!(
            fake.ops[at - 2],
            Op::Clocks(5),
            "it waited in Pause-DR, where it was"
        );
    }
}
