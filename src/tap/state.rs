//! The TAP controller's sixteen states and the ways between them.
//!
//! Standard: IEEE Std 1149.1-2001, figure 6-1 (state diagram) and table 6-3 (example codes);
//! both from memory, the table also against a data sheet's figure (see the tests).

use std::fmt;

/// A state of the TAP controller, in the order of the state diagram.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
#[allow(missing_docs, reason = "the standard's own names")]
pub enum TapState {
    TestLogicReset,
    RunTestIdle,
    SelectDrScan,
    CaptureDr,
    ShiftDr,
    Exit1Dr,
    PauseDr,
    Exit2Dr,
    UpdateDr,
    SelectIrScan,
    CaptureIr,
    ShiftIr,
    Exit1Ir,
    PauseIr,
    Exit2Ir,
    UpdateIr,
}

use TapState::*;

/// TMS bits, first bit in bit 0; at most 16.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct TmsPath {
    /// The bits, first to be clocked in bit 0.
    pub bits: u16,
    /// How many of them.
    pub len: u8,
}

impl TmsPath {
    /// Reads a string of 0 and 1, first bit left.
    #[cfg(test)]
    fn from_text(text: &str) -> TmsPath {
        text.bytes()
            .fold(TmsPath::default(), |p, b| p.with(b == b'1'))
    }

    /// This path and one more bit.
    pub fn with(self, tms: bool) -> TmsPath {
        TmsPath {
            bits: self.bits | u16::from(tms) << self.len,
            len: self.len + 1,
        }
    }

    /// The bits from first to last.
    pub fn iter(self) -> impl Iterator<Item = bool> {
        (0..self.len).map(move |i| self.bits >> i & 1 == 1)
    }
}

impl TapState {
    /// All sixteen, in the order of the state diagram.
    pub const ALL: [TapState; 16] = [
        TestLogicReset,
        RunTestIdle,
        SelectDrScan,
        CaptureDr,
        ShiftDr,
        Exit1Dr,
        PauseDr,
        Exit2Dr,
        UpdateDr,
        SelectIrScan,
        CaptureIr,
        ShiftIr,
        Exit1Ir,
        PauseIr,
        Exit2Ir,
        UpdateIr,
    ];

    /// The state after a rising edge of TCK with this TMS.
    pub const fn next(self, tms: bool) -> TapState {
        match (self, tms) {
            (TestLogicReset, false) => RunTestIdle,
            (TestLogicReset, true) => TestLogicReset,
            (RunTestIdle, false) => RunTestIdle,
            (RunTestIdle, true) => SelectDrScan,
            (SelectDrScan, false) => CaptureDr,
            (SelectDrScan, true) => SelectIrScan,
            (CaptureDr, false) => ShiftDr,
            (CaptureDr, true) => Exit1Dr,
            (ShiftDr, false) => ShiftDr,
            (ShiftDr, true) => Exit1Dr,
            (Exit1Dr, false) => PauseDr,
            (Exit1Dr, true) => UpdateDr,
            (PauseDr, false) => PauseDr,
            (PauseDr, true) => Exit2Dr,
            (Exit2Dr, false) => ShiftDr,
            (Exit2Dr, true) => UpdateDr,
            (UpdateDr, false) => RunTestIdle,
            (UpdateDr, true) => SelectDrScan,
            (SelectIrScan, false) => CaptureIr,
            (SelectIrScan, true) => TestLogicReset,
            (CaptureIr, false) => ShiftIr,
            (CaptureIr, true) => Exit1Ir,
            (ShiftIr, false) => ShiftIr,
            (ShiftIr, true) => Exit1Ir,
            (Exit1Ir, false) => PauseIr,
            (Exit1Ir, true) => UpdateIr,
            (PauseIr, false) => PauseIr,
            (PauseIr, true) => Exit2Ir,
            (Exit2Ir, false) => ShiftIr,
            (Exit2Ir, true) => UpdateIr,
            (UpdateIr, false) => RunTestIdle,
            (UpdateIr, true) => SelectDrScan,
        }
    }

    /// The state after all bits of `path`.
    pub fn after(self, path: TmsPath) -> TapState {
        path.iter().fold(self, TapState::next)
    }

    /// The TMS level that holds this state, for the six that can be held.
    pub const fn hold(self) -> Option<bool> {
        match self {
            TestLogicReset => Some(true),
            RunTestIdle | ShiftDr | PauseDr | ShiftIr | PauseIr => Some(false),
            _ => None,
        }
    }

