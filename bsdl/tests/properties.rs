//! Properties that hold for any input: no panic, spans inside the text, printed text reads as the same model.

use proptest::prelude::*;
use proptest::sample::Index;
use taploom_bsdl::{LineIndex, Options, Outcome, parse, print};

const OCTAL: &[u8] = include_bytes!("../../fixtures/bsdl/octal_8374.bsd");

/// Pieces that mean something to the reader, so that broken files break in interesting places.
const PIECES: &[&str] = &[
    ";",
    "&",
    ",",
    "\"",
    "\"\"",
    "(",
    ")",
    "[",
    "]",
    ":",
    ":=",
    "*",
    "--",
    "\n",
    "\r\n",
    "\r",
    "<>",
    "'",
    "\0",
    "\u{e9}",
    "end",
    "entity",
    "port",
    "attribute",
    "constant",
    "use",
    "generic",
    "is",
    "of",
    " : entity is ",
    "bit",
    "bit_vector",
    "(0 to 4294967295)",
    "(0 to 70000)",
    "4294967296",
    "99999999999999999999",
    "10.0e6",
    "1e999",
    "X",
    "01",
    "BC_1",
    "BC_7",
    "input",
    "bidir",
    "output3",
    "control",
    "WEAK1",
    "BSDL_EXTENSION",
    "BOUNDARY_LENGTH",
    "REGISTER_ACCESS",
    "CAPTURES",
    "Wait_Duration (TCK 5, 0.1)",
    "RUNBIST",
    "OCTAL_8374",
    "TDI",
    "Q(1)",
    "D",
    "package",
    "body",
    "CELL_INFO",
    "(INPUT, EXTEST, PI)",
    "(BIDIR_OUT, SAMPLE, PO)",
    "=>",
    "use LOOM_CELLS.all;",
    "CARD",
    "package LOOM_CELLS is constant CARD : CELL_INFO := ((INPUT, EXTEST, PI), (INPUT, SAMPLE, ONE)); end LOOM_CELLS;\n",
    "use STD_1149_6_2003.all; use STD_1532_2002.all;",
    "attribute AIO_Pin_Behavior of OCTAL_8374 : entity is \"D(1) [15], Q : HP_time=1.0e-9, On_Chip, AC_Select=7; CLK : LP_time=2\";",
    "attribute AIO_EXTEST_Pulse_Execution of OCTAL_8374 : entity is \"Wait_Duration TCK 15\";",
    "attribute AIO_EXTEST_Train_Execution of OCTAL_8374 : entity is \"train 30, maximum_time 120.0e-6\";",
    "attribute ISC_SECURITY of OCTAL_8374 : entity is \"DISABLE_READ 1, DISABLE_KEY 2\";",
    "attribute ISC_FIXED_SYSTEM_PINS of OCTAL_8374 : entity is \"CLK, D\";",
    "use STD_1149_1_2013.all;",
    "attribute REGISTER_FIELDS of OCTAL_8374 : entity is \"BCR [2] ((MODE [2] IS (1 DOWNTO 0) DEFAULT(M(A)) NOPI))\";",
    "attribute REGISTER_MNEMONICS of OCTAL_8374 : entity is \"M (A (0b00) <rest>, B (1))\";",
    "attribute POWER_PORT_ASSOCIATION of OCTAL_8374 : entity is \"VCC : (D, Q(1))\";",
    "attribute SYSCLOCK_REQUIREMENTS of OCTAL_8374 : entity is \"(CLK, 1.0, 2.0e6, RUNT)\";",
    "attribute NOTE of OCTAL_8374 : entity is \"a \"\"quoted\"\" word\";",
    "attribute LID : BSDL_EXTENSION; attribute LID of OCTAL_8374 : entity is \"blue\";",
    "attribute PORT_GROUPING of OCTAL_8374 : entity is \"DIFFERENTIAL_VOLTAGE ((D, Q), (CLK, OC_NEG))\";",
    "attribute COMPLIANCE_PATTERNS of OCTAL_8374 : entity is \"(CLK, D(1)) (10, X1)\";",
    "attribute INTEST_EXECUTION of OCTAL_8374 : entity is \"Wait_Duration (TCK 7), Observing HIGHZ At_Pins\";",
    "attribute IDCODE_REGISTER of OCTAL_8374 : entity is \"XXXX\" & \"0100110001001111\" & \"00000011001\" & \"1\";",
    "attribute DESIGN_WARNING of OCTAL_8374 : entity is \"look out\";",
];

