//! `drive`: levels, levels read, tables of vectors.

use super::{AS_DRAWN, BOARD, FOLDER, Scratch, on_bench, root, taploom, unharmed};

#[test]
fn levels_arrive_at_the_other_end_of_the_wire_and_are_released() {
    for (level, read) in [("high", 1), ("low", 0)] {
        let arguments = [
            "drive",
            BOARD,
            &format!("W25={level}"),
            "--sense",
            "A8",
            "--for",
            "0.2",
        ];
        let (exit, document) = on_bench(&arguments, AS_DRAWN);
        assert_eq!(exit, 0, "{document:#}");
        assert_eq!(document["driven"][0]["pin"], "U1.12");
        assert_eq!(
            document["sensed"][0]["pin"], "U5.37",
            "heard at the other end"
        );
        assert_eq!(document["sensed"][0]["level"], read, "{document:#}");
        unharmed(&document, level);
    }
    // A wire that is open does not follow: the reading is of the other end, not of the driver.
    let arguments = ["drive", BOARD, "W21=blink", "--sense", "W21", "--for", "3"];
    let bench = format!("{FOLDER}/dry-joint.toml");
    let (exit, document) = on_bench(&arguments, &bench);
    assert_eq!(exit, 0, "{document:#}");
    let sensed = &document["sensed"][0];
    assert!(sensed["low"] == 0 || sensed["high"] == 0, "{document:#}");
    let (_, healthy) = on_bench(&arguments, AS_DRAWN);
    let sensed = &healthy["sensed"][0];
    assert!(
        sensed["low"].as_u64() >= Some(3) && sensed["high"].as_u64() >= Some(3),
        "{healthy:#}"
    );
    unharmed(&document, "blink");
}

#[test]
fn refusals_name_pin_reason_and_mend() {
    for (arguments, exit, pin) in [
        (&["U1.98=high"][..], 4, "U1.98"),
        (&["U1.91=low"], 4, "U1.91"),
        (&["W25=high", "pattern memory.25=low"], 4, "U1.12"),
        (&["U1.12=high", "U5.37=low"], 4, "U1.12"),
        (&["W99=high"], 2, "W99"),
        (&["W25=up"], 2, "up"),
        (&["W25"], 2, "W25"),
        (&["W25=high", "--for", "-1"], 2, "-1"),
        (&["W25=high", "--for", "inf"], 2, "inf"),
        (&["W25=high", "--mission", "U9"], 2, "U9"),
    ] {
        let all = [&["drive", BOARD][..], arguments].concat();
        let (seen, document) = on_bench(&all, AS_DRAWN);
        assert_eq!(seen, exit, "{arguments:?}: {document:#}");
        let message = document["error"]["message"].as_str().unwrap_or_default();
        assert!(message.contains(pin), "{arguments:?}: {message}");
    }
    // Nobody said that the machine is off; nobody consented.
    let (exit, document) = taploom(&["drive", BOARD, "W25=high", "--yes", "--simulate", AS_DRAWN]);
    assert_eq!(exit, 4, "{document:#}");
    let quiet = [
        "drive",
        BOARD,
        "W25=high",
        "--machine",
        "off",
        "--simulate",
        AS_DRAWN,
    ];
    let (exit, document) = taploom(&quiet);
    assert_eq!(exit, 4, "{document:#}");
    unharmed(&document, "no consent");
    // Reading alone is by SAMPLE and needs neither.
    let (exit, document) = taploom(&["drive", BOARD, "--sense", "W25", "--simulate", AS_DRAWN]);
    assert_eq!(
        (exit, &document["method"]),
        (0, &"SAMPLE".into()),
        "{document:#}"
    );
}

#[test]
fn a_table_passes_and_an_altered_cell_fails_at_its_row_and_column() {
    let scratch = Scratch::new("table");
    let good = "# address lines from U1 to the clip\nU1.12,U1.13,W25,comment,U5.37,U5.36\n\
        0,0,,both low,L,L\n1,,,one,H,L\n,1,,both,H,H\nZ,,,let go,X,H\n0,0,,back,L,L\n";
    // W25 is driven from U1.12 itself: left out of the rows that drive that pin.
    let good = good
        .replace(",W25", "")
        .lines()
        .map(|l| match l.split(',').collect::<Vec<_>>().as_slice() {
            [a, b, _, rest @ ..] if !l.starts_with(['#', 'U']) => {
                [&[*a, *b], rest].concat().join(",")
            }
            _ => l.to_string(),
        })
        .collect::<Vec<_>>()
        .join("\n")
        + "\n";
    let table = scratch.write("good.csv", &good);
    let (exit, document) = on_bench(&["drive", BOARD, "--vectors", &table], AS_DRAWN);
    assert_eq!(exit, 0, "{document:#}");
    assert_eq!(
        (&document["rows"], &document["compares"]),
        (&5.into(), &9.into())
    );
    unharmed(&document, "good");
    let altered = scratch.write("altered.csv", good.replace("both,H,H", "both,H,L"));
    let (exit, document) = on_bench(&["drive", BOARD, "--vectors", &altered], AS_DRAWN);
    assert_eq!(exit, 1, "{document:#}");
    assert_eq!(document["mismatches"], 1, "{document:#}");
    let first = &document["first"][0];
    assert_eq!(
        (
            &first["row"],
            &first["column"],
            &first["expected"],
            &first["seen"],
            &first["comment"]
        ),
        (
            &5.into(),
            &"U5.36".into(),
            &0.into(),
            &1.into(),
            &"both".into()
        )
    );
    unharmed(&document, "altered");
}

