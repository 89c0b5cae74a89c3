//! Attributes of IEEE 1149.6, IEEE 1532 and IEEE 1149.1-2013, in the forms that facts of both give (from memory).

use taploom_bsdl::model::{
    AcTrain, AssemblyPart, AssociationItem, BlockKind, FieldValue, Gravity, OpenInput, PinBehavior,
    PortMode, Range, Wait,
};
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
  attribute ISC_FLOW of LOOM : entity is
    \"flow_program(array) initialize (WEAVE 4:$row=0 WAIT TCK 1), (WEAVE 4:? WAIT 1.0e-3 4:A*F) \" &
    \"repeat 7 (WEAVE), flow_done terminate (BYPASS)\";
  attribute ISC_PROCEDURE of LOOM : entity is \"proc_program(array) = (flow_program(array), flow_done)\";
  attribute ISC_ACTION of LOOM : entity is \"program = (proc_program(array) recommended)\";
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
    let flow = &isc.flows[0];
    assert_eq!(
        (isc.flows.len(), flow.name.data.as_deref()),
        (2, Some("array"))
    );
    assert_eq!(flow.blocks[1].kind, BlockKind::Repeat(7));
    let step = &flow.blocks[0].steps[1];
    assert_eq!(
        (step.updates[0].width, &*step.updates[0].data),
        (Some(4), "?")
    );
    assert_eq!(
        (&step.wait[..], &*step.captures[0].data),
        (&[Wait::Seconds(1.0e-3)][..], "A*F")
    );
    assert_eq!(&text[step.span.range()], "WEAVE");
    assert_eq!(isc.procedures[0].flows[1].name, "flow_done");
    assert_eq!(isc.actions[0].procedures[0].words, ["recommended"]);
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

