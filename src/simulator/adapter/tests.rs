//! The chip and the model of time against cases worked out by hand.

use std::time::Duration;

use crate::bits::Bits;
use crate::tap::{Clocks, Level, Line, PortError};
use crate::transport::{Usb, UsbError};

use super::time::{Ticks, to_ns};
use super::*;

/// A bench that keeps what it gets. TDO is TDI of the same cycle, inverted.
#[derive(Debug, Default)]
pub(super) struct Probe {
    pub(super) tms: Vec<bool>,
    pub(super) tdi: Vec<bool>,
    pub(super) lines: Vec<(Line, Level)>,
    pub(super) spares: u8,
    pub(super) passed_ns: u64,
    pub(super) hz: u32,
    pub(super) quiet: bool,
    pub(super) cycles: u64,
}

impl Clocks for Probe {
    fn clock(&mut self, tms: &Bits, tdi: &Bits) -> Result<Bits, PortError> {
        self.cycles += tms.len() as u64;
        if self.quiet {
            return Ok(tdi.clone());
        }
        self.tms.extend(tms.iter());
        self.tdi.extend(tdi.iter());
        Ok(tdi.iter().map(|bit| !bit).collect())
    }

    fn line(&mut self, line: Line, level: Level) -> Result<u8, PortError> {
        self.lines.push((line, level));
        Ok(self.spares)
    }

    fn sense(&mut self) -> Result<u8, PortError> {
        Ok(self.spares)
    }

    fn pass(&mut self, ns: u64) -> Result<(), PortError> {
        self.passed_ns += ns;
        Ok(())
    }

    fn tck_hz(&mut self, hz: u32) {
        self.hz = hz;
    }
}

const LONG: Duration = Duration::from_secs(1);
const US: Ticks = TICKS_PER_US;
/// A packet slot on high speed: 125 µs / 13. On full speed: 1 ms / 19.
const HIGH_SLOT: Ticks = 125 * US / 13;
const FULL_SLOT: Ticks = 1000 * US / 19;

/// In MPSSE mode, TCK, TDI and TMS as outputs, at 30 MHz (6 MHz on the C type), with neither gap
/// nor turn-around unless `timing` says so; the latency timer is long.
fn adapter(model: Model, timing: Timing) -> EmulatedAdapter<Probe> {
    let fast = model.fast;
    let probe = Probe {
        quiet: true,
        spares: 0xff,
        ..Probe::default()
    };
    let mut usb = EmulatedAdapter::with(model, 0, Wiring::default(), timing, probe);
    usb.control_out(0x09, 255, 1).unwrap();
    usb.control_out(0x0b, 0x0200, 1).unwrap();
    let mut bytes = vec![0x80, 0x08, 0x0b, 0x86, 0, 0];
    if fast {
        bytes.push(0x8a);
    }
    usb.write(bytes, LONG).unwrap();
    usb.pause(Duration::from_millis(3));
    usb
}

const NO_TIME: Timing = Timing {
    gap_ns: 0,
    turnaround_ns: 0,
};

/// Reads until `bytes` answer bytes have come, status bytes taken off.
pub(super) fn answers(usb: &mut EmulatedAdapter<Probe>, bytes: usize) -> Vec<u8> {
    let mut all = Vec::new();
    while all.len() < bytes {
        let request = usb.read(LONG).unwrap();
        for packet in request.chunks(usb.packet_bytes()) {
            assert_eq!(packet[0] & 1, 1);
            all.extend(&packet[2..]);
        }
    }
    all
}

/// What the chip answers to `bytes` and a send-immediate.
fn ask(usb: &mut EmulatedAdapter<Probe>, bytes: &[u8], answer_bytes: usize) -> Vec<u8> {
    usb.listen(usb.packet_bytes(), 2).unwrap();
    usb.write([bytes, &[0x87]].concat(), LONG).unwrap();
    answers(usb, answer_bytes)
}

fn noisy(model: Model) -> EmulatedAdapter<Probe> {
    let mut usb = adapter(model, NO_TIME);
    usb.chip_mut().clocks_mut().quiet = false;
    usb
}

