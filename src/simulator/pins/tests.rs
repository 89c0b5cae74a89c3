//! Cells and pins, row by row.

use super::*;
use crate::simulator::bench_file::Floating;
use taploom_bsdl::model::{CellKind as K, Disable, Port};

#[allow(clippy::field_reassign_with_default, reason = "its index is private")]
/// A device of one pin: cell 0 is the one looked at, cell 1 its control cell if it has one.
fn one_cell(kind: K, function: CellFunction) -> Bsdl {
    let port = PortBit {
        port: 0,
        index: None,
    };
    let bare = matches!(
        function,
        CellFunction::Control | CellFunction::ControlR | CellFunction::Internal
    );
    let disable = Disable {
        cell: 1,
        disable_value: false,
        result: DisableResult::Z,
    };
    let off = matches!(function, CellFunction::Output3 | CellFunction::Bidir);
    let cell = |number, kind, function, port, control| Cell {
        number,
        kind,
        function,
        port,
        safe: taploom_bsdl::model::Trit::X,
        control,
        span: Default::default(),
    };
    let mut bsdl = Bsdl::default();
    bsdl.ports = vec![Port {
        name: "P".into(),
        mode: PortMode::InOut,
        range: None,
        span: Default::default(),
    }];
    bsdl.boundary_length = 2;
    bsdl.cells = vec![
        cell(
            0,
            kind,
            function,
            (!bare).then_some(port),
            off.then_some(disable),
        ),
        cell(1, K::Bc1, CellFunction::Control, None, None),
    ];
    bsdl
}

use taploom_bsdl::model::PortMode;

/// Which of pin, core and latch a cell captures, found by trying all eight levels of the three; `?` if none.
fn captured(kind: K, function: CellFunction, on: bool, mode: CaptureMode) -> &'static str {
    let bsdl = one_cell(kind, function);
    let mut fits = [true; 3];
    for try_number in 0..32u64 {
        let levels = [0, 1, 2].map(|i| try_number >> i & 1 == 1);
        let mut nets = Nets::new(try_number, Floating::Keep);
        let net = nets.add("P", Default::default());
        let spare = nets.add("nothing", Default::default());
        let source = nets.source(net, "P", false);
        let outside = nets.source(net, "outside", false);
        let bit = PortBit {
            port: 0,
            index: None,
        };
        let wired = [Wired { bit, net, source }];
        let mut pins = Pins::new(&bsdl, &wired, spare, try_number);
        if mode == CaptureMode::Extest {
            pins.set_mode(PinMode::Boundary, &mut nets);
        }
        // The pin is forced from outside, so that it tells itself from the driver's own level.
        nets.set(outside, Action::Rail(levels[0]));
        pins.core.set(0, levels[1]);
        pins.update(
            Bits::from_u64(u64::from(levels[2]) | u64::from(on) << 1, 2),
            &mut nets,
        );
        if mode == CaptureMode::Sample {
            pins.pins[0].on = on;
        }
        nets.settle(0);
        let bit = pins.capture(Some(mode), &nets).get(0);
        for (fit, level) in fits.iter_mut().zip(levels) {
            *fit &= bit == level;
        }
    }
    match fits {
        [true, _, _] => "pin",
        [_, true, _] => "core",
        [_, _, true] => "latch",
        _ => "?",
    }
}

