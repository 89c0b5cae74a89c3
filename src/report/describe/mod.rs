//! One device in plain words: what the file says of it, for a person and for a program.

mod cautions;
mod fields;
mod identity;
mod text;
mod words;

use taploom_bsdl::Device;
use taploom_bsdl::model::{PinMap, RegisterRef};

use super::vet::Vetted;

pub use cautions::{Caution, cautions};
pub use fields::describe_fields;
pub(super) use identity::hex;
pub use text::describe_text;

/// A device to be described, in one of its packages.
#[derive(Debug, Clone, Copy)]
pub struct Described<'a> {
    /// The file that it is from.
    pub file: &'a Vetted,
    /// The device.
    pub device: &'a Device,
    /// The package; `None` if the file has none.
    pub map: Option<&'a PinMap>,
}

/// The instructions that put a register between TDI and TDO.
fn selected_by(device: &Device, register: RegisterRef) -> Vec<&str> {
    let selects = |i: &&taploom_bsdl::model::Instruction| device.register_for(i) == Some(register);
    device
        .instructions
        .iter()
        .filter(selects)
        .map(|i| &*i.name)
        .collect()
}

#[cfg(test)]
mod tests {
    use super::super::{package_of, package_svg, vet_fields, vet_text};
    use super::*;

    /// A small generator of numbers (xorshift, from memory), so that every run breaks the same things.
    struct Chance(u64);

    impl Chance {
        fn below(&mut self, n: usize) -> usize {
            self.0 ^= self.0 << 13;
            self.0 ^= self.0 >> 7;
            self.0 ^= self.0 << 17;
            (self.0 % n as u64) as usize
        }
    }

    /// Files broken at random are vetted, described and drawn without a panic, and what is shown stays bounded.
    #[test]
    fn broken_files_never_panic() {
        let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("fixtures");
        let mut chance = Chance(0x7461_706c_6f6f_6d01);
        let (mut described, mut drawn) = (0, 0);
        for path in [
            "bsdl/octal_8374.bsd",
            "knitting-machine/devices/bobbin_44.bsd",
            "bsdl/invalid/pins_astray.bsd",
        ] {
            let good = std::fs::read(root.join(path)).unwrap();
            for _ in 0..400 {
                let mut bytes = good.clone();
                for _ in 0..=chance.below(4) {
                    let at = chance.below(bytes.len());
                    match chance.below(4) {
                        0 => bytes[at] = b"\0\"(),:;&*019X\xe9\n-"[chance.below(16)],
                        1 => drop(bytes.drain(at..(at + chance.below(40)).min(bytes.len()))),
                        2 => bytes.splice(at..at, *b"99999999").for_each(drop),
                        _ => bytes.truncate(at.max(1)),
                    }
                }
                let outcome = taploom_bsdl::parse(&bytes, &taploom_bsdl::Options::default());
                let file = Vetted {
                    path: "broken.bsd".into(),
                    bytes,
                    entity: None,
                    diagnostics: outcome.diagnostics,
                };
                let files = [file];
                assert!(vet_fields(&files).is_object() && !vet_text(&files).is_empty());
                let Some(device) = &outcome.device else {
                    continue;
                };
                for map in device.pin_maps.iter().map(Some).chain([None]) {
                    let this = Described {
                        file: &files[0],
                        device,
                        map,
                    };
                    let text = describe_text(&this);
                    assert!(text.len() < 200_000 && describe_fields(&this).is_object());
                    described += 1;
                    drawn += usize::from(
                        map.and_then(|m| package_svg(&package_of(device, m)))
                            .is_some(),
                    );
                }
            }
        }
        assert!(
            described > 1_000 && drawn > 100,
            "{described} described, {drawn} drawn"
        );
    }
}