/// The 2013 edition: port modes and the attributes of its register description (IEEE 1149.1-2013, from memory).
#[test]
fn the_2013_edition_is_described() {
    let text = with(
        "  attribute REGISTER_MNEMONICS of LOOM : entity is
    \"Card (Blank (0b0000) <no holes>, \" &
    \"Full (0xF))\";
  attribute REGISTER_FIELDS of LOOM : entity is
    \"PATTERN [4] ((HOLES [3] IS (3 DOWNTO 2, 0) DEFAULT (Card(Blank)) SAFE(0b011) NOPI), (EDGE [1] IS (1)))\";
  attribute POWER_PORT_ASSOCIATION of LOOM : entity is \"SUPPLY : (A, Q)\";
  attribute SYSCLOCK_REQUIREMENTS of LOOM : entity is \"(A, 1.0e3, 2.0e6, WEAVE)\";
  attribute REGISTER_ASSEMBLY of LOOM : entity is
    \"CARDS ((FIRST IS PATTERN), (OTHERS(1 to 2) IS PATTERN), (GATE [1] RESETVAL(0b0)), \" &
    \"(SelectMux (FIRST, OTHERS) SelectField (GATE)))\";
  attribute REGISTER_CONSTRAINTS of LOOM : entity is
    \"PATTERN ((HOLES /= Card(Full) OR EDGE) WARNING <a card of nothing but holes tears>)\";
  attribute REGISTER_ASSOCIATION of LOOM : entity is
    \"PATTERN.HOLES : PORT (Q(0), Q(1)), UNIT (mm 4.5), INFO <punched>, EDGE : CLOCK (A)\";
  attribute BOUNDARY_SEGMENT of LOOM : entity is
    \"NEEDLES [2] (1 (BC_2, *, control, 1), 0 (LACE, Q(0), output3, X, 1, 1, Z))\";
  attribute ASSEMBLED_BOUNDARY_LENGTH of LOOM : entity is (4, 6);
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
    let holes = &new.registers[0].fields[0];
    assert_eq!(
        holes.value("default"),
        Some(FieldValue::Named("Card".into(), "Blank".into()))
    );
    assert!(matches!(holes.value("SAFE"), Some(FieldValue::Bits(b)) if b.to_string() == "011"));
    assert_eq!(
        (holes.property("nopi"), holes.property("MON")),
        (Some(""), None)
    );
    assert_eq!(
        new.mnemonic("card", "FULL")
            .unwrap()
            .bits()
            .unwrap()
            .to_string(),
        "1111"
    );
    let cards = &new.assemblies[0];
    let AssemblyPart::Segment(others) = &cards.parts[1] else {
        panic!("{cards:?}")
    };
    assert_eq!(
        (others.kind.as_deref(), others.range),
        (Some("PATTERN"), Some(Range { left: 1, right: 2 }))
    );
    assert!(
        matches!(&cards.parts[3], AssemblyPart::Choice { properties, .. } if properties.len() == 2)
    );
    let constraint = &new.constraints[0];
    assert_eq!(
        (&constraint.fields[..], constraint.gravity),
        (
            &["HOLES".to_owned(), "EDGE".to_owned()][..],
            Gravity::Warning
        )
    );
    let [holes, edge] = &new.associations[..] else {
        panic!("{:?}", new.associations)
    };
    assert_eq!(
        (&*holes.path, &text[edge.span.range()]),
        ("PATTERN.HOLES", "EDGE")
    );
    assert_eq!(
        holes.items[1..],
        [
            AssociationItem::Unit("mm 4.5".into()),
            AssociationItem::Info("punched".into())
        ]
    );
    assert!(matches!(&holes.items[0], AssociationItem::Ports(ports) if ports.len() == 2));
    let needles = &new.segments[0];
    assert_eq!(
        (needles.length, device.cell_name(needles.cells[1].kind)),
        (2, "LACE")
    );
    assert_eq!(
        new.assembled_length.map(|l| (l.after_reset, l.all)),
        Some((4, 6))
    );
    assert_eq!(device.bit_name(new.power[0].power), "SUPPLY");
    assert_eq!((new.power[0].ports.len(), new.clocks[0].max_hz), (2, 2.0e6));
    let again = parse(print(&device).as_bytes(), &Options::default())
        .device
        .unwrap();
    assert!(device.same_model(&again), "{}", print(&device));
}

/// Faults in what the 2013 edition and 1532 add: each is told at its place, as a warning, also in strict reading.
#[test]
fn faults_in_registers_and_flows_are_told() {
    let fields = "REGISTER_FIELDS of LOOM : entity is \"PATTERN [4] ((HOLES [3] IS (3 DOWNTO 1)), (EDGE [1] IS (0)))\"";
    #[rustfmt::skip] // one row a line
    let faults: &[(&str, &str, &str)] = &[
        ("REGISTER_FIELDS of LOOM : entity is \"PATTERN [4] ((HOLES [3] IS (3 DOWNTO 1)), (EDGE [2] IS (1, 0)))\"", "B721", "EDGE"),
        ("REGISTER_FIELDS of LOOM : entity is \"PATTERN [4] ((HOLES [4] IS (3 DOWNTO 0) DEFAULT(Card(Torn))))\"", "B722", "HOLES"),
        ("REGISTER_CONSTRAINTS of LOOM : entity is \"PATTERN ((HOLES == 1 AND HOLE == 0))\"", "B722", "HOLES == 1 AND HOLE == 0"),
        ("REGISTER_CONSTRAINTS of LOOM : entity is \"PATERN ((HOLES == 1))\"", "B722", "HOLES == 1"),
        ("REGISTER_ASSOCIATION of LOOM : entity is \"SLEEVE : INFO <long>\"", "B722", "SLEEVE"),
        ("REGISTER_ASSOCIATION of LOOM : entity is \"HOLES : PORT (B)\"", "B720", "B"),
        ("REGISTER_ASSEMBLY of LOOM : entity is \"CARDS [9] ((A IS PATTERN), (B IS PATTERN))\"", "B723", "CARDS"),
        ("REGISTER_ASSEMBLY of LOOM : entity is \"CARDS ((A IS PATERN))\"", "B722", "A"),
        ("REGISTER_ASSEMBLY of LOOM : entity is \"CARDS (A IS PATTERN)\"", "B017", "A"),
        ("BOUNDARY_SEGMENT of LOOM : entity is \"EDGES [2] (0 (BC_1, A, input, X))\"", "B723", "EDGES"),
        ("BOUNDARY_SEGMENT of LOOM : entity is \"EDGES [1] (0 (BC_1, Q(0), output3, X, 7, 1, Z))\"", "B722", "0 (BC_1, Q(0), output3, X, 7, 1, Z)"),
        ("BOUNDARY_SEGMENT of LOOM : entity is \"EDGES [1] (0 (BC_1, C, input, X))\"", "B720", "C"),
        ("ASSEMBLED_BOUNDARY_LENGTH of LOOM : entity is (9, 4)", "B723", "(9, 4)"),
        ("ASSEMBLED_BOUNDARY_LENGTH of LOOM : entity is \"four\"", "B017", "four"),
        ("ISC_FLOW of LOOM : entity is \"f initialize (KNIT)\"", "B722", "KNIT"),
        ("ISC_FLOW of LOOM : entity is \"f initialize WEAVE\"", "B017", "WEAVE"),
    ];
    let strict = Options {
        strict: true,
        ..Options::default()
    };
    for (attribute, code, place) in faults {
        let own = attribute.starts_with("REGISTER_FIELDS");
        let before = if own {
            String::new()
        } else {
            format!("  attribute {fields};\n")
        };
        let mnemonics =
            "  attribute REGISTER_MNEMONICS of LOOM : entity is \"Card (Blank (0b0000))\";\n";
        let text = with(&format!("{mnemonics}{before}  attribute {attribute};\n"));
        let text = text.replace("STD_1149_1_2001", "STD_1149_1_2013");
        let outcome = parse(text.as_bytes(), &strict);
        let told: Vec<_> = outcome
            .diagnostics
            .iter()
            .map(|d| (d.code, &text[d.primary.range()]))
            .collect();
        assert!(told.contains(&(*code, *place)), "{attribute}: {told:?}");
        assert!(
            !outcome.has_errors() && told.len() <= 2,
            "{attribute}: {told:?}"
        );
        let device = outcome.device.unwrap();
        let again = parse(print(&device).as_bytes(), &strict).device.unwrap();
        assert!(device.same_model(&again), "{}", print(&device));
    }
}

/// A package of the 2013 edition brings registers and values along, and what uses them is checked against it.
#[test]
fn packages_bring_registers() {
    let package = "package YARN is
      use STD_1149_1_2013.all;
      attribute REGISTER_MNEMONICS of YARN : package is \"Ply (TWO (0b00), FOUR (0b01))\";
      attribute REGISTER_FIELDS of YARN : package is \"SKEIN [3] ((PLY [2] IS (2 DOWNTO 1) DEFAULT(Ply(TWO))), (DYED [1] IS (0)))\";
      attribute REGISTER_ASSEMBLY of YARN : package is \"BALE [6] ((A IS SKEIN), (B IS SKEIN))\";
      constant COLOUR : STRING := \"re\" & \"d\";
    end YARN;";
    let (packages, diagnostics) =
        taploom_bsdl::parse_package(package.as_bytes(), &Options::default());
    assert_eq!(diagnostics, []);
    let yarn = &packages[0];
    assert_eq!(
        (
            yarn.mnemonics.len(),
            yarn.registers[0].fields.len(),
            yarn.assemblies[0].parts.len()
        ),
        (1, 2, 2)
    );
    assert_eq!(yarn.constants, [("COLOUR".to_owned(), "red".to_owned())]);
    let text = |length: u32, kind: &str| {
        let text = format!(
            "  attribute REGISTER_ASSEMBLY of LOOM : entity is \"CARDS [{length}] ((USING YARN), (A IS {kind}), (B IS BALE))\";\n"
        );
        let text = with(&text).replace("STD_1149_1_2001", "STD_1149_1_2013");
        text.replace("  use STD_1149_6_2003.all;\n", "  use YARN.all;\n")
    };
    let options = Options {
        packages,
        ..Options::default()
    };
    let told = |text: String| -> Vec<&'static str> {
        let diagnostics = parse(text.as_bytes(), &options).diagnostics;
        diagnostics.iter().map(|d| d.code).collect()
    };
    assert_eq!(told(text(9, "SKEIN")), [""; 0]);
    assert_eq!(told(text(8, "SKEIN")), ["B723"]);
    assert_eq!(told(text(9, "SKIEN")), ["B722"]);
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
