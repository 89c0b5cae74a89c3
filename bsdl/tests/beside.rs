//! Attributes of IEEE 1149.6, IEEE 1532 and IEEE 1149.1-2013, in the forms that facts of both give (from memory).

use taploom_bsdl::model::{AcTrain, OpenInput, PinBehavior, PortMode, Wait};
use taploom_bsdl::{Options, explain, parse, print};

/// The small file of the explanations (B015 lacks its end), with two more packages and these attributes at its end.
fn with(attributes: &str) -> String {
    let sample = explain("B015").unwrap().sample;
    let sample = sample.replace(
        "STD_1149_1_2001.all;\n",
        "STD_1149_1_2001.all;\n  use STD_1149_6_2003.all;\n  use STD_1532_2002.all;\n",
    );
    format!("{sample}{attributes}end LOOM;\n")
}

#[test]
fn typed_models_come_out_and_survive_printing() {
    let text = with(
        "  attribute AIO_COMPONENT_CONFORMANCE of LOOM : entity is \"STD_1149_6_2003\";
  attribute AIO_EXTEST_Pulse_Execution of LOOM : entity is \"Wait_Duration TCK 15\";
  attribute AIO_EXTEST_Train_Execution of LOOM : entity is \"train 30, maximum_time 120.0e-6\";
  attribute AIO_Pin_Behavior of LOOM : entity is
    \"A [3] : HP_time=1.0e-6, LP_time=5.0e-9; Q(0), Q(1) : On_Chip, AC_Select=2\";
  attribute ISC_CONFORMANCE of LOOM : entity is \"STD_1532_2002\";
  attribute ISC_PIN_BEHAVIOR of LOOM : entity is \"CLAMP\";
  attribute ISC_FIXED_SYSTEM_PINS of LOOM : entity is \"A, Q\";
  attribute ISC_STATUS of LOOM : entity is \"Not Implemented\";
  attribute ISC_BLANK_USERCODE of LOOM : entity is \"11111111111111111111111111111111\";
  attribute ISC_SECURITY of LOOM : entity is \"DISABLE_READ 4, DISABLE_PROGRAM 5\";
  attribute ISC_ILLEGAL_EXIT of LOOM : entity is \"WEAVE\";
  attribute ISC_FLOW of LOOM : entity is \"flow_program(array) initialize = (WEAVE WAIT TCK 1)\";
",
    );
    let outcome = parse(text.as_bytes(), &Options::default());
    assert_eq!(outcome.diagnostics, [], "{text}");
    let device = outcome.device.unwrap();
    let ac = device.ac_test.as_ref().unwrap();
    assert_eq!(ac.conformance.as_deref(), Some("STD_1149_6_2003"));
    assert_eq!(
        ac.pulse,
        [Wait::Cycles {
            port: "TCK".into(),
            count: 15
        }]
    );
    assert_eq!(
        ac.train,
        Some(AcTrain {
            pulses: 30,
            max_seconds: Some(120.0e-6)
        })
    );
    let pins: Vec<_> = ac
        .pins
        .iter()
        .map(|p| (device.bit_name(p.port), p.cell, p.on_chip, p.ac_select))
        .collect();
    let expected = [
        ("A", Some(3), false, None),
        ("Q(0)", None, true, Some(2)),
        ("Q(1)", None, true, Some(2)),
    ];
    assert_eq!(
        pins,
        expected.map(|(name, cell, chip, select)| (name.to_owned(), cell, chip, select))
    );
    assert_eq!(
        (ac.pins[0].high_pass_seconds, ac.pins[0].low_pass_seconds),
        (Some(1.0e-6), Some(5.0e-9))
    );
    assert_eq!(&text[ac.pins[1].span.range()], "Q(0)");
    let isc = device.system_configuration.as_ref().unwrap();
    assert_eq!(
        (isc.pin_behavior, isc.status),
        (Some(PinBehavior::Clamp), Some(false))
    );
    assert_eq!(isc.fixed_pins.len(), 2);
    assert_eq!(
        isc.security,
        [
            ("DISABLE_READ".to_owned(), 4),
            ("DISABLE_PROGRAM".to_owned(), 5)
        ]
    );
    assert_eq!(isc.illegal_exit, ["WEAVE"]);
    assert_eq!(
        isc.blank_usercode.as_ref().unwrap().value_with_x_as(false),
        Some(0xffff_ffff)
    );
    // Flows stay text.
    assert!(
        device
            .extensions
            .iter()
            .any(|e| e.name == "ISC_FLOW" && e.value.as_ref().unwrap().contains("WAIT"))
    );
    let again = parse(print(&device).as_bytes(), &Options::default())
        .device
        .unwrap();
    assert!(device.same_model(&again), "{}", print(&device));
}

