//! Recipes and images that mean no good: refused with a place, never a panic, a hang or a success.

use proptest::prelude::*;

use super::super::*;
use super::engine::{CODE, heddle, image};
use crate::chain::IdCode;
use crate::tap::ChainLayout;

const RECIPE: &str = include_str!("../../../fixtures/knitting-machine/heddle.toml");

/// Whatever a recipe says, reading, checking and rehearsing it end, and a success rehearses within bounds.
fn survives(text: &str) {
    let recipe = match Recipe::parse("r.toml", text) {
        Ok(recipe) => recipe,
        Err(error) => {
            assert!(!error.problems.is_empty());
            assert!(error.to_string().starts_with("r.toml:"));
            return;
        }
    };
    let device = heddle();
    if let Err(error) = recipe.check(&device) {
        assert!(!error.to_string().is_empty());
        return;
    }
    let file = Image::from_bytes("x", image("HEDDLE_208", CODE, &[5; 200]));
    let layout = ChainLayout::new(vec![4, 10, 6]);
    let target = Target {
        name: "U1",
        place: 1,
        device: &device,
        layout: &layout,
        chain: &[],
        clamp: None,
    };
    let load = Load::prepare(&recipe, target, &file, Some(IdCode(CODE)), false).unwrap();
    match load {
        Err(refusal) => assert!(!refusal.finding("U1", &file).to_string().is_empty()),
        Ok(load) => {
            let loaded = load.rehearse(6_000_000, true).unwrap();
            assert_eq!(loaded.end, LoadEnd::Done);
            assert!(loaded.counts.payload_bits <= file.bytes() * 8);
            assert!(loaded.counts.payload_bits <= loaded.counts.bits_shifted);
        }
    }
}

/// Tokens that bring a mutation somewhere.
const TOKENS: [&str; 28] = [
    "[",
    "]",
    "{",
    "}",
    "\"",
    "=",
    "\n",
    "0",
    "1",
    "-1",
    "99999999999999999999",
    "1e99",
    "true",
    "image = \"send\"",
    "image = \"compare\"",
    "[[load]]",
    "[[verify]]",
    "[[exit]]",
    "reset = true",
    "clocks = 1000000000",
    "wait_ms = 3600000",
    "poll = \"CFG_STAT\"",
    "is = { DONE = 0 }",
    "ms = 1",
    "skip = 1099511627776",
    "at = 1048576",
    "data = { hex = \"FFFF\", bits = 16 }",
    "\u{0}",
];

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1500))]

    #[test]
    fn mutated_recipes_are_survived(edits in prop::collection::vec((any::<prop::sample::Index>(), 0usize..40, any::<prop::sample::Index>()), 1..6)) {
        let mut text: Vec<char> = RECIPE.chars().collect();
        for (at, cut, token) in edits {
            let at = at.index(text.len() + 1);
            let end = (at + cut).min(text.len());
            text.splice(at..end, TOKENS[token.index(TOKENS.len())].chars());
        }
        survives(&text.into_iter().collect::<String>());
    }

    #[test]
    fn lines_in_any_order_are_survived(order in prop::collection::vec(any::<prop::sample::Index>(), 0..60)) {
        let lines: Vec<&str> = RECIPE.lines().filter(|l| !l.starts_with('#')).collect();
        let text: Vec<&str> = order.iter().map(|i| lines[i.index(lines.len())]).collect();
        survives(&text.join("\n"));
    }

    #[test]
    fn any_bytes_are_refused_or_recognised(bytes in prop::collection::vec(any::<u8>(), 0..300), cut in 0usize..300) {
        let recipe = Recipe::parse("r.toml", RECIPE).unwrap();
        for bytes in [bytes.clone(), {
            // The head of a good image with anything behind it.
            let mut good = image("HEDDLE_208", CODE, &[1; 40]);
            good.truncate(cut);
            good.extend(&bytes);
            good
        }] {
            let len = bytes.len() as u64;
            let file = Image::from_bytes("x", bytes);
            match file.recognise(&recipe.image, "HEDDLE_208", Some(IdCode(CODE))).unwrap() {
                Ok(what) => prop_assert!(what.start + what.bytes == len && what.bytes > 0),
                Err(refusal) => prop_assert!(!refusal.finding("U1", &file).to_string().is_empty()),
            }
        }
    }
}

#[test]
fn the_scenarios_recipe_itself_survives() {
    survives(RECIPE);
}

#[test]
fn an_hour_of_waiting_is_counted_not_waited_for() {
    let text = RECIPE.replacen("clocks = 600", "clocks = 1000000000\nwait_ms = 3600000", 1);
    let recipe = Recipe::parse("r.toml", &text).unwrap();
    let (device, layout) = (heddle(), ChainLayout::new(vec![10]));
    let file = Image::from_bytes("x", image("HEDDLE_208", CODE, &[5; 200]));
    let target = Target {
        name: "U1",
        place: 0,
        device: &device,
        layout: &layout,
        chain: &[],
        clamp: None,
    };
    let load = Load::prepare(&recipe, target, &file, None, false)
        .unwrap()
        .unwrap();
    let counts = load.rehearse(1_000_000, false).unwrap().counts;
    assert!(counts.tck_cycles > 1_000_000_000);
    assert!(
        (4600.0..4601.0).contains(&counts.seconds),
        "{}",
        counts.seconds
    );
}