/// The frame boundary at which something written now joins the bus.
fn joins(usb: &EmulatedAdapter<Probe>) -> Ticks {
    usb.ticks().next_multiple_of(usb.chip().model().frame().0)
}

#[test]
fn case_1_control_requests_take_turnaround_and_whole_frames() {
    for (model, frame) in [(Model::ft2232h(), 125), (Model::ft2232c(), 1000)] {
        let mut usb = EmulatedAdapter::new(model, Probe::default());
        // 50 µs of turn-around, then from the next frame boundary to the one after it.
        usb.control_out(0x00, 0, 1).unwrap();
        assert_eq!(usb.ticks(), 2 * frame * US);
        usb.control_in(0x0a, 0, 1, 1).unwrap();
        assert_eq!(usb.ticks(), 4 * frame * US);
    }
}

#[test]
fn case_2_a_question_and_its_answer() {
    // One slot for the packet out, two commands of no clocks, one slot for the packet in.
    for gap_ns in [0, 100] {
        let timing = Timing {
            gap_ns,
            turnaround_ns: 0,
        };
        let mut usb = adapter(Model::ft2232h(), timing);
        usb.listen(512, 2).unwrap();
        let begins = joins(&usb);
        usb.write(vec![0x81, 0x87], LONG).unwrap();
        assert_eq!(answers(&mut usb, 1).len(), 1);
        let gap = gap_ns * US / 1000;
        assert_eq!(usb.ticks(), begins + HIGH_SLOT + 2 * gap + HIGH_SLOT);
    }
}

#[test]
fn case_3_turnaround_comes_before_the_transfer() {
    let timing = Timing {
        gap_ns: 0,
        turnaround_ns: 130_000,
    };
    let mut usb = adapter(Model::ft2232h(), timing);
    usb.listen(512, 2).unwrap();
    let begins = (usb.ticks() + 130 * US).next_multiple_of(125 * US);
    usb.write(vec![0x81, 0x87], LONG).unwrap();
    answers(&mut usb, 1);
    assert_eq!(usb.ticks(), begins + 2 * HIGH_SLOT);
}

#[test]
fn case_4_without_send_immediate_the_latency_timer_sends() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    usb.control_out(0x09, 5, 1).unwrap();
    usb.listen(512, 2).unwrap();
    // An empty packet at once, as the timer ran out long ago: it starts anew at its end.
    let empty = usb.read(LONG).unwrap();
    assert_eq!(empty.len(), 2);
    let last = usb.ticks();
    usb.write(vec![0x81], LONG).unwrap();
    answers(&mut usb, 1);
    assert_eq!(usb.ticks(), last + 5000 * US + HIGH_SLOT);
}

#[test]
fn case_5_a_shift_of_1000_bytes_out_and_in() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    usb.listen(4096, 2).unwrap();
    let begins = joins(&usb);
    let data: Vec<u8> = (0..1000).map(|i| (i * 7) as u8).collect();
    let mut bytes = vec![0x39, 0xe7, 0x03];
    bytes.extend(&data);
    bytes.push(0x87);
    usb.write(bytes, LONG).unwrap();
    let request = usb.read(LONG).unwrap();
    assert_eq!(request.len(), 512 + 2 + 490);
    assert_eq!([&request[2..512], &request[514..]].concat(), data);
    // The engine starts when the first packet is there and never waits for the second. A byte
    // at 30 MHz takes 8 / 30 µs = 3952 ticks. The last packet goes when the last byte is done.
    assert_eq!(usb.ticks(), begins + HIGH_SLOT + 1000 * 3952 + HIGH_SLOT);
}

