//! Statements in every form, departures, errors.

use super::*;
use crate::bits::Bits;
use crate::tap::TapState;

fn read(text: &str, strict: bool) -> Result<(Vec<Statement>, Vec<Warned>), SvfError> {
    let mut reader = Reader::new(
        text.as_bytes(),
        Limits {
            strict,
            ..Limits::default()
        },
    );
    let mut all = Vec::new();
    while let Some(located) = reader.next_statement()? {
        all.push(located.statement);
    }
    Ok((all, reader.warnings().to_vec()))
}

fn scan(text: &str) -> ScanText {
    match read(text, true).unwrap().0.remove(0) {
        Statement::Scan(_, scan) | Statement::Pad(_, _, scan) => scan,
        other => panic!("{other:?}"),
    }
}

#[test]
fn the_worked_file_of_the_specification() {
    // Serial Vector Format Specification, revision E, worked file: the statements.
    let text = "TRST OFF; ENDIR IDLE; ENDDR IDLE; HIR 8 TDI (00); HDR 16 TDI (FFFF) TDO (FFFF) MASK (FFFF); \
        TIR 16 TDI (0000); TDR 8 TDI (12); SIR 8 TDI (41); SDR 32 TDI (ABCD1234) TDO (11112222); \
        STATE DRPAUSE; RUNTEST 100 TCK ENDSTATE IRPAUSE;";
    let (all, warned) = read(text, true).unwrap();
    assert!(warned.is_empty());
    let commands: Vec<&str> = all.iter().map(Statement::command).collect();
    assert_eq!(
        commands.join(" "),
        "TRST ENDIR ENDDR HIR HDR TIR TDR SIR SDR STATE RUNTEST"
    );
    let Statement::Scan(Edge::Dr, sdr) = &all[8] else {
        panic!()
    };
    assert_eq!(sdr.tdi.as_ref().unwrap().get_u64(0, 32), 0xABCD_1234);
    assert_eq!(sdr.tdo.as_ref().unwrap().get_u64(0, 32), 0x1111_2222);
    assert_eq!(
        all[10],
        Statement::RunTest(RunTest {
            clocks: Some((100, true)),
            end_state: Some(TapState::PauseIr),
            ..RunTest::default()
        })
    );
}

#[test]
fn values_of_every_digit_count_and_across_buffers() {
    assert_eq!(scan("SDR 12 TDI (abc);").tdi.unwrap().get_u64(0, 12), 0xabc);
    assert_eq!(
        scan("sdr 13 tdi (0 a\n b c) ;").tdi.unwrap().get_u64(0, 13),
        0xabc
    );
    assert_eq!(scan("SDR 5 TDI (1F);").tdi.unwrap(), Bits::ones(5));
    assert_eq!(
        scan("SDR 9 TDI (! why\n 00000001FF // end\n);")
            .tdi
            .unwrap(),
        Bits::ones(9)
    );
    // Longer than the buffer, odd number of digits, blanks at odd places.
    let digits: String = (0..200_001u32)
        .map(|i| char::from_digit(i * 7 % 16, 16).unwrap())
        .collect();
    let spaced: String = digits
        .char_indices()
        .flat_map(|(i, c)| {
            [c, if i % 97 == 3 { '\n' } else { c }]
                .into_iter()
                .take(1 + usize::from(i % 97 == 3))
        })
        .collect();
    let bits = scan(&format!("SDR {} TDI ({spaced});", digits.len() * 4))
        .tdi
        .unwrap();
    assert_eq!(bits.to_hex().to_ascii_lowercase(), digits);
}

#[test]
fn departures_are_warned_of_or_refused() {
    let (all, warned) = read("RUNTEST IDLE 5 TCK 1,5E-02 SEC; RUNTEST 2,0 SEC;", false).unwrap();
    assert_eq!(
        all[0],
        Statement::RunTest(RunTest {
            run_state: Some(TapState::RunTestIdle),
            clocks: Some((5, true)),
            min_seconds: Some(0.015),
            ..RunTest::default()
        })
    );
    assert_eq!(
        (warned[0].warning, warned[0].times),
        (SvfWarning::DecimalComma, 2)
    );
    let (all, warned) = read("SDR 3 TDI (F); LOOP 2; ENDLOOP;", false).unwrap();
    assert_eq!(warned.len(), 2);
    assert!(matches!(&all[0], Statement::Scan(_, s) if s.tdi == Some(Bits::ones(3))));
    for text in ["RUNTEST 1,5 SEC;", "SDR 3 TDI (F);", "LOOP 2;"] {
        read(text, true).unwrap_err();
    }
}

