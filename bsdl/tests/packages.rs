//! Packages: the standard ones against the capture table in the code, and packages of users.

use taploom_bsdl::model::{CaptureMode, CaptureSource, CellFunction, CellKind, capture_source};
use taploom_bsdl::{Options, parse, parse_package, print, standard_package};

const MODES: [CaptureMode; 3] = [
    CaptureMode::Extest,
    CaptureMode::Sample,
    CaptureMode::Intest,
];

/// The package texts and the table in the code were typed apart from each other; they must say the same.
#[test]
fn standard_packages_agree_with_the_table() {
    let mut compared = 0;
    for name in [
        "STD_1149_1_1990",
        "std_1149_1_1994",
        "STD_1149_1_2001",
        "STD_1149_1_2013",
        "STD_1149_6_2003",
    ] {
        let text = standard_package(name).unwrap();
        let (packages, diagnostics) = parse_package(
            text.as_bytes(),
            &Options {
                strict: true,
                ..Options::default()
            },
        );
        assert_eq!(diagnostics, [], "{name}");
        assert_eq!(packages.len(), 1);
        for info in &packages[0].cells {
            let (kind, _) = CellKind::STANDARD
                .iter()
                .find(|(_, n)| *n == info.name)
                .unwrap();
            for (function, _) in CellFunction::ALL {
                for mode in MODES {
                    for driving in [false, true] {
                        assert_eq!(
                            info.capture_source(function, driving, mode),
                            capture_source(*kind, function, driving, mode),
                            "{name} {} {function:?} {mode:?} driving {driving}",
                            info.name
                        );
                        compared += 1;
                    }
                }
            }
        }
    }
    // 6, 8, 11, 11 and 6 cells.
    assert_eq!(compared, (6 + 8 + 11 + 11 + 6) * 9 * 3 * 2);
    let isc = parse_package(
        standard_package("STD_1532_2002").unwrap().as_bytes(),
        &Options::default(),
    )
    .0;
    assert!(isc[0].attributes.iter().any(|a| a == "ISC_PIN_BEHAVIOR"));
}

const CELLS: &str = "-- cells of a loom
use STD_1149_1_2001.all;
package LOOM_CELLS is
  type CARD_COLOUR is (RED, BLUE);
  type CARD is record
    HOLES : INTEGER;
  end record;
  attribute COLOUR_OF_LID : STRING;
  constant CARD_READER : CELL_INFO;
end LOOM_CELLS;
package body LOOM_CELLS is
  constant CARD_READER : CELL_INFO :=
    ((Bidir_In, EXTEST, PI), (Bidir_Out, EXTEST, ZERO),
     (Bidir_In, SAMPLE, PI), (Bidir_Out, SAMPLE, PO));
end package body LOOM_CELLS;
";

fn device(before: &str, after: &str) -> String {
    format!(
        "{before}entity LOOM is
  generic (PHYSICAL_PIN_MAP : string := \"D\");
  port (TDI, TMS, TCK : in bit; TDO : out bit; A : inout bit);
  use STD_1149_1_2001.all;
  use LOOM_CELLS.all;
  attribute COMPONENT_CONFORMANCE of LOOM : entity is \"STD_1149_1_2001\";
  attribute PIN_MAP of LOOM : entity is PHYSICAL_PIN_MAP;
  constant D : PIN_MAP_STRING := \"TDI : 1, TMS : 2, TCK : 3, TDO : 4, A : 5\";
  attribute TAP_SCAN_IN of TDI : signal is true;
  attribute TAP_SCAN_MODE of TMS : signal is true;
  attribute TAP_SCAN_OUT of TDO : signal is true;
  attribute TAP_SCAN_CLOCK of TCK : signal is (10.0e6, BOTH);
  attribute INSTRUCTION_LENGTH of LOOM : entity is 2;
  attribute INSTRUCTION_OPCODE of LOOM : entity is \"BYPASS (11), EXTEST (00), SAMPLE (01), PRELOAD (01)\";
  attribute INSTRUCTION_CAPTURE of LOOM : entity is \"01\";
  attribute BOUNDARY_LENGTH of LOOM : entity is 2;
  attribute BOUNDARY_REGISTER of LOOM : entity is
    \"1 (BC_2, *, control, 0), 0 (card_reader, A, bidir, X, 1, 0, Z)\";
  attribute COLOUR_OF_LID of LOOM : entity is \"blue\";
end LOOM;
{after}"
    )
}

#[test]
fn user_packages_explain_cells() {
    let (packages, diagnostics) = parse_package(CELLS.as_bytes(), &Options::default());
    assert_eq!(diagnostics, []);
    let given = Options {
        packages,
        strict: true,
        ..Options::default()
    };
    // Given by the caller, before the entity in the same file, or behind it.
    let texts = [
        (device("", ""), given),
        (device(CELLS, ""), Options::default()),
        (device("", CELLS), Options::default()),
    ];
    for (text, options) in texts {
        let outcome = parse(text.as_bytes(), &options);
        assert_eq!(outcome.diagnostics, [], "{text}");
        let device = outcome.device.unwrap();
        let cell = *device.cells_numbered(0).next().unwrap();
        let captured = |driving, mode| device.capture_source(&cell, driving, mode);
        assert_eq!(captured(false, CaptureMode::Extest), CaptureSource::Pi);
        assert_eq!(captured(true, CaptureMode::Extest), CaptureSource::Zero);
        assert_eq!(captured(true, CaptureMode::Sample), CaptureSource::Po);
        assert_eq!(captured(true, CaptureMode::Intest), CaptureSource::Unknown);
        // The printed text carries what it needs of the package.
        let printed = print(&device);
        let again = parse(printed.as_bytes(), &Options::default())
            .device
            .unwrap();
        assert!(device.same_model(&again), "{printed}");
    }
}

#[test]
fn without_the_package_its_cells_are_unknown() {
    let outcome = parse(device("", "").as_bytes(), &Options::default());
    assert_eq!(
        outcome
            .diagnostics
            .iter()
            .map(|d| d.code)
            .collect::<Vec<_>>(),
        ["B711"]
    );
    let device = outcome.device.unwrap();
    let cell = *device.cells_numbered(0).next().unwrap();
    assert_eq!(
        device.capture_source(&cell, false, CaptureMode::Extest),
        CaptureSource::Unknown
    );
}

#[test]
fn functions_outside_the_package_are_told() {
    let text = device(CELLS, "").replace("A, bidir, X, 1, 0, Z", "A, output3, X, 1, 0, Z");
    let outcome = parse(text.as_bytes(), &Options::default());
    assert!(
        outcome.diagnostics.iter().any(|d| d.code == "B617"),
        "{:?}",
        outcome.diagnostics
    );
}