#[test]
fn case_6_back_pressure_of_the_out_fifo() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    // 1 MHz: a byte takes 8 µs.
    usb.write(vec![0x86, 29, 0], LONG).unwrap();
    usb.pause(Duration::from_millis(1));
    let begins = joins(&usb);
    let mut bytes = vec![0x19, 0xff, 0x1f];
    bytes.resize(3 + 8192, 0x55);
    usb.write(bytes, LONG).unwrap();
    usb.write(vec![0x87], LONG).unwrap();
    usb.write(vec![0x87], LONG).unwrap();
    // The third write waits for the first to be taken. Its last packet, 3 bytes, comes after
    // 8192; it finds room when 8192 + 3 - 4096 = 4099 bytes have left the FIFO: the head at once,
    // and 4096 data bytes.
    assert_eq!(usb.ticks(), begins + HIGH_SLOT + 4096 * 8 * US + HIGH_SLOT);
}

#[test]
fn case_7_a_host_that_does_not_read_stops_the_engine() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    let before = usb.counts().out_bytes;
    let mut bytes = vec![0x39, 0xff, 0x3f];
    bytes.resize(3 + 16384, 0x55);
    usb.write(bytes, LONG).unwrap();
    usb.write(vec![0x87], LONG).unwrap();
    let error = usb.write(vec![0x87], LONG).unwrap_err();
    // 4096 answers fill the IN FIFO: 3 + 4096 bytes have left the OUT FIFO, which takes whole
    // packets up to 8192 - 4099 = 4093 bytes in it.
    assert_eq!(error, UsbError::TimedOut { done: 8192 });
    assert_eq!(usb.counts().out_bytes - before, 8192);
    assert_eq!(usb.clocks().cycles, 4096 * 8);
    // Reading sets it going again.
    usb.listen(512, 2).unwrap();
    assert_eq!(answers(&mut usb, 16384).len(), 16384);
    assert_eq!(usb.clocks().cycles, 16384 * 8);
}

#[test]
fn case_8_full_speed_and_the_small_fifos() {
    let mut usb = adapter(Model::ft2232c(), NO_TIME);
    usb.listen(64, 2).unwrap();
    let begins = joins(&usb);
    // 132 bytes: packets of 64, 64 and 4. At 6 MHz a byte takes 19760 ticks.
    let mut bytes = vec![0x19, 126, 0];
    bytes.resize(3 + 127, 0x55);
    bytes.extend([0x81, 0x87]);
    usb.write(bytes, LONG).unwrap();
    answers(&mut usb, 1);
    // 61 bytes take longer than a slot, so the engine never starves: 127 bytes from the end of
    // the first packet on.
    assert_eq!(usb.ticks(), begins + FULL_SLOT + 127 * 19760 + FULL_SLOT);
}

#[test]
fn case_9_both_directions_share_the_packets() {
    // Captured shifts on full speed: a byte costs 1/64 of a packet out and 1/62 in, and there
    // are 19 packets a millisecond: 598 kB/s, which is the 4.8 MHz of published arithmetic.
    let mut usb = adapter(Model::ft2232c(), NO_TIME);
    usb.listen(64 * 16, 2).unwrap();
    let begins = joins(&usb);
    let n = 20_000;
    let mut bytes = vec![0x39];
    bytes.extend(((n - 1) as u16).to_le_bytes());
    bytes.resize(3 + n, 0x55);
    bytes.push(0x87);
    usb.write(bytes, LONG).unwrap();
    answers(&mut usb, n);
    let ms = to_ns(usb.ticks() - begins) as f64 / 1e6;
    let expected = n as f64 * (1.0 / 64.0 + 1.0 / 62.0) / 19.0;
    assert!(
        (ms - expected).abs() < 0.01 * expected,
        "{ms} ms, {expected} expected"
    );
}

#[test]
fn case_10_the_bench_has_all_the_time() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    let now = usb.ticks();
    usb.chip_mut().settle(now).unwrap();
    let (began, passed) = (usb.ticks(), usb.clocks().passed_ns);
    for _ in 0..3 {
        usb.write(vec![0x8f, 99, 0, 0x8e, 2], LONG).unwrap();
        usb.pause(Duration::from_micros(777));
    }
    let now = usb.ticks();
    usb.chip_mut().settle(now).unwrap();
    let clocks = 3 * 803;
    assert_eq!(usb.clocks().cycles, clocks);
    let all = usb.clocks().passed_ns - passed + clocks * 1000 / 30;
    let span = to_ns(usb.ticks() - began);
    assert!(span.abs_diff(all) <= 2, "{span} ns passed, {all} told");
}