    /// The shortest TMS path to `target`, none if already there. At most 8 bits. There is
    /// exactly one shortest path between any two states (enumerated in the tests).
    pub fn path(self, target: TapState) -> TmsPath {
        let mut front = vec![(self, TmsPath::default())];
        let mut seen = 1u16 << self as u16;
        let mut i = 0;
        while front[i].0 != target {
            let (state, path) = front[i];
            for tms in [false, true] {
                let next = state.next(tms);
                if seen & 1 << next as u16 == 0 {
                    seen |= 1 << next as u16;
                    front.push((next, path.with(tms)));
                }
            }
            i += 1;
        }
        front[i].1
    }

    /// The path that a player of serial vectors takes between two stable states when none is
    /// given: from a pause state to the same or the other one it passes Update and Select-DR,
    /// where the shortest path would stay or resume the scan.
    ///
    /// Source: *Serial Vector Format Specification*, revision E, default paths (from memory).
    /// For states that are not stable this is [`TapState::path`].
    pub fn default_path(self, target: TapState) -> TmsPath {
        let through_update =
            matches!(self, PauseDr | PauseIr) && matches!(target, PauseDr | PauseIr);
        if !through_update {
            return self.path(target);
        }
        let update = if self == PauseDr { UpdateDr } else { UpdateIr };
        let first = self.path(update);
        let rest = update.path(target);
        rest.iter().fold(first, TmsPath::with)
    }

    /// The standard's name, `Shift-DR` and so on.
    pub const fn name(self) -> &'static str {
        match self {
            TestLogicReset => "Test-Logic-Reset",
            RunTestIdle => "Run-Test/Idle",
            SelectDrScan => "Select-DR-Scan",
            CaptureDr => "Capture-DR",
            ShiftDr => "Shift-DR",
            Exit1Dr => "Exit1-DR",
            PauseDr => "Pause-DR",
            Exit2Dr => "Exit2-DR",
            UpdateDr => "Update-DR",
            SelectIrScan => "Select-IR-Scan",
            CaptureIr => "Capture-IR",
            ShiftIr => "Shift-IR",
            Exit1Ir => "Exit1-IR",
            PauseIr => "Pause-IR",
            Exit2Ir => "Exit2-IR",
            UpdateIr => "Update-IR",
        }
    }

    /// The example encoding of the standard's table 6-3 (from memory), for traces.
    pub const fn code(self) -> u8 {
        match self {
            TestLogicReset => 0xf,
            RunTestIdle => 0xc,
            SelectDrScan => 0x7,
            CaptureDr => 0x6,
            ShiftDr => 0x2,
            Exit1Dr => 0x1,
            PauseDr => 0x3,
            Exit2Dr => 0x0,
            UpdateDr => 0x5,
            SelectIrScan => 0x4,
            CaptureIr => 0xe,
            ShiftIr => 0xa,
            Exit1Ir => 0x9,
            PauseIr => 0xb,
            Exit2Ir => 0x8,
            UpdateIr => 0xd,
        }
    }
}

impl fmt::Display for TapState {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Next states as published: figure on page 5 of the data sheets SCBS067E, SCBS042E and
    /// SCBS043E (state names and TMS labels); IEEE Std 1149.1-2001 figure 6-1 from memory.
    /// Rows: state, next with TMS=0, next with TMS=1, code of table 6-3 (from memory).
    const TABLE: &str = "
        TLR RTI TLR F
        RTI RTI SelDR C
        SelDR CapDR SelIR 7
        CapDR ShDR Ex1DR 6
        ShDR ShDR Ex1DR 2
        Ex1DR PauDR UpdDR 1
        PauDR PauDR Ex2DR 3
        Ex2DR ShDR UpdDR 0
        UpdDR RTI SelDR 5
        SelIR CapIR TLR 4
        CapIR ShIR Ex1IR E
        ShIR ShIR Ex1IR A
        Ex1IR PauIR UpdIR 9
        PauIR PauIR Ex2IR B
        Ex2IR ShIR UpdIR 8
        UpdIR RTI SelDR D";

    fn short(name: &str) -> TapState {
        let names = [
            "TLR", "RTI", "SelDR", "CapDR", "ShDR", "Ex1DR", "PauDR", "Ex2DR", "UpdDR", "SelIR",
            "CapIR", "ShIR", "Ex1IR", "PauIR", "Ex2IR", "UpdIR",
        ];
        TapState::ALL[names.iter().position(|n| *n == name).unwrap()]
    }

