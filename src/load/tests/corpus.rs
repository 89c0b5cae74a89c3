//! The built-in recipe against public SVF files for its part: our load must send what they send, instruction by instruction.
//! Runs when `TAPLOOM_CORPUS` names the corpus; a relative path counts from the workspace root.

use std::cell::RefCell;
use std::path::Path;
use std::rc::Rc;

use super::super::*;
use super::engine::device;
use crate::chain::IdCode;
use crate::chain::testing::{Core, TestChain, TestDevice};
use crate::tap::ChainLayout;

/// Instruction code and the data bits that go in under it, first one first.
type Scans = Vec<(u64, Vec<bool>)>;

/// Files of another tool, which differ in more than the image: the reason. Their image is held against ours all the same.
const OTHER_STEPS: [(&str, &str); 3] = [
    (
        "c33786e801.svf",
        "looks at the status once more and leaves out one BYPASS",
    ),
    ("191819a2bf.svf", "the same, for the larger part"),
    ("a8e9e142cd.svf", "the same, for the larger part"),
];
/// Entity, IDCODE in the file's and in our notation, and how many files there are.
const PARTS: [(&str, &str, u32, u32); 2] = [
    ("LFE5U_25F", "41111043", 0x4111_1043, 15),
    ("LFE5U_85F", "41113043", 0x4111_3043, 2),
];

/// SIR and SDR statements of an SVF file that pads nothing, read apart from the reader in `svf`.
fn scans_of(text: &str) -> Scans {
    let mut scans: Scans = Vec::new();
    for statement in text.split(';') {
        let plain: Vec<&str> = statement
            .lines()
            .map(|l| l.split(['!']).next().unwrap_or(""))
            .collect();
        let plain = plain.join(" ").to_ascii_uppercase();
        let mut words = plain.split_whitespace();
        let (Some(verb @ ("SIR" | "SDR")), Some(length)) = (words.next(), words.next()) else {
            continue;
        };
        let length: usize = length.parse().unwrap();
        let (_, tdi) = plain.split_once("TDI").unwrap();
        let digits: String = tdi[tdi.find('(').unwrap() + 1..tdi.find(')').unwrap()]
            .split_whitespace()
            .collect();
        let nibbles = digits.chars().rev().flat_map(|d| {
            let value = d.to_digit(16).unwrap();
            (0..4).map(move |i| value >> i & 1 == 1)
        });
        let bits: Vec<bool> = nibbles
            .chain(std::iter::repeat(false))
            .take(length)
            .collect();
        if verb == "SIR" {
            scans.push((
                bits.iter()
                    .enumerate()
                    .fold(0, |v, (i, b)| v | u64::from(*b) << i),
                vec![],
            ));
        } else if let Some(last) = scans.last_mut() {
            last.1.extend(bits);
        }
    }
    scans
}

/// Keeps every bit, answers 0x100 to a status read after the image and zeros before.
#[derive(Clone, Default)]
struct Keeper(Rc<RefCell<Scans>>);

impl Core for Keeper {
    fn register(&self, ir: u64) -> Option<usize> {
        match ir {
            0xFF => None,
            0x3C => Some(32),
            _ => Some(8),
        }
    }
    fn capture(&mut self, ir: u64) -> Vec<bool> {
        let done = ir == 0x3C && self.0.borrow().iter().any(|(code, _)| *code == 0x7A);
        (0..self.register(ir).unwrap_or(1))
            .map(|i| done && i == 8)
            .collect()
    }
    fn shifted(&mut self, ir: u64, bit: bool) {
        let mut scans = self.0.borrow_mut();
        assert_eq!(scans.last().unwrap().0, ir);
        scans.last_mut().unwrap().1.push(bit);
    }
    fn instructed(&mut self, ir: u64) {
        self.0.borrow_mut().push((ir, vec![]));
    }
}

#[test]
fn the_built_in_recipe_sends_what_public_files_send() {
    let Some(corpus) = std::env::var_os("TAPLOOM_CORPUS") else {
        return;
    };
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"))
        .join(corpus)
        .join("svf");
    for (entity, digits, code, files) in PARTS {
        published(&folder, entity, digits, code, files);
    }
}

fn published(folder: &Path, entity: &str, digits: &str, code: u32, expected: u32) {
    let mut part = device(entity, 8, &[("BYPASS", "11111111", None)]);
    part.idcodes = vec![format!("{code:032b}").parse().unwrap()];
    let recipe = Recipe::built_in_for(&part).unwrap();
    let mut ran = 0;
    let mut files: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    files.sort();
    for file in files {
        let text = String::from_utf8_lossy(&std::fs::read(&file).unwrap()).into_owned();
        if !(text.contains(digits) && text.contains("(7A)") && text.contains("(1C)")) {
            continue;
        }
        let published = scans_of(&text);
        let (_, image) = published.iter().find(|(code, _)| *code == 0x7A).unwrap();
        let bytes: Vec<u8> = image
            .chunks(8)
            .map(|c| c.iter().fold(0, |v, b| v << 1 | u8::from(*b)))
            .collect();
        let keeper = Keeper::default();
        let mut chain = TestChain::new(vec![
            TestDevice::new("00000001", Some(code)).with_core(keeper.clone()),
        ]);
        let file = Image::from_bytes(file.display().to_string(), bytes);
        let layout = ChainLayout::new(vec![8]);
        let target = Target {
            name: "U1",
            place: 0,
            device: &part,
            layout: &layout,
            chain: &[],
            clamp: None,
        };
        let load = Load::prepare(&recipe, target, &file, Some(IdCode(code)), false).unwrap();
        let load = load.unwrap_or_else(|refusal| panic!("{}", refusal.finding("U1", &file)));
        let watch = Watch {
            cancelled: &|| false,
            progress: &mut |_| {},
        };
        let loaded = load.run(&mut chain, 6_000_000, false, watch).unwrap();
        assert_eq!(loaded.end, LoadEnd::Done, "{:?}", loaded.readings);
        // The files also read the IDCODE first and the USERCODE in the end, which is not the recipe's task; the load ends in
        // BYPASS, as every load does.
        let wanted: Scans = published
            .into_iter()
            .filter(|(code, _)| !matches!(code, 0xE0 | 0xC0))
            .collect();
        let mut seen = keeper.0.borrow().clone();
        assert_eq!(seen.pop(), Some((0xFF, vec![])));
        if OTHER_STEPS
            .iter()
            .any(|(name, _)| file.name().ends_with(name))
        {
            let image = |scans: &Scans| {
                scans
                    .iter()
                    .find(|(code, _)| *code == 0x7A)
                    .map(|(_, bits)| bits.clone())
            };
            assert!(image(&seen) == image(&wanted), "{}", file.name());
        } else {
            let short = |scans: &Scans| {
                let each = scans
                    .iter()
                    .map(|(code, bits)| format!("{code:02X}:{}", bits.len()));
                each.collect::<Vec<_>>().join(" ")
            };
            assert!(
                seen == wanted,
                "{}: sent {}, published {}",
                file.name(),
                short(&seen),
                short(&wanted)
            );
        }
        ran += 1;
    }
    assert_eq!(ran, expected, "public files of {entity} that ran");
}