#[test]
fn an_in_request_ends_full_or_with_a_short_packet() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    usb.listen(1024, 2).unwrap();
    let mut bytes = vec![0x39, 0xfb, 0x03];
    bytes.resize(3 + 1020, 0x55);
    bytes.extend([0x81, 0x87]);
    usb.write(bytes, LONG).unwrap();
    assert_eq!(usb.read(LONG).unwrap().len(), 1024);
    assert_eq!(usb.read(LONG).unwrap().len(), 3);
}

#[test]
fn round_trips_are_waits_with_nothing_left_to_send() {
    let mut usb = adapter(Model::ft2232h(), NO_TIME);
    usb.listen(512, 2).unwrap();
    for n in 1..4 {
        usb.write(vec![0x81, 0x87], LONG).unwrap();
        answers(&mut usb, 1);
        assert_eq!(usb.counts().round_trips, n);
        // Waiting on without having asked is no round trip.
        usb.read(Duration::from_millis(1)).unwrap_err();
        assert_eq!(usb.counts().round_trips, n);
    }
}

#[test]
fn unknown_commands_are_echoed() {
    let mut usb = noisy(Model::ft2232h());
    assert_eq!(ask(&mut usb, &[0xaa, 0xab], 4), [0xfa, 0xaa, 0xfa, 0xab]);
    // What the C type does not have, it does not know.
    let mut usb = noisy(Model::ft2232c());
    for code in [0x8a, 0x8b, 0x8d, 0x8e, 0x8f, 0x94, 0x97, 0x9c] {
        assert_eq!(ask(&mut usb, &[code], 2), [0xfa, code]);
    }
    let mut usb = noisy(Model::ft4232h());
    assert_eq!(ask(&mut usb, &[0x83], 2), [0xfa, 0x83], "no high byte");
    assert_eq!(usb.chip().bad_commands(), 1);
}

#[test]
fn shifts_in_both_bit_orders() {
    // TDO is TDI inverted.
    let mut usb = noisy(Model::ft2232h());
    assert_eq!(ask(&mut usb, &[0x39, 1, 0, 0x01, 0xc5], 2), [0xfe, 0x3a]);
    let lsb: Vec<bool> = [0x01u8, 0xc5]
        .iter()
        .flat_map(|b| (0..8).map(move |i| b >> i & 1 == 1))
        .collect();
    assert_eq!(usb.clocks().tdi, lsb);
    assert!(usb.clocks().tms.iter().all(|&t| t), "TMS was left at 1");
    let mut usb = noisy(Model::ft2232h());
    assert_eq!(ask(&mut usb, &[0x31, 0, 0, 0xc5], 1), [0x3a]);
    let msb: Vec<bool> = (0..8).rev().map(|i| 0xc5 >> i & 1 == 1).collect();
    assert_eq!(usb.clocks().tdi, msb);
}

#[test]
fn answers_of_fewer_than_eight_bits() {
    // Least significant bit first they come from the top: 3 bits of 101 inverted in bits 5 to 7.
    let mut usb = noisy(Model::ft2232h());
    assert_eq!(ask(&mut usb, &[0x3b, 2, 0b101], 1)[0] >> 5, 0b010);
    // Most significant bit first they are the low bits: 101 from the top of the data.
    assert_eq!(ask(&mut usb, &[0x33, 2, 0b1010_0000], 1)[0] & 7, 0b010);
    // What is left in the register shows beside them, so nobody can do without masks.
    // 0000_0010 moved down by the one new bit, which is 1.
    assert_eq!(ask(&mut usb, &[0x3b, 0, 0], 1), [0b1000_0001]);
    // TMS: four clocks, TDI held at bit 7, one answer byte.
    let before = usb.clocks().tms.len();
    assert_eq!(ask(&mut usb, &[0x6b, 3, 0b1000_0110], 1)[0] >> 4, 0b0000);
    assert_eq!(usb.clocks().tms[before..], [false, true, true, false]);
    assert!(usb.clocks().tdi[before..].iter().all(|&t| t));
}