#[test]
fn hostile_tables_are_refused_with_their_place_before_anything_moves() {
    let scratch = Scratch::new("hostile-table");
    let cases: [(&str, Vec<u8>, &str); 7] = [
        ("binary", b"W25\n\xff\xfe\x00".to_vec(), "line 2: byte 1"),
        (
            "cell",
            b"W25\n0\n1\nhigh\n".to_vec(),
            "line 4, column W25: \"high\" is no cell",
        ),
        ("wire", b"W25,W99\n0,0\n".to_vec(), "column W99"),
        (
            "ragged",
            b"W25,W26\n0,1\n0\n".to_vec(),
            "line 3: the row has 1 cells",
        ),
        (
            "repeat",
            b"W25,repeat\n0,999999999999\n".to_vec(),
            "repeat count",
        ),
        (
            "endless",
            vec![b'0'; 3_000_000],
            "line 1: the row is longer",
        ),
        ("empty", Vec::new(), "no header row"),
    ];
    for (name, bytes, said) in cases {
        let table = scratch.write(name, bytes);
        let (exit, document) = on_bench(&["drive", BOARD, "--vectors", &table], AS_DRAWN);
        assert_eq!(exit, 2, "{name}: {document:#}");
        let message = document["error"]["message"].as_str().unwrap_or_default();
        assert!(message.contains(said), "{name}: {message}");
        assert!(document["error"]["help"].is_string(), "{name}");
    }
    for (table, said) in [("/", "no plain file"), ("no-such.csv", "cannot read")] {
        let (exit, document) = on_bench(&["drive", BOARD, "--vectors", table], AS_DRAWN);
        let message = document["error"]["message"].as_str().unwrap_or_default();
        assert!(exit == 2 && message.contains(said), "{table}: {document:#}");
    }
    let guarded = scratch.write("guarded.csv", "W25,U1.98\n0,\n1,1\n");
    let (exit, document) = on_bench(&["drive", BOARD, "--vectors", &guarded], AS_DRAWN);
    let message = document["error"]["message"].as_str().unwrap_or_default();
    assert!(
        exit == 4 && message.contains("line 3: U1.98 is not driven"),
        "{document:#}"
    );
}

/// Eight D flip-flops with clock and output enable, between two scan devices: the published function as a table.
#[test]
fn the_octal_device_works_as_eight_flip_flops() {
    let folder = root().join("fixtures/octal");
    let (board, bench) = (folder.join("board.toml"), folder.join("as-drawn.toml"));
    let (board, bench) = (board.display().to_string(), bench.display().to_string());
    let table = folder.join("flip-flops.csv");
    let play = |table: &str| {
        let arguments = [
            "drive",
            &board,
            "--vectors",
            table,
            "--mission",
            "U2",
            "--unplugged",
        ];
        on_bench(&arguments, &bench)
    };
    let (exit, document) = play(&table.display().to_string());
    assert_eq!(exit, 0, "{document:#}");
    assert!(document["compares"].as_u64() > Some(100), "{document:#}");
    unharmed(&document, "octal");
    // One cell altered, each expected one in turn: it fails at that row and that column, and nowhere else.
    let text = std::fs::read_to_string(&table).expect("the table");
    let lines: Vec<&str> = text.lines().collect();
    let at = lines
        .iter()
        .position(|l| !l.starts_with('#'))
        .expect("a header");
    let header: Vec<&str> = lines[at].split(',').collect();
    let scratch = Scratch::new("octal");
    let mut altered = 0;
    for (row, line) in lines.iter().enumerate().skip(at + 1) {
        if line.starts_with('#') || line.is_empty() {
            continue;
        }
        let cells: Vec<&str> = line.split(',').collect();
        let Some(column) = (0..cells.len())
            .filter(|c| matches!(cells[*c], "H" | "L"))
            .nth(row % 8)
        else {
            continue;
        };
        let mut cells: Vec<String> = cells.iter().map(ToString::to_string).collect();
        cells[column] = if cells[column] == "H" {
            "L".into()
        } else {
            "H".into()
        };
        let mut other: Vec<String> = lines.iter().map(ToString::to_string).collect();
        other[row] = cells.join(",");
        // A row that is repeated fails as often.
        let at = header
            .iter()
            .position(|h| *h == "repeat")
            .expect("the column");
        let repeats: u64 = cells[at].parse().unwrap_or(1);
        let file = scratch.write("altered.csv", other.join("\n"));
        let (exit, document) = play(&file);
        assert_eq!(
            (exit, document["mismatches"].as_u64()),
            (1, Some(repeats)),
            "{document:#}"
        );
        assert_eq!(document["first"][0]["row"], row + 1, "{document:#}");
        assert_eq!(
            document["first"][0]["column"], header[column],
            "{document:#}"
        );
        altered += 1;
    }
    println!("{altered} cells altered, each found at its row and column");
    assert!(altered >= 10, "only {altered}");
}
