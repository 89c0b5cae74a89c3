//! Files broken the way real ones are: each fault is told under its code, and the rest of the file is still read.

use taploom_bsdl::{Device, Options, Outcome, Severity, explain, parse};

const OCTAL: &str = include_str!("../../fixtures/bsdl/octal_8374.bsd");

fn read(text: &[u8]) -> Outcome {
    parse(text, &Options::default())
}

fn octal() -> Device {
    read(OCTAL.as_bytes()).device.unwrap()
}

/// What of the device a mutation may change.
#[derive(Clone, Copy, PartialEq)]
enum Loses {
    /// Nothing: the model is the same.
    Nothing,
    /// This many table lines.
    Cells(usize),
    /// This many instructions.
    Instructions(usize),
    /// This many pins.
    Pins(usize),
    /// Something else; the boundary table and the instructions are whole.
    Other,
}
use Loses::{Cells, Instructions, Nothing, Other, Pins};

/// Name, text to find, text to put there, code that must come, whether it must point at the line of the edit or the next
/// to it, and what may be lost.
#[rustfmt::skip] // one row a line
const MUTATIONS: &[(&str, &str, &str, &str, bool, Loses)] = &[
    ("no semicolon after an attribute", "entity is 8;", "entity is 8", "B003", true, Nothing),
    ("no semicolon after the port list", "  );\n  use", "  )\n  use", "B003", true, Nothing),
    ("no semicolon between ports", "CLK : in bit;", "CLK : in bit", "B003", true, Nothing),
    ("semicolon after the last port", "linkage bit\n", "linkage bit;\n", "B014", true, Nothing),
    ("no semicolon at the end", "end OCTAL_8374;", "end OCTAL_8374", "B003", false, Nothing),
    ("no end at all", "end OCTAL_8374;\n", "", "B015", false, Nothing),
    ("another name at the end", "end OCTAL_8374;", "end OCTAL_8373;", "B101", false, Nothing),
    ("another name in an attribute", "INSTRUCTION_LENGTH of OCTAL_8374", "INSTRUCTION_LENGTH of OCTAL", "B101", true, Nothing),
    ("no ampersand in the table", "15 (BC_1, D(1), input, X), \" &", "15 (BC_1, D(1), input, X), \"", "B004", false, Nothing),
    ("ampersand after the last string", "16, 1, Z)\";\nend", "16, 1, Z)\" &;\nend", "B014", false, Nothing),
    ("no comma in the table", "15 (BC_1, D(1), input, X), ", "15 (BC_1, D(1), input, X) ", "B010", false, Nothing),
    ("two commas in the table", "15 (BC_1, D(1), input, X), ", "15 (BC_1, D(1), input, X),, ", "B014", false, Nothing),
    ("no closing quote", "15 (BC_1, D(1), input, X), \" &", "15 (BC_1, D(1), input, X),  &", "B005", false, Nothing),
    ("no closing quote at the end of a statement", "16, 1, Z)\";\nend", "16, 1, Z);\nend", "B005", false, Nothing),
    ("no opening quote", "    \"15 (BC_1, D(1), input, X), \" &", "    15 (BC_1, D(1), input, X), \" &", "B005", false, Nothing),
    ("no closing bracket in the table", "15 (BC_1, D(1), input, X), ", "15 (BC_1, D(1), input, X, ", "B009", false, Cells(1)),
    ("no opening bracket in the table", "15 (BC_1, D(1), input, X), ", "15 BC_1, D(1), input, X), ", "B009", false, Cells(1)),
    ("misspelt function", "15 (BC_1, D(1), input, X)", "15 (BC_1, D(1), inputt, X)", "B009", false, Cells(1)),
    ("misspelt port", "15 (BC_1, D(1), input, X)", "15 (BC_1, DD(1), input, X)", "B604", false, Cells(1)),
    ("index outside the port", "15 (BC_1, D(1), input, X)", "15 (BC_1, D(0), input, X)", "B605", false, Cells(1)),
    ("safe value that is none", "15 (BC_1, D(1), input, X)", "15 (BC_1, D(1), input, Z)", "B009", false, Cells(1)),
    ("letter O for a zero", "\"EXTEST (00000000, ", "\"EXTEST (0000000O, ", "B009", false, Instructions(1)),
    ("no bracket after the codes", "\"EXTEST (00000000, 10000000), ", "\"EXTEST (00000000, 10000000, ", "B009", false, Instructions(1)),
    ("port missing in the pin map", "CLK : 1, OC_NEG", "OC_NEG", "B202", false, Pins(1)),
    ("space inside a pin name", "CLK : 1, OC", "CLK : 1 0, OC", "B009", false, Nothing),
    ("no colon in the pin map", "CLK : 1, OC_NEG", "CLK 1, OC_NEG", "B009", false, Pins(1)),
    ("vector with a pin too few", "Q : (2, 3, 4, 5, 7, 8, 9, 10)", "Q : (2, 3, 4, 5, 7, 8, 9)", "B205", false, Pins(1)),
    ("wrong boundary length", "BOUNDARY_LENGTH of OCTAL_8374 : entity is 18", "BOUNDARY_LENGTH of OCTAL_8374 : entity is 19", "B601", false, Other),
    ("wrong instruction length", "entity is 8;", "entity is 7;", "B402", true, Other),
    ("attribute twice", "  attribute INSTRUCTION_LENGTH", "  attribute INSTRUCTION_LENGTH of OCTAL_8374 : entity is 8;\n  attribute INSTRUCTION_LENGTH", "B103", true, Nothing),
    ("misspelt attribute", "attribute INSTRUCTION_CAPTURE", "attribute INSTRUCTION_CAPTRUE", "B113", false, Other),
    ("misspelt keyword", "  attribute INSTRUCTION_CAPTURE", "  atribute INSTRUCTION_CAPTURE", "B008", false, Other),
    ("number in quotes", "entity is 8;", "entity is \"8\";", "B011", true, Other),
    ("foreign first line", "-- An octal", "An octal's\n-- An octal", "B007", true, Nothing),
    ("text after the end", "end OCTAL_8374;\n", "end OCTAL_8374;\nHave fun!\n", "B007", false, Nothing),
    ("Latin-1 letter between statements", "  use STD", "  \u{e9} use STD", "B006", true, Nothing),
    ("NUL between statements", "  use STD", "  \0 use STD", "B006", true, Nothing),
    ("range of a whole file system", "D : in bit_vector (1 to 8)", "D : in bit_vector (0 to 4294967295)", "B210", true, Cells(8)),
    ("range beyond numbers", "D : in bit_vector (1 to 8)", "D : in bit_vector (0 to 4294967296)", "B012", true, Cells(8)),
    ("no colon after a port", "CLK : in bit;", "CLK in bit;", "B002", true, Nothing),
    ("no bracket after the ports", "linkage bit\n  );", "linkage bit\n", "B002", false, Nothing),
];