    #[test]
    fn all_32_transitions_are_as_published() {
        let rows: Vec<Vec<&str>> = TABLE
            .lines()
            .skip(1)
            .map(|l| l.split_whitespace().collect())
            .collect();
        assert_eq!(rows.len(), 16);
        for row in rows {
            let state = short(row[0]);
            assert_eq!(state.next(false), short(row[1]), "{state} TMS=0");
            assert_eq!(state.next(true), short(row[2]), "{state} TMS=1");
            assert_eq!(state.code(), u8::from_str_radix(row[3], 16).unwrap());
        }
    }

    #[test]
    fn all_256_shortest_paths_by_brute_force() {
        for from in TapState::ALL {
            for to in TapState::ALL {
                let path = from.path(to);
                assert_eq!(from.after(path), to);
                assert!(path.len <= 8, "{from} to {to}");
                // Every string of TMS bits, by growing length: the first length that arrives.
                let (len, ways) = (0u8..=8)
                    .map(|len| {
                        let ways: Vec<u16> = (0..1u16 << len)
                            .filter(|&bits| from.after(TmsPath { bits, len }) == to)
                            .collect();
                        (len, ways)
                    })
                    .find(|(_, ways)| !ways.is_empty())
                    .unwrap();
                assert_eq!(len, path.len, "{from} to {to}");
                assert_eq!(ways, [path.bits], "{from} to {to}");
            }
        }
    }

    #[test]
    fn five_clocks_with_tms_high_reset_from_anywhere() {
        // Microchip AVR data sheet, "TAP Controller": five clocks; the per-state counts computed.
        for (state, clocks) in [
            ("TLR", 0),
            ("SelIR", 1),
            ("SelDR", 2),
            ("RTI", 3),
            ("UpdDR", 3),
            ("UpdIR", 3),
            ("Ex1DR", 4),
            ("Ex2DR", 4),
            ("Ex1IR", 4),
            ("Ex2IR", 4),
            ("CapDR", 5),
            ("CapIR", 5),
            ("ShDR", 5),
            ("ShIR", 5),
            ("PauDR", 5),
            ("PauIR", 5),
        ] {
            let path = short(state).path(TestLogicReset);
            assert_eq!(path.len, clocks, "{state}");
            assert!(path.iter().all(|tms| tms), "{state}");
            assert_eq!(
                short(state).after(TmsPath { bits: 0x1f, len: 5 }),
                TestLogicReset
            );
        }
    }

    #[test]
    fn useful_tms_strings() {
        // `01100` is printed in Intel's boundary-scan guidelines; the others are computed.
        for (from, to, tms) in [
            ("TLR", "ShIR", "01100"),
            ("TLR", "ShDR", "0100"),
            ("RTI", "ShIR", "1100"),
            ("RTI", "ShDR", "100"),
            ("UpdDR", "ShDR", "100"),
            ("UpdDR", "ShIR", "1100"),
            ("PauDR", "ShDR", "10"),
            ("PauIR", "ShIR", "10"),
            ("RTI", "TLR", "111"),
            ("Ex1DR", "RTI", "10"),
            ("Ex1IR", "RTI", "10"),
        ] {
            assert_eq!(
                short(from).path(short(to)),
                TmsPath::from_text(tms),
                "{from} {to}"
            );
        }
    }

    #[test]
    fn six_states_can_be_held() {
        let held: Vec<TapState> = TapState::ALL
            .into_iter()
            .filter(|s| s.hold().is_some())
            .collect();
        assert_eq!(held.len(), 6);
        for state in TapState::ALL {
            let keeps = [false, true]
                .into_iter()
                .find(|&tms| state.next(tms) == state);
            assert_eq!(state.hold(), keeps, "{state}");
        }
    }

    #[test]
    fn default_paths_between_stable_states() {
        // Serial Vector Format Specification, revision E (paths from memory, TMS computed).
        let stable = ["TLR", "RTI", "PauDR", "PauIR"];
        let table = [
            ["", "0", "01010", "011010"],
            ["111", "", "1010", "11010"],
            ["11111", "110", "111010", "1111010"],
            ["11111", "110", "111010", "1111010"],
        ];
        for (row, from) in table.iter().zip(stable) {
            for (tms, to) in row.iter().zip(stable) {
                assert_eq!(
                    short(from).default_path(short(to)),
                    TmsPath::from_text(tms),
                    "{from} {to}"
                );
            }
        }
        // The explicit example of the same specification: its seven states from Pause-DR.
        let states = [
            "Ex2DR", "UpdDR", "SelDR", "SelIR", "CapIR", "Ex1IR", "PauIR",
        ];
        let mut at = short("PauDR");
        for (tms, to) in TmsPath::from_text("1111010").iter().zip(states) {
            at = at.next(tms);
            assert_eq!(at, short(to));
        }
    }
}