#[test]
fn loop_back_in_spi_modes_0_and_2() {
    let mut usb = noisy(Model::ft2232h());
    assert_eq!(
        ask(&mut usb, &[0x84, 0x31, 1, 0, 0xa5, 0x0f], 2),
        [0xa5, 0x0f]
    );
    // Mode 2: TCK idles high, data changes on the rising edge, is read on the falling one.
    assert_eq!(
        ask(&mut usb, &[0x80, 0x09, 0x0b, 0x34, 1, 0, 0xa5, 0x0f], 2),
        [0xa5, 0x0f]
    );
    assert_eq!(
        ask(&mut usb, &[0x85, 0x80, 0x08, 0x0b, 0x31, 0, 0, 0xa5], 1),
        [0x5a]
    );
}

#[test]
fn data_that_changes_on_the_wrong_edge_is_late() {
    let mut usb = noisy(Model::ft2232h());
    // TDI was 0; out on the rising edge: the bench sees 0 and then all bits but the last.
    ask(&mut usb, &[0x18, 0, 0, 0b1000_0101, 0x81], 1);
    let seen: Vec<bool> = [0, 1, 0, 1, 0, 0, 0, 0].iter().map(|&b| b == 1).collect();
    assert_eq!(usb.clocks().tdi, seen);
}

#[test]
fn pins_are_set_and_read() {
    let mut usb = noisy(Model::ft2232h());
    usb.chip_mut().clocks_mut().spares = 0b1101_1110;
    // Inputs: TDO 1 as nothing was clocked, spare 0 to 3 on lines 4 to 7, TMS at 1.
    assert_eq!(ask(&mut usb, &[0x81], 1), [0b1110_1100]);
    // High byte: spare 4 to 7, then TRST and the rest pulled up.
    assert_eq!(ask(&mut usb, &[0x83], 1), [0b1111_1101]);
    ask(&mut usb, &[0x80, 0x18, 0x1b, 0x82, 0x00, 0x10, 0x81], 1);
    assert_eq!(
        usb.clocks().lines,
        [(Line::Spare(0), Level::High), (Line::Trst, Level::Low)]
    );
    assert_eq!(usb.chip().driven_lines(), 0x101b);
    // 9E is the FT232H's: TRST at 1 is then only let go.
    let mut usb = noisy(Model::ft232h());
    ask(
        &mut usb,
        &[0x9e, 0x00, 0x10, 0x82, 0x10, 0x10, 0x82, 0, 0x10, 0x81],
        1,
    );
    assert_eq!(usb.clocks().lines, [(Line::Trst, Level::Low)]);
}

#[test]
fn rising_edges_by_set_bits_are_cycles() {
    let mut usb = noisy(Model::ft2232h());
    // TMS 0 and TDI 1 with TCK low, TCK high, TCK low, and high again.
    ask(
        &mut usb,
        &[
            0x80, 0x02, 0x0b, 0x80, 0x03, 0x0b, 0x80, 0x02, 0x0b, 0x80, 0x03, 0x0b, 0x81,
        ],
        1,
    );
    assert_eq!(usb.clocks().tms, [false, false]);
    assert_eq!(usb.clocks().tdi, [true, true]);
}

#[test]
fn a_clock_that_is_not_driven_moves_nothing() {
    let mut usb = noisy(Model::ft2232h());
    assert_eq!(ask(&mut usb, &[0x80, 0, 0, 0x39, 0, 0, 0x00], 1), [0xff]);
    assert!(usb.clocks().tms.is_empty());
    assert_eq!(usb.chip().driven_lines(), 0);
    assert!(usb.chip().in_mpsse_mode());
}