#[test]
fn the_fault_is_told_and_the_rest_is_read() {
    let good = octal();
    for (name, find, put, code, near, loses) in MUTATIONS {
        assert!(
            OCTAL.contains(find),
            "{name}: {find:?} is not in the fixture"
        );
        let text = OCTAL.replacen(find, put, 1);
        let outcome = read(text.as_bytes());
        let told: Vec<_> = outcome
            .diagnostics
            .iter()
            .map(|d| (d.code, d.message.as_str()))
            .collect();
        let fault = outcome.diagnostics.iter().find(|d| d.code == *code);
        let fault = fault.unwrap_or_else(|| panic!("{name}: expected {code}, found {told:?}"));
        let lines = taploom_bsdl::LineIndex::new(text.as_bytes());
        let line = lines.place(fault.primary.start).line;
        let edited = lines.place(OCTAL.find(find).unwrap() as u32).line;
        assert!(
            !near || line.abs_diff(edited) <= 1,
            "{name}: told at line {line}, edited at line {edited}"
        );
        assert!(
            told.len() <= 6,
            "{name}: one fault, many complaints: {told:#?}"
        );
        let device = outcome
            .device
            .unwrap_or_else(|| panic!("{name}: no device"));
        let pins = |d: &Device| d.pin_maps[0].len();
        let lost = (
            good.cells.len() - device.cells.len(),
            good.instructions.len() - device.instructions.len(),
            pins(&good) - pins(&device),
        );
        let expected = match loses {
            Nothing => {
                assert!(device.same_model(&good), "{name}: the model differs");
                (0, 0, 0)
            }
            // A port whose declaration is lost takes its pins along.
            Cells(n) => (*n, 0, if *n == 8 { 8 } else { 0 }),
            Instructions(n) => (0, *n, 0),
            Pins(n) => (0, 0, *n),
            Other => (0, 0, 0),
        };
        assert_eq!(
            lost, expected,
            "{name}: lines, instructions, pins lost; told {told:?}"
        );
    }
}

