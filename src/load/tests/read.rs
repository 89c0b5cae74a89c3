//! Recipes, read and refused.

use std::path::Path;

use super::super::*;

const SMALL: &str = r#"
[recipe]
format = 1
name = "x"
entities = ["A"]
source = "s"
[image]
bits = "lsb first"
[[status]]
name = "S"
instruction = "READ"
bits = 8
flags = [{ bit = 0, name = "DONE", says = "runs", kind = "done" }]
[[load]]
instruction = "SHIFT"
image = "send"
"#;

fn recipe(path: &Path, text: &str) -> Result<Recipe, RecipeError> {
    Recipe::parse(path, text)
}

/// Places, causes and mends, without the source lines.
pub(super) fn told(error: &RecipeError) -> String {
    let told = error.problems.iter().map(|p| {
        let (line, column) = (p.at.line, p.at.column);
        let help = Some(p.help()).filter(|help| !help.is_empty());
        let help = help.map_or(String::new(), |help| format!("\n  help: {help}"));
        let place = match line {
            0 => String::new(),
            _ => format!(":{line}:{column}"),
        };
        format!("r.toml{place}: {}{help}", p.cause)
    });
    told.collect::<Vec<_>>().join("\n")
}

/// Replaces one text in the small recipe and gives the message.
fn message(from: &str, to: &str) -> String {
    assert!(SMALL.contains(from), "{from}");
    told(&recipe(Path::new("r.toml"), &SMALL.replacen(from, to, 1)).unwrap_err())
}

#[test]
fn the_small_recipe_is_read_with_its_defaults() {
    let recipe = recipe(Path::new("r.toml"), SMALL).unwrap();
    assert_eq!(recipe.tried, "not yet tried on hardware");
    assert_eq!(
        (recipe.permanent, recipe.drives_pins, recipe.others),
        (false, false, Others::Bypass)
    );
    assert_eq!(
        (recipe.image.bits, recipe.image.send),
        (ByteOrder::Little, Sent::All)
    );
    assert_eq!(recipe.load[0].at.line, 14);
    assert!(recipe.is_for("a") && !recipe.is_for("b"));
}

#[test]
fn data_steps_read_most_significant_digit_first() {
    let text = format!(
        "{SMALL}[[load]]\ninstruction = \"KEY\"\ndata = {{ hex = \"1B9\", bits = 10, expect = \"2\", mask = \"3\" }}\nwait_ms = 3\n"
    );
    let recipe = recipe(Path::new("r.toml"), &text).unwrap();
    let StepAction::Data(data) = &recipe.load[1].action else {
        panic!("{:?}", recipe.load[1])
    };
    assert_eq!(data.out.to_binary(), "0110111001");
    let (expect, mask) = data.expect.clone().unwrap();
    assert_eq!((expect.get_u64(0, 10), mask.get_u64(0, 10)), (2, 3));
    assert_eq!(recipe.load[1].wait_ns, 3_000_000);
}

#[test]
fn all_unknown_keys_come_at_once_in_file_order() {
    let text = SMALL
        .replace("name = \"x\"", "nam = \"x\"\nfoo = 1")
        .replace("image = \"send\"", "imag = \"send\"");
    assert_eq!(
        told(&recipe(Path::new("r.toml"), &text).unwrap_err()),
        "r.toml:4:1: unknown key `nam` in [recipe]\n  \
         help: did you mean `name`? keys of [recipe]: format, name, entities, idcodes, source, tried, permanent, drives_pins and others\n\
         r.toml:5:1: unknown key `foo` in [recipe]\n  \
         help: keys of [recipe]: format, name, entities, idcodes, source, tried, permanent, drives_pins and others\n\
         r.toml:17:1: unknown key `imag` in [[load]]\n  \
         help: did you mean `image`? keys of [[load]]: why, instruction, data, image, clocks, wait_ms, poll, check, is, ms, every_us and reset"
    );
}

