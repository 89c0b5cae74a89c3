//! What is put between: traces and records change nothing.

use proptest::prelude::*;
use taploom::simulator::adapter::EmulatedAdapter;
use taploom::simulator::adapter::Model;
use taploom::tap::{PieceLimits, Port, TapState};
use taploom::transport::{Lowered, Mpsse, Profile, Recorder, Replay, Trace, Usb};

use super::chain::Chain;
use super::ports::run;
use super::programs::{IDCODES, any_op, long_read, program_of};

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, failure_persistence: None, ..ProptestConfig::default() })]

    /// A trace changes no answer, and shows the TMS and TDI that were clocked.
    #[test]
    fn a_trace_shows_what_was_clocked(
        random in prop::collection::vec(any_op(), 1..40),
        piece_bits in 100..3000usize,
    ) {
        let (program, slots) = program_of(&random);
        let limits = PieceLimits { shift_bits: piece_bits, wait_ns: 100_000 };
        let chain = || {
            let mut chain = Chain::new(&IDCODES);
            chain.keep = true;
            chain
        };
        let mut plain = Lowered::new(chain());
        let expected = run(&mut plain, program.clone(), limits).unwrap();
        let mut text = Vec::new();
        let mut trace = Trace::new(Lowered::new(chain()), 1_000_000, &mut text).unwrap();
        let seen = run(&mut trace, program, limits).unwrap();
        for slot in slots {
            prop_assert_eq!(seen.get(slot), expected.get(slot), "{:?}", slot);
        }
        prop_assert_eq!(&seen.mismatches, &expected.mismatches);
        prop_assert_eq!(&trace.port().clocks().log, &plain.clocks().log);
        drop(trace);
        let shown = clocked(&String::from_utf8(text).unwrap());
        prop_assert_eq!(shown.len(), plain.clocks().log.len());
        for ((tms, tdi), (their_tms, their_tdi)) in shown.iter().zip(&plain.clocks().log) {
            let level = |high: bool| if high { '1' } else { '0' };
            let (their_tms, their_tdi) = (level(*their_tms), level(*their_tdi));
            prop_assert_eq!(*tms, their_tms);
            prop_assert!(*tdi == 'x' || *tdi == their_tdi);
        }
    }
}

/// TMS and TDI at each rising edge of TCK in a dump, read line by line.
fn clocked(text: &str) -> Vec<(char, char)> {
    let mut codes = std::collections::HashMap::new();
    let mut now = std::collections::HashMap::new();
    let mut edges = Vec::new();
    for line in text.lines() {
        let words: Vec<&str> = line.split_whitespace().collect();
        if let ["$var", _, _, code, name, "$end"] = words[..] {
            codes.insert(name, code);
        } else if let Some(value) = line.chars().next().filter(|c| "01xz".contains(*c)) {
            now.insert(line[1..].to_owned(), value);
            if line[1..] == *codes["TCK"] && value == '1' {
                edges.push((now[codes["TMS"]], now[codes["TDI"]]));
            }
        }
    }
    edges
}

#[test]
fn a_recorded_run_comes_again_bit_for_bit() {
    let limits = PieceLimits::at(2_000_000);
    let program = || {
        let mut program = long_read(30_000);
        program.go(TapState::PauseDr).wait_ns(1_000);
        program.go(TapState::UpdateDr).wait_ns(2_000);
        program.sense();
        program
    };
    let drive = |port: &mut dyn Port| {
        port.set_tck_hz(2_000_000).unwrap();
        let answers = run(port, program(), limits).unwrap();
        port.release().unwrap();
        (answers, port.traffic())
    };
    let mut log = Vec::new();
    let usb = EmulatedAdapter::new(Model::ft232h(), Chain::new(&IDCODES));
    let recorder = Recorder::new(usb, &mut log).unwrap();
    let profile = || Profile::plain_module("plain", 0, 8);
    let first = drive(&mut Mpsse::open(recorder, profile()).unwrap());
    let usb = Replay::new(&log[..]).unwrap();
    assert_eq!(usb.name(), "emulated FT232H EMU232H");
    let again = drive(&mut Mpsse::open(usb, profile()).unwrap());
    assert_eq!(again, first);
    // A log that was tampered with is noticed.
    let text = String::from_utf8(log).unwrap();
    let at = text.find("write 97").unwrap();
    let text = format!("{}write 87{}", &text[..at], &text[at + 8..]);
    let mut port = Mpsse::open(Replay::new(text.as_bytes()).unwrap(), profile()).unwrap();
    port.set_tck_hz(2_000_000).unwrap();
    let error = run(&mut port, program(), limits).unwrap_err().to_string();
    assert!(error.contains("of the log: it has \"write 87"), "{error}");
}