#[test]
fn layout_does_not_matter() {
    let good = octal();
    for text in [
        OCTAL.replace('\n', "\r\n"),
        OCTAL.to_uppercase(),
        OCTAL.replace(" is\n", " is -- a word after is\n"),
        OCTAL.replace("    \"", "\t\t\"\t"),
        OCTAL.replace(";\n", " ;  -- done; \"or not\"\n"),
        OCTAL
            .replace('\n', "\n--\n")
            .replace("-- An", "-- \u{e9}\u{ff} An"),
    ] {
        let latin: Vec<u8> = text.chars().map(|c| c as u8).collect();
        let mut outcome = read(&latin);
        // A tab inside a string is told, and changes nothing.
        let tabs = outcome
            .diagnostics
            .iter()
            .filter(|d| d.code == "B018")
            .count();
        assert_eq!(tabs > 0, text.contains("\"\t"));
        outcome.diagnostics.retain(|d| d.code != "B018");
        assert_eq!(outcome.diagnostics, [], "{text}");
        let mut device = outcome.device.unwrap();
        // Upper case is the same name in another spelling.
        if device.entity == good.entity
            && device.ports[0].name == good.ports[0].name
            && !text.contains("ENTITY IS")
        {
            assert!(device.same_model(&good), "{text}");
        }
        device.reindex();
        assert_eq!(device.cells_numbered(16).count(), 2);
    }
}

/// The place of a fault in the table is the cell itself, inside the joined strings.
#[test]
fn places_point_into_the_strings() {
    let text = OCTAL.replace("9 (BC_1, D(7), input, X)", "9 (BC_1, D(77), input, X)");
    let outcome = read(text.as_bytes());
    let fault = outcome
        .diagnostics
        .iter()
        .find(|d| d.code == "B605")
        .unwrap();
    assert_eq!(&text[fault.primary.range()], "D(77)");
    let text = OCTAL.replace("SAMPLE (00000010, ", "SAMPLE (000000010, ");
    let outcome = read(text.as_bytes());
    let fault = outcome
        .diagnostics
        .iter()
        .find(|d| d.code == "B402")
        .unwrap();
    assert_eq!(&text[fault.primary.range()], "000000010");
    let text = OCTAL.replace(
        "1 (BC_1, Q(7), output3, X, 16, 1, Z)",
        "1 (BC_1, Q(7), output3, X, 15, 1, Z)",
    );
    let outcome = read(text.as_bytes());
    let fault = outcome
        .diagnostics
        .iter()
        .find(|d| d.code == "B611")
        .unwrap();
    assert_eq!(
        &text[fault.primary.range()],
        "1 (BC_1, Q(7), output3, X, 15, 1, Z)"
    );
    assert_eq!(
        &text[fault.secondary[0].0.range()],
        "15 (BC_1, D(1), input, X)"
    );
    // A cell that spans three literals: first character to last.
    let text = OCTAL.replace(
        "\"9 (BC_1, D(7), input, X), \"",
        "\"9 (BC_1, \" & \"D(7), in\" & \"put, X), \"",
    );
    let outcome = read(text.as_bytes());
    let cell = *outcome
        .device
        .as_ref()
        .unwrap()
        .cells_numbered(9)
        .next()
        .unwrap();
    assert_eq!(
        &text[cell.span.range()],
        "9 (BC_1, \" & \"D(7), in\" & \"put, X)"
    );
    assert!(
        outcome
            .diagnostics
            .iter()
            .any(|d| d.code == "B016" && d.severity == Severity::Warning)
    );
}

