//! Pins of real and of the scenario's devices that a woven board may use, and what each can do.

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use taploom_bsdl::model::{Cell, CellFunction, CellKind, DisableResult, PortMode};
use taploom_bsdl::{Device, Options, parse};

use crate::weave::Kind;

/// A device from a BSDL file, and its pins that are of a plain kind.
#[derive(Debug, Clone)]
pub(crate) struct Real {
    pub(crate) file: PathBuf,
    pub(crate) entity: String,
    pub(crate) map: String,
    pub(crate) pins: Vec<(Kind, String)>,
}

/// The fixtures' devices and, where `TAPLOOM_CORPUS` is set, those of the corpus that give at least eight plain pins.
pub(crate) fn devices() -> &'static [Real] {
    static ALL: OnceLock<Vec<Real>> = OnceLock::new();
    ALL.get_or_init(|| {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        let corpus = std::env::var_os("TAPLOOM_CORPUS").filter(|c| !c.is_empty());
        let corpus = corpus.map(|c| root.join(c).join("bsdl"));
        assert!(
            corpus.as_ref().is_none_or(|c| c.is_dir()),
            "TAPLOOM_CORPUS: {corpus:?}"
        );
        let folders = [Some(root.join("fixtures/knitting-machine/devices")), corpus];
        let mut all: Vec<Real> = Vec::new();
        for folder in folders.into_iter().flatten() {
            let entries = std::fs::read_dir(&folder).expect("readable");
            let mut files: Vec<PathBuf> = entries.map(|e| e.expect("readable").path()).collect();
            files.retain(|f| f.extension().is_some_and(|e| e.eq_ignore_ascii_case("bsd")));
            files.sort();
            for file in files {
                let bytes = std::fs::read(&file).expect("readable");
                let Some(device) = parse(&bytes, &Options::default()).device else {
                    continue;
                };
                let real = pool(file, &device);
                // A board file names entities: the first of several files counts.
                let known = all
                    .iter()
                    .any(|r| r.entity.eq_ignore_ascii_case(&device.entity));
                if let Some(real) = real.filter(|r| r.pins.len() >= 8 && !known) {
                    all.push(real);
                }
            }
        }
        println!("real devices: {}", all.len());
        all
    })
}

fn pool(file: PathBuf, device: &Device) -> Option<Real> {
    let map = device.default_package()?;
    let has = |name| device.instruction(name).is_some();
    // Whatever has no plain EXTEST stays in BYPASS, and a scan of its pins is another test's matter.
    if !has("EXTEST") || device.preload().is_none() || !has("SAMPLE") {
        return None;
    }
    // A board with a device that drives pins it calls power, or that has two drivers on a pin, is refused by the guard.
    let drivers = |bit| device.cells_of(bit).filter(|c| c.function.drives()).count();
    for pin in map.pins() {
        let mode = device.port_of(pin.bit).map(|p| p.mode);
        let digital = mode.is_some_and(PortMode::is_digital);
        if drivers(pin.bit) > usize::from(digital)
            || (device.is_tap(pin.bit) && drivers(pin.bit) > 0)
        {
            return None;
        }
    }
    let mut taken: Vec<u32> = Vec::new();
    let mut pins = Vec::new();
    for pin in map.pins() {
        let known = device.is_tap(pin.bit) || device.is_compliance(pin.bit);
        let twice =
            device.differential_partner(pin.bit).is_some() || map.pins_of(pin.bit).count() > 1;
        let cells: Vec<&Cell> = device.cells_of(pin.bit).collect();
        let Some(kind) = kind(&cells).filter(|_| !known && !twice) else {
            continue;
        };
        // One pin of each control cell: it then comes on alone, as far as the harness can tell.
        let control = cells.iter().find_map(|c| c.control).map(|c| c.cell);
        if control.is_some_and(|c| taken.contains(&c)) {
            continue;
        }
        taken.extend(control);
        pins.push((kind, pin.name.to_string()));
    }
    let entity = device.entity.clone();
    Some(Real {
        file,
        entity,
        map: map.name.clone(),
        pins,
    })
}

/// What the cells of a pin make of it, by the cell table of the standard's package body; `None` if it is not plain.
fn kind(cells: &[&Cell]) -> Option<Kind> {
    use CellFunction::{Bidir, Input, Output3};
    let plain = |c: &Cell| matches!(c.kind, CellKind::Bc1 | CellKind::Bc2 | CellKind::Bc4);
    let lets_go = |c: &Cell| {
        c.control
            .is_some_and(|d| d.result == DisableResult::Z && d.cell != c.number)
    };
    match cells {
        [c] if c.function == Input && plain(c) => Some(Kind::In),
        [c] if c.function == Output3 && lets_go(c) => match c.kind {
            CellKind::Bc1 | CellKind::Bc2 => Some(Kind::Out3),
            CellKind::Bc9 => Some(Kind::Out9),
            CellKind::Bc10 => Some(Kind::Out10),
            _ => None,
        },
        [c] if c.function == Bidir && lets_go(c) => match c.kind {
            CellKind::Bc7 => Some(Kind::Bc7),
            CellKind::Bc8 => Some(Kind::Bc8),
            _ => None,
        },
        [a, b] => {
            let (input, output) = if a.function == Input { (a, b) } else { (b, a) };
            let split = input.function == Input && plain(input);
            let driven = output.function == Output3 && lets_go(output);
            (split && driven && matches!(output.kind, CellKind::Bc1 | CellKind::Bc2))
                .then_some(Kind::Split)
        }
        _ => None,
    }
}