#[test]
fn faults_in_them_are_warnings() {
    let text = with(
        "  attribute AIO_Pin_Behavior of LOOM : entity is \"A : LOUD\";
  attribute ISC_SECURITY of LOOM : entity is \"DISABLE_READ four\";
  attribute ISC_FIXED_SYSTEM_PINS of LOOM : entity is \"A, B\";
",
    );
    let outcome = parse(
        text.as_bytes(),
        &Options {
            strict: true,
            ..Options::default()
        },
    );
    assert!(!outcome.has_errors());
    let codes: Vec<_> = outcome.diagnostics.iter().map(|d| d.code).collect();
    assert_eq!(codes, ["B017", "B017", "B720"]);
}

/// The 2013 edition: port modes and the attributes whose shapes facts 3.4 gives (from memory).
#[test]
fn the_2013_edition_is_described() {
    let text = with(
        "  attribute REGISTER_MNEMONICS of LOOM : entity is
    \"Card (Blank (0b0000) <no holes>, \" &
    \"Full (0xF))\";
  attribute REGISTER_FIELDS of LOOM : entity is
    \"PATTERN [4] ((HOLES [3] IS (3 DOWNTO 2, 0) DEFAULT (Card(Blank)) NOPI), (EDGE [1] IS (1)))\";
  attribute POWER_PORT_ASSOCIATION of LOOM : entity is \"SUPPLY : (A, Q)\";
  attribute SYSCLOCK_REQUIREMENTS of LOOM : entity is \"(A, 1.0e3, 2.0e6, WEAVE)\";
  attribute REGISTER_CONSTRAINTS of LOOM : entity is \"whatever it says\";
",
    );
    let text = text
        .replace("use STD_1149_1_2001", "use STD_1149_1_2013")
        .replace("\"STD_1149_1_2001\"", "\"STD_1149_1_2013\"");
    let text = text.replace(
        "SUPPLY, GROUND : linkage bit",
        "SUPPLY : POWER_POS bit; GROUND : POWER_0 bit",
    );
    let text = text
        .replace("A, input, X)", "A, input, X, OPEN1)")
        .replace("\"PATTERN[4] (WEAVE)\"", "\"PATTERN (WEAVE)\"");
    let outcome = parse(text.as_bytes(), &Options::default());
    assert_eq!(outcome.diagnostics, [], "{text}");
    let device = outcome.device.unwrap();
    assert_eq!(device.open_inputs, [(0, OpenInput::Open1)]);
    let weave = device
        .register_for(device.instruction("WEAVE").unwrap())
        .unwrap();
    assert_eq!(device.register_length(weave), Some(4));
    assert_eq!(device.port("SUPPLY").unwrap().mode, PortMode::PowerPos);
    let new = device.description.as_ref().unwrap();
    assert_eq!(new.mnemonics[0].values[0].note.as_deref(), Some("no holes"));
    let fields: Vec<_> = new.registers[0]
        .fields
        .iter()
        .map(|f| (f.name.as_str(), f.width, f.bits.len()))
        .collect();
    assert_eq!(fields, [("HOLES", 3, 2), ("EDGE", 1, 1)]);
    assert_eq!(device.bit_name(new.power[0].power), "SUPPLY");
    assert_eq!((new.power[0].ports.len(), new.clocks[0].max_hz), (2, 2.0e6));
    let again = parse(print(&device).as_bytes(), &Options::default())
        .device
        .unwrap();
    assert!(device.same_model(&again), "{}", print(&device));
}

/// Found by fuzzing: of several values for one name the first string counts, for the model and for the printer.
#[test]
fn the_first_string_counts() {
    let text = with(
        "  attribute ISC_PIN_BEHAVIOR of LOOM : entity is 7;
  attribute ISC_PIN_BEHAVIOR of LOOM : entity is \"CLAMP\";
  attribute ISC_PIN_BEHAVIOR of LOOM : entity is \"HIGHZ\";
",
    );
    let device = parse(text.as_bytes(), &Options::default()).device.unwrap();
    assert_eq!(
        device.system_configuration.as_ref().unwrap().pin_behavior,
        Some(PinBehavior::Clamp)
    );
    let again = parse(print(&device).as_bytes(), &Options::default())
        .device
        .unwrap();
    assert!(device.same_model(&again));
}