#[test]
fn several_faults_are_told_in_one_pass() {
    let mut text = OCTAL.to_owned();
    let some = [
        "entity is 8;",
        "D(1), input",
        "EXTEST (00000000",
        "CLK : 1",
        "(20.0e6, BOTH)",
        "10000001\"",
    ];
    let put = [
        "entity is 8",
        "D(1), inptu",
        "EXTEST (0000000Z",
        "CLKK : 1",
        "(0.0, HIGH)",
        "10000010\"",
    ];
    for (find, put) in some.iter().zip(put) {
        assert!(text.contains(find));
        text = text.replacen(find, put, 1);
    }
    let outcome = read(text.as_bytes());
    for code in ["B003", "B009", "B203", "B305", "B306", "B413"] {
        assert!(outcome.diagnostics.iter().any(|d| d.code == code), "{code}");
        assert!(explain(code).is_some());
    }
    let starts: Vec<u32> = outcome
        .diagnostics
        .iter()
        .map(|d| d.primary.start)
        .collect();
    assert!(starts.is_sorted(), "in the order of the text");
}

/// Inputs that are large for no good reason are read or refused in no time.
#[test]
fn hostile_input_is_bounded() {
    let brackets = format!("entity E is port ({}", "(".repeat(1_000_000));
    let list = format!(
        "entity E is attribute INSTRUCTION_OPCODE of E : entity is \"{}\";",
        "A (1),".repeat(300_000)
    );
    let names = format!(
        "entity E is port ({});",
        (0..200_000)
            .map(|i| format!("P{i}: in bit;"))
            .collect::<String>()
    );
    let wide = format!(
        "entity E is port ({});",
        (0..2_000)
            .map(|i| format!("P{i}: in bit_vector(0 to 65535);"))
            .collect::<String>()
    );
    let attributes = (0..100_000)
        .map(|i| format!("attribute X{i} of E : entity is \"\";"))
        .collect::<String>();
    let attributes = format!("entity E is {attributes}");
    let maps = (0..50_000)
        .map(|i| format!("constant M{i} : PIN_MAP_STRING := \"A : 1\";"))
        .collect::<String>();
    let maps = format!("entity E is {maps}");
    let strangers = (0..200_000)
        .map(|i| format!("{i} (BC_1, P{i}, input, X),"))
        .collect::<String>();
    let strangers =
        format!("entity E is attribute BOUNDARY_REGISTER of E : entity is \"{strangers}\";");
    let same = "0 (BC_1, *, internal, X), 1 (BC_1, *, output3, X, 0, 1, Z), ".repeat(100_000);
    let same = format!("entity E is attribute BOUNDARY_REGISTER of E : entity is \"{same}\";");
    let quotes = format!(
        "entity E is attribute A of E : entity is {}",
        "\"\n".repeat(500_000)
    );
    let doubled = format!(
        "entity E is attribute A of E : entity is {}\";",
        "\"\"".repeat(500_000)
    );
    // What the 2013 edition and 1532 add, each without an end.
    let new = |name: &str, item: &str| {
        let text = item.repeat(500_000 / item.len());
        format!(
            "entity E is use STD_1149_1_2013.all; use STD_1532_2002.all; attribute {name} of E : entity is \"{text}\"; end E;"
        )
    };
    let beside = [
        ("REGISTER_ASSEMBLY", "R ((A[1] "),
        ("REGISTER_ASSEMBLY", "R ((A IS R)), "),
        ("REGISTER_FIELDS", "R [1] ((A [1] IS (0) D("),
        ("REGISTER_FIELDS", "R [1] ((A [1] IS (0))), "),
        ("REGISTER_MNEMONICS", "G (A (1) <"),
        ("REGISTER_CONSTRAINTS", "a((a < "),
        ("REGISTER_CONSTRAINTS", "R ((a AND b) ERROR), "),
        ("REGISTER_ASSOCIATION", "a."),
        ("REGISTER_ASSOCIATION", "R (a:b, "),
        ("REGISTER_ASSOCIATION", "a : PORT (A), "),
        ("BOUNDARY_SEGMENT", "S [1] (0 (BC_1, *, internal, X), "),
        ("ISC_FLOW", "f initialize (a "),
        ("ISC_FLOW", "a "),
        ("ISC_FLOW", "f repeat 2 (A), "),
        ("ISC_ACTION", "a = (b c, "),
    ];
    let beside = beside.map(|(name, item)| new(name, item));
    let nul = "\0".repeat(1_000_000);
    let entities = "entity ".repeat(300_000);
    for text in [
        brackets, list, names, wide, attributes, maps, strangers, same, quotes, doubled, nul,
        entities,
    ]
    .into_iter()
    .chain(beside)
    {
        let start = std::time::Instant::now();
        let outcome = read(text.as_bytes());
        assert!(outcome.diagnostics.len() <= 2_001);
        assert!(
            start.elapsed().as_secs() < 20,
            "{}… took {:?}",
            &text[..160],
            start.elapsed()
        );
    }
}