#[test]
fn errors_name_place_cause_and_what_was_expected() {
    for (text, message) in [
        (
            "SDR 8 TDI (FF)",
            "line 1, column 15: the file ends inside a statement that began at line 1, column 1: is it cut off?",
        ),
        (
            "\n  SDX 8;",
            "line 2, column 3: 'SDX' is no command of the Serial Vector Format",
        ),
        (
            "SDR 8 TDI FF;",
            "line 1, column 11: expected a value in parentheses, found 'FF'",
        ),
        (
            "SDR 8 TDI (FG);",
            "line 1, column 13: expected a hexadecimal digit or ')', found 'G'",
        ),
        (
            "SDR 8 TDI ();",
            "line 1, column 12: expected a hexadecimal digit, found ')'",
        ),
        ("SDR -1;", "line 1, column 5: '-1' is no length in bits"),
        (
            "SDR 4294967296 TDI (0);",
            "line 1, column 5: '4294967296' is no length in bits",
        ),
        (
            "SDR 4294967295 TDI (0);",
            "line 1, column 21: a statement with more than 16777216 bytes of scan data is not read",
        ),
        (
            "STATE DRPAUSE IDLE;",
            "line 1, column 15: IDLE does not follow DRPAUSE in the state diagram",
        ),
        (
            "ENDDR DRSHIFT;",
            "line 1, column 7: DRSHIFT is not stable: RESET, IDLE, DRPAUSE and IRPAUSE are",
        ),
        (
            "RUNTEST IDLE TCK;",
            "line 1, column 17: expected TCK, SCK or SEC, found ';'",
        ),
        (
            "RUNTEST 1E400 SEC;",
            "line 1, column 9: '1E400' is no time in seconds",
        ),
        ("FREQUENCY 0 HZ;", "line 1, column 11: 0 is no rate above 0"),
        (
            "SDR 4 TDI (0) TDI (1);",
            "line 1, column 15: expected each of TDI, TDO, MASK and SMASK once at most, found a second one",
        ),
        (
            "TRST MAYBE;",
            "line 1, column 6: expected ON, OFF, Z or ABSENT, found 'MAYBE'",
        ),
        (
            "PIO (HQ);",
            "line 1, column 6: expected H, L, Z, U, D or X, found 'HQ'",
        ),
        (
            "/ STATE IDLE;",
            "line 1, column 1: expected '//' for a comment, found '/' and the byte 20",
        ),
        (
            "SDR 4 \u{e4};",
            "line 1, column 7: expected a word or a number, found the byte C3",
        ),
    ] {
        assert_eq!(
            read(text, false).unwrap_err().to_string(),
            message,
            "{text}"
        );
    }
}

#[test]
fn every_other_form_is_read() {
    let (all, _) = read(
        "FREQUENCY; FREQUENCY 1E6 HZ; TRST ABSENT; ;; PIOMAP (IN a OUT b INOUT c); PIO (HL ZUDX);
         STATE DREXIT2 DRUPDATE DRSELECT IRSELECT IRCAPTURE IREXIT1 IRPAUSE;
         RUNTEST DRPAUSE 10 SCK 1.0 SEC MAXIMUM 2.0 SEC ENDSTATE IDLE; RUNTEST 1E-3 SEC; RUNTEST 1E3 TCK;",
        true,
    )
    .unwrap();
    assert_eq!(all[1], Statement::Frequency(Some(1e6)));
    assert!(
        matches!(&all[3], Statement::PioMap(m) if m.len() == 3 && m[2] == ("INOUT".into(), "c".into()))
    );
    assert!(matches!(&all[4], Statement::Pio(l) if l.len() == 6 && l[5] == PioLevel::Any));
    assert!(matches!(&all[5], Statement::State(p) if p.len() == 7));
    assert_eq!(
        all[6],
        Statement::RunTest(RunTest {
            run_state: Some(TapState::PauseDr),
            clocks: Some((10, false)),
            min_seconds: Some(1.0),
            max_seconds: Some(2.0),
            end_state: Some(TapState::RunTestIdle),
        })
    );
    assert!(matches!(&all[8], Statement::RunTest(r) if r.clocks == Some((1000, true))));
}