#[test]
fn clocks_that_end_at_a_level() {
    let mut usb = noisy(Model::ft2232h());
    // GPIOL1 is spare 1. It is 1: clocks until 1 end at once, clocks until 0 run to their end.
    ask(&mut usb, &[0x94, 0x9c, 9, 0, 0x88, 0x81], 1);
    assert_eq!(usb.clocks().tms.len(), 0);
    ask(&mut usb, &[0x9d, 1, 0, 0x81], 1);
    assert_eq!(usb.clocks().tms.len(), 16);
    // Waiting for a level that does not come holds everything up, until it comes.
    usb.write(vec![0x89, 0x81, 0x87], LONG).unwrap();
    let nothing = usb.read(Duration::from_millis(20));
    assert!(nothing.is_err());
    usb.chip_mut().clocks_mut().spares = 0xfd;
    assert_eq!(answers(&mut usb, 1), [0xdc]);
}

#[test]
fn rates_on_both_base_clocks() {
    let mut usb = noisy(Model::ft2232h());
    for (bytes, hz) in [
        (&[0x8a, 0x86, 0, 0][..], 30_000_000),
        (&[0x86, 4, 0], 6_000_000),
        (&[0x8b], 1_200_000),
        (&[0x86, 0, 0], 6_000_000),
        (&[0x86, 0xff, 0xff], 91),
        (&[0x86, 0, 0, 0x8c], 4_000_000),
    ] {
        ask(&mut usb, &[bytes, &[0x81]].concat(), 1);
        assert_eq!(usb.clocks().hz, hz, "{bytes:02x?}");
    }
}

#[test]
fn requests_that_are_refused() {
    let mut usb = EmulatedAdapter::new(Model::ft232h(), Probe::default());
    for (request, value, index) in [
        (0x33, 0, 1),
        (0x0b, 0x0200, 2),
        (0x09, 0, 1),
        (0x0b, 0x0800, 1),
    ] {
        assert_eq!(
            usb.control_out(request, value, index),
            Err(UsbError::Stalled),
            "{request:02x}"
        );
    }
    assert_eq!(usb.control_in(0x0a, 0, 1, 1).unwrap(), [16]);
    assert_eq!(usb.control_in(0x90, 0, 5, 2).unwrap(), [0xff, 0xff]);
    usb.unplug();
    assert_eq!(usb.control_out(0, 0, 1), Err(UsbError::Gone));
    assert_eq!(usb.write(vec![1], LONG), Err(UsbError::Gone));
    assert_eq!(usb.read(LONG), Err(UsbError::Gone));
}

#[test]
fn leaving_mpsse_mode_drives_serial_lines() {
    let mut usb = noisy(Model::ft2232h());
    usb.control_out(0x0b, 0, 1).unwrap();
    assert!(!usb.chip().in_mpsse_mode());
    assert_eq!(usb.chip().driven_lines(), 0b1_0101);
    // Bytes are lost there.
    usb.write(vec![0x39, 0, 0, 0], LONG).unwrap();
    usb.pause(Duration::from_millis(1));
    assert!(usb.clocks().tms.is_empty());
}

#[test]
fn faults_strike_at_their_byte() {
    let shift = || {
        let mut bytes = vec![0x19, 0xff, 0x07];
        bytes.resize(3 + 2048, 0x55);
        bytes
    };
    for (faults, error) in [
        (
            Faults {
                unplug_after: Some(1007),
                hang_after: None,
            },
            UsbError::Gone,
        ),
        (
            Faults {
                unplug_after: None,
                hang_after: Some(1007),
            },
            UsbError::TimedOut { done: 0 },
        ),
    ] {
        // Seven bytes are taken before: 80 08 0B 86 00 00 8A.
        let mut usb = adapter(Model::ft2232h(), NO_TIME).with_faults(faults);
        usb.listen(512, 2).unwrap();
        usb.write(shift(), LONG).unwrap();
        let answer = loop {
            match usb.read(LONG) {
                Ok(request) => assert_eq!(request.len(), 2, "no answer was asked for"),
                Err(e) => break e,
            }
        };
        assert_eq!(answer, error);
        assert_eq!(usb.counts().out_bytes, 1007);
        let lines = if error == UsbError::Gone { 0 } else { 0x0b };
        assert_eq!(usb.chip().driven_lines(), lines);
    }
}