/// Found by fuzzing: a length of thousands of millions made room for as many bits.
#[test]
fn lengths_beyond_reason_are_refused_by_name() {
    for (find, put) in [
        ("entity is 8;", "entity is 4000000000;"),
        ("BCR[2]", "BCR[4000000000]"),
    ] {
        assert!(OCTAL.contains(find), "{find}");
        let outcome = read(OCTAL.replacen(find, put, 1).as_bytes());
        let told: Vec<_> = outcome
            .diagnostics
            .iter()
            .filter(|d| d.severity == Severity::Error)
            .collect();
        assert!(told.len() == 1 && told[0].code == "B013", "{told:#?}");
        let device = outcome.device.unwrap();
        assert!(
            device.instruction_length <= 8
                && device
                    .registers
                    .iter()
                    .all(|r| r.length.is_none_or(|n| n <= 2))
        );
        assert_eq!(device.cells.len(), octal().cells.len());
    }
}

/// A wide port that stands in many pairs is not gone through once for each of them: a file of a megabyte took forty
/// minutes.
#[test]
fn many_pairs_of_wide_ports_are_read_in_good_time() {
    let pairs = vec!["(Q, R)"; 20_000].join(", ");
    let text = format!(
        "entity LOOM is\n port (Q, R : in bit_vector (0 to 65535));\n use STD_1149_1_2001.all;\n \
         attribute PORT_GROUPING of LOOM : entity is \"DIFFERENTIAL_VOLTAGE ({pairs})\";\nend LOOM;\n"
    );
    let start = std::time::Instant::now();
    let outcome = read(text.as_bytes());
    assert!(outcome.diagnostics.iter().any(|d| d.code == "B311"));
    assert_eq!(outcome.device.unwrap().groups[0].pairs.len(), 20_000);
    let took = start.elapsed();
    assert!(took.as_secs() < 10, "{took:?}");
}