#[test]
fn each_fault_is_named_with_its_place() {
    for (from, to, expected) in [
        (
            "format = 1",
            "format = 2",
            "r.toml:3:10: `format` is 2, expected 1\n  help: a newer Taploom may read it",
        ),
        (
            "format = 1",
            "",
            "r.toml:2:1: [recipe] has no `format`\n  help: add format = 1",
        ),
        (
            "entities = [\"A\"]",
            "entities = []",
            "r.toml:5:12: `entities` is [], expected at least one\n  help: give `entities` at least one",
        ),
        (
            "source = \"s\"",
            "",
            "r.toml:2:1: [recipe] has no `source`\n  help: add source = \"where this way of loading is published\"",
        ),
        (
            "lsb first",
            "lsb",
            "r.toml:8:8: `bits` is \"lsb\", expected msb first or lsb first\n  help: give `bits` msb first or lsb first",
        ),
        (
            "bits = 8",
            "bits = 0",
            "r.toml:12:8: `bits` is 0, expected a whole number from 1 to 65536\n  help: give `bits` a whole number from 1 to 65536",
        ),
        (
            "bit = 0",
            "bit = 8",
            "r.toml:13:18: flag DONE is bit 8 of S, which has 8 bits",
        ),
        (
            "bits = 8",
            "bits = 8\nalways = \"01\"",
            "r.toml:13:10: `always` is \"01\", expected 8 digits of 0, 1 and X\n  help: give `always` 8 digits of 0, 1 and X",
        ),
        (
            "kind = \"done\"",
            "kind = \"good\"",
            "r.toml:13:58: `kind` is \"good\", expected note, done or error\n  help: give `kind` note, done or error",
        ),
        (
            "image = \"send\"",
            "image = \"compare\"",
            "r.toml:16:9: `image` is \"compare\", expected \"send\" in [[load]]\n  help: give `image` \"send\" in [[load]]",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\nreset = true",
            "r.toml:16:9: `image` does not go with `reset`",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\nms = 3",
            "r.toml:17:6: `ms` needs `poll`",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[load]]\n",
            "r.toml:17:1: this [[load]] step does nothing\n  help: give it an instruction, data, image, clocks, wait_ms, poll, check or reset",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[load]]\ncheck = \"S\"\nis = { DUN = 1 }",
            "r.toml:19:14: there is no flag `DUN` in status S\n  help: the recipe has DONE",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[load]]\ncheck = \"T\"\nis = { DONE = 1 }",
            "r.toml:18:9: there is no status `T`\n  help: the recipe has S",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[load]]\npoll = \"S\"\nis = { DONE = 2 }\nms = 1",
            "r.toml:19:15: `DONE` is 2, expected 0 or 1\n  help: give `DONE` 0 or 1",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[exit]]\nimage = \"send\"",
            "r.toml:18:9: `image` is not allowed in [[exit]]",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[load]]\nimage = \"send\"",
            "r.toml:18:9: a second [[load]] step has `image`",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[verify]]\nclocks = 1",
            "r.toml:17:1: no [[verify]] step has `image = \"compare\"`",
        ),
        (
            "image = \"send\"",
            "image = \"send\"\n[[load]]\ndata = { hex = \"FF\", bits = 4 }",
            "r.toml:18:16: `hex` is \"FF\", expected 4 bits in hexadecimal digits (the value does not fit into 4 bits: bit 7 is 1)\n  help: give `hex` 4 bits in hexadecimal digits (the value does not fit into 4 bits: bit 7 is 1)",
        ),
        (
            "[image]",
            "[image]\npreamble = { hex = \"C9 5\" }",
            "r.toml:8:20: `hex` is \"C9 5\", expected 1 to 64 bytes of two hexadecimal digits each\n  help: give `hex` 1 to 64 bytes of two hexadecimal digits each",
        ),
        (
            "[image]",
            "[image]\nsend = \"from preamble\"",
            "r.toml:8:8: `send` needs `preamble`",
        ),
        (
            "[image]",
            "[image]\npart = [{ at = 1 }]",
            "r.toml:8:9: part has no `text`\n  help: add text = \"HEDDLE_208\"",
        ),
        (
            "[[status]]",
            "[[status]]\nname = \"S\"\ninstruction = \"I\"\nbits = 1\n[[status]]",
            "r.toml:14:8: status `S` is there twice",
        ),
        (
            "format = 1",
            "format = ",
            "r.toml:3:10: this is not TOML: string values must be quoted, expected literal string\n  help: mend this first: nothing else of the file was checked",
        ),
    ] {
        assert_eq!(message(from, to), expected, "{from} -> {to}");
    }
}

#[test]
fn hostile_text_is_refused_without_a_panic() {
    for text in [
        "",
        "\u{0}",
        "[[[[[[",
        "recipe = 1\nimage = []\nload = 3\nstatus = 4\nexit = \"\"",
        "[recipe]\nformat = 99999999999999999999999",
    ] {
        let error = recipe(Path::new("r.toml"), text).unwrap_err();
        assert!(!error.problems.is_empty());
        assert!(!error.to_string().is_empty());
    }
    let deep = format!("load = {}{}", "[".repeat(20_000), "]".repeat(20_000));
    assert!(recipe(Path::new("r.toml"), &deep).is_err());
}

#[test]
fn opcodes_and_idcodes_stand_in_for_what_the_bsdl_lacks() {
    let text = SMALL
        .replace("entities = [\"A\"]", "idcodes = [\"0xX1234043\"]")
        .replace(
            "[image]",
            "[opcodes]\nSHIFT = \"0110\"\nREAD = \"0111\"\n[image]",
        );
    let parsed = recipe(Path::new("r.toml"), &text).unwrap();
    let mut device = super::engine::device("B", 4, &[]);
    assert!(!parsed.is_for_device(&device));
    device.idcodes = vec!["00010001001000110100000001000011".parse().unwrap()];
    assert!(parsed.is_for_device(&device));
    assert!(parsed.check(&device).is_ok());
    let check = |device: &taploom_bsdl::Device| told(&parsed.check(device).unwrap_err());
    let mut named = super::engine::device("B", 4, &[("SHIFT", "1000", None)]);
    named.idcodes = device.idcodes.clone();
    assert_eq!(
        check(&named),
        "r.toml:8:9: SHIFT is 0110 here, but 1000 in the BSDL of B"
    );
    device.instruction_length = 5;
    assert_eq!(
        check(&device),
        "r.toml:8:9: `SHIFT` is \"0110\", expected the 5 bits of an instruction of B\n  help: give `SHIFT` the 5 bits of an instruction of B\n\
         r.toml:9:8: `READ` is \"0111\", expected the 5 bits of an instruction of B\n  help: give `READ` the 5 bits of an instruction of B"
    );
    let wrong = |from: &str, to: &str| {
        told(&recipe(Path::new("r.toml"), &text.replacen(from, to, 1)).unwrap_err())
    };
    assert_eq!(
        wrong("\"0110\"", "6"),
        "r.toml:8:9: `SHIFT` is 6, expected a code in binary digits, bit 0 rightmost\n  help: give `SHIFT` a code in binary digits, bit 0 rightmost"
    );
    assert_eq!(
        wrong("0xX1234043", "0x1234"),
        "r.toml:5:12: `idcodes` is \"0x1234\", expected 0x and eight hexadecimal digits each, X for any digit, the last one odd\n  help: give `idcodes` 0x and eight hexadecimal digits each, X for any digit, the last one odd"
    );
}