/// The standard cells, row by row (1149.1-2001 package body, from memory): what EXTEST and SAMPLE take in. The
/// parallel input is the pin for cells that look at it, the core's side for output, control and internal cells.
#[test]
fn every_cell_captures_what_its_row_says() {
    use CellFunction::*;
    let rows: &[(K, &[CellFunction], bool, &str, &str)] = &[
        (K::Bc0, &[Input], false, "pin", "pin"),
        (
            K::Bc0,
            &[Output2, Output3, Control, ControlR],
            true,
            "?",
            "core",
        ),
        (K::Bc0, &[Internal], false, "?", "?"),
        (K::Bc0, &[Bidir], false, "pin", "pin"),
        (K::Bc0, &[Bidir], true, "?", "core"),
        (K::Bc1, &[Input, Clock], false, "pin", "pin"),
        (
            K::Bc1,
            &[Output2, Output3, Control, ControlR, Internal],
            true,
            "core",
            "core",
        ),
        (K::Bc2, &[Input], false, "pin", "pin"),
        (K::Bc2, &[Internal], false, "core", "core"),
        (
            K::Bc2,
            &[Output2, Output3, Control, ControlR],
            true,
            "latch",
            "core",
        ),
        (K::Bc3, &[Input], false, "pin", "pin"),
        (K::Bc4, &[Input, Clock, ObserveOnly], false, "pin", "pin"),
        (K::Bc5, &[Input], false, "pin", "pin"),
        (K::Bc6, &[Bidir], false, "pin", "pin"),
        (K::Bc6, &[Bidir], true, "latch", "core"),
        (K::Bc7, &[Bidir], false, "pin", "pin"),
        (K::Bc7, &[Bidir], true, "pin", "core"),
        (K::Bc8, &[Bidir], false, "pin", "pin"),
        (K::Bc8, &[Bidir], true, "pin", "pin"),
        (K::Bc9, &[Output2, Output3], true, "pin", "core"),
        (K::Bc10, &[Output2, Output3], true, "pin", "pin"),
    ];
    for &(kind, functions, on, extest, sample) in rows {
        for &function in functions {
            let seen = [CaptureMode::Extest, CaptureMode::Sample]
                .map(|mode| captured(kind, function, on, mode));
            assert_eq!(
                seen,
                [extest, sample],
                "{kind:?} {function:?} driver on: {on}"
            );
            let intest = captured(kind, function, on, CaptureMode::Intest);
            assert_eq!(intest, "?", "{kind:?} {function:?}: INTEST is left unknown");
        }
    }
}

/// What a released pin does, by its disable result.
#[test]
fn disable_results_act_on_the_net() {
    for (result, before, after) in [
        (DisableResult::Z, false, false),
        (DisableResult::Z, true, true),
        (DisableResult::Keeper, false, false),
        (DisableResult::Keeper, true, true),
        (DisableResult::Weak0, true, false),
        (DisableResult::Pull0, true, false),
        (DisableResult::Weak1, false, true),
        (DisableResult::Pull1, false, true),
    ] {
        let mut bsdl = one_cell(K::Bc1, CellFunction::Output3);
        if let Some(control) = &mut bsdl.cells[0].control {
            control.result = result;
        }
        let mut nets = Nets::new(1, Floating::Keep);
        let net = nets.add("P", Default::default());
        let source = nets.source(net, "P", false);
        let bit = PortBit {
            port: 0,
            index: None,
        };
        let mut pins = Pins::new(&bsdl, &[Wired { bit, net, source }], net, 1);
        pins.set_mode(PinMode::Boundary, &mut nets);
        pins.update(Bits::from_u64(0b10 | u64::from(before), 2), &mut nets);
        nets.settle(0);
        assert_eq!((nets.level(net), pins.boundary_drivers()), (before, 1));
        pins.update(Bits::from_u64(0, 2), &mut nets);
        nets.settle(0);
        assert_eq!(
            (nets.level(net), pins.boundary_drivers()),
            (after, 0),
            "{result:?}"
        );
    }
}

/// The open-collector form: OUTPUT2 that its own cell switches off drives one level only.
#[test]
fn an_open_collector_drives_low_only() {
    let mut bsdl = one_cell(K::Bc1, CellFunction::Output2);
    bsdl.cells[0].control = Some(Disable {
        cell: 0,
        disable_value: true,
        result: DisableResult::Weak1,
    });
    let mut nets = Nets::new(1, Floating::Keep);
    let net = nets.add("P", Default::default());
    let source = nets.source(net, "P", false);
    let low = nets.source(net, "another", false);
    let bit = PortBit {
        port: 0,
        index: None,
    };
    let mut pins = Pins::new(&bsdl, &[Wired { bit, net, source }], net, 1);
    pins.set_mode(PinMode::Boundary, &mut nets);
    pins.update(Bits::ones(2), &mut nets);
    nets.settle(0);
    assert_eq!((nets.level(net), pins.boundary_drivers()), (true, 0));
    // Pulled up only, so another driver is no fight.
    nets.set(low, Action::Drive(false));
    nets.settle(0);
    let mut seen = crate::simulator::Seen::default();
    nets.tell(&mut seen);
    assert_eq!((nets.level(net), seen.fight_count), (false, 0));
    pins.update(Bits::zeros(2), &mut nets);
    nets.set(low, Action::Off);
    nets.settle(0);
    assert_eq!((nets.level(net), pins.boundary_drivers()), (false, 1));
}