#[derive(Debug, Clone)]
enum Edit {
    Insert(Index, usize),
    Cut(Index, usize),
    Copy(Index, Index, usize),
    Flip(Index, u8),
}

fn edit() -> impl Strategy<Value = Edit> {
    prop_oneof![
        (any::<Index>(), 0..PIECES.len()).prop_map(|(at, piece)| Edit::Insert(at, piece)),
        (any::<Index>(), 1..40usize).prop_map(|(at, len)| Edit::Cut(at, len)),
        (any::<Index>(), any::<Index>(), 1..200usize)
            .prop_map(|(from, to, len)| Edit::Copy(from, to, len)),
        (any::<Index>(), any::<u8>()).prop_map(|(at, byte)| Edit::Flip(at, byte)),
    ]
}

fn edited(edits: &[Edit]) -> Vec<u8> {
    let mut text = OCTAL.to_vec();
    for edit in edits {
        let len = text.len();
        match edit {
            Edit::Insert(at, piece) => {
                let at = at.index(len + 1);
                text.splice(at..at, PIECES[*piece].bytes());
            }
            Edit::Cut(at, cut) => {
                let at = at.index(len);
                text.drain(at..(at + cut).min(len));
            }
            Edit::Copy(from, to, count) => {
                let from = from.index(len);
                let piece = text[from..(from + count).min(len)].to_vec();
                let to = to.index(len + 1);
                text.splice(to..to, piece);
            }
            Edit::Flip(at, byte) => {
                let at = at.index(len);
                text[at] = *byte;
            }
        }
        if text.is_empty() {
            break;
        }
    }
    text
}

/// What must hold of any outcome.
fn hold(bytes: &[u8], outcome: &Outcome) -> Result<(), TestCaseError> {
    let lines = LineIndex::new(bytes);
    for d in &outcome.diagnostics {
        for span in std::iter::once(d.primary).chain(d.secondary.iter().map(|(s, _)| *s)) {
            prop_assert!(
                span.start <= span.end && span.end as usize <= bytes.len(),
                "{d:?}"
            );
        }
        prop_assert!(lines.place(d.primary.start).line as usize <= lines.lines());
        prop_assert!(!d.message.ends_with('.') && !d.message.is_empty(), "{d:?}");
    }
    prop_assert!(outcome.device.is_some() || outcome.has_errors());
    let Some(device) = &outcome.device else {
        return Ok(());
    };
    let printed = print(device);
    let again = parse(printed.as_bytes(), &Options::default()).device;
    prop_assert!(
        again.as_ref().is_some_and(|a| device.same_model(a)),
        "printed:\n{printed}\nfrom {device:#?}\nto {again:#?}"
    );
    // Questions never panic, whatever the model holds.
    for (position, _) in device.ports.iter().enumerate() {
        for bit in device.bits_of(position as u32).take(100) {
            let _ = (
                device.pin_cells(bit),
                device.siblings(bit),
                device.differential_partner(bit),
            );
            prop_assert_eq!(device.bit(&device.bit_name(bit)), Some(bit));
        }
    }
    Ok(())
}

/// 2,000 cases each, or as many as `PROPTEST_CASES` says.
fn config() -> ProptestConfig {
    let cases = std::env::var("PROPTEST_CASES")
        .ok()
        .and_then(|n| n.parse().ok())
        .unwrap_or(2000);
    ProptestConfig {
        cases,
        failure_persistence: None,
        ..ProptestConfig::default()
    }
}

proptest! {
    #![proptest_config(config())]

    #[test]
    fn broken_files_never_break_the_reader(edits in prop::collection::vec(edit(), 1..12)) {
        let bytes = edited(&edits);
        let outcome = parse(&bytes, &Options::default());
        hold(&bytes, &outcome)?;
    }

    #[test]
    fn any_bytes_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let outcome = parse(&bytes, &Options { strict: true, ..Options::default() });
        hold(&bytes, &outcome)?;
    }

    #[test]
    fn any_sequence_of_pieces_is_read_or_refused(pieces in prop::collection::vec(0..PIECES.len(), 0..120)) {
        let text: String = pieces.iter().map(|i| format!("{} ", PIECES[*i])).collect();
        let text = format!("entity E is {text}");
        let outcome = parse(text.as_bytes(), &Options::default());
        hold(text.as_bytes(), &outcome)?;
    }
}
