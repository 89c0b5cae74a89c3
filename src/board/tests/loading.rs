//! Boards that load, and what they then say.

use super::super::*;
use super::{FITTINGS, HEAD, Scratch};

#[test]
fn a_small_board_says_what_its_file_says() {
    let scratch = Scratch::new();
    let path = scratch.write("loom.toml", "");
    let text = format!(
        "{}recipe = \"loom.toml\"\noptional = true\n{FITTINGS}levels = \"TTL 5 V\"\nclip = {{ 9-11 = \"U1.8-10\" }}\n\
         [tck]\nmax_hz = 6_000_000\n[guard]\nnever_drive = [\"u1.06\"]\nhold = {{ \"U1.7\" = \"High\" }}\nsettle_us = 0\n\
         [[wire]]\nlabel = \"W01\"\ncolour = \"red\"\nfrom = \"pattern memory.10\"\nto = \"j3.1\"\nsignal = \"A0\"\nkind = \"button\"\n",
        HEAD
    );
    let board = scratch.load(&text).unwrap();
    assert_eq!(
        (board.name.as_str(), board.tck_max_hz),
        ("Test tap", Some(6_000_000))
    );
    let [u1, u2] = &board.devices[..] else {
        panic!("two devices")
    };
    assert_eq!(
        (
            u1.entity.as_deref(),
            u1.ir_length,
            u1.pins().unwrap().name.as_str()
        ),
        (Some("LOOM_12"), 4, "DIP12")
    );
    assert_eq!(
        u1.idcodes[0].to_string(),
        "XXXX0000000000000001000001010011"
    );
    assert_eq!(
        (u2.entity.as_deref(), u2.ir_length, u2.optional),
        (None, 5, true)
    );
    assert_eq!(
        (u2.idcodes[0].to_string().as_str(), u2.idcode_from_board),
        ("0001XXXXXXXXXXXXXXXX000010100111", true)
    );
    assert_eq!(u2.recipe.as_deref(), Some(path.as_path()));
    let wire = &board.wires[0];
    assert_eq!(
        (wire.from.to_string().as_str(), wire.to.to_string().as_str()),
        ("pattern memory.10", "J3.1")
    );
    assert_eq!(
        (
            wire.from.socket_pin().unwrap().signal,
            wire.kind,
            wire.at.line
        ),
        ("A0", WireKind::Button, 28)
    );
    assert_eq!(board.wire_role(WireIndex(0)), WireRole::Button);
    let clip: Vec<_> = board.sockets[0]
        .clip
        .iter()
        .map(|(n, p)| format!("{n} {p}"))
        .collect();
    assert_eq!(clip, ["9 U1.8", "10 U1.9", "11 U1.10"]);
    assert_eq!(board.sockets[0].levels.as_deref(), Some("TTL 5 V"));
    assert_eq!(
        (
            board.guard.never_drive[0].to_string().as_str(),
            board.guard.max_switching
        ),
        ("U1.6", 8)
    );
    assert_eq!(
        (board.guard.hold[0].level, board.guard.settle_us),
        (Level::High, 0)
    );
}

#[test]
fn names_are_found_without_regard_to_case_and_padding() {
    let board = Scratch::new().load(&format!("{HEAD}{FITTINGS}")).unwrap();
    let place = |text| board.place(text).unwrap();
    for (written, expected) in [
        ("u01.012", "U1.12"),
        ("j3.01", "J3.1"),
        ("Pattern Memory.a0", "pattern memory.10"),
        ("pattern  memory.010", "pattern memory.10"),
        ("u2.b07", "U2.B7"),
        (" GND ", "ground"),
        ("Supply 3V3", "supply 3.3 V"),
        ("Nothing", "nothing"),
    ] {
        assert_eq!(place(written).to_string(), expected, "{written}");
    }
    assert_eq!(place("U1.12"), place("u1.012"));
    let range: Vec<_> = board
        .places("U1.7-5")
        .unwrap()
        .iter()
        .map(ToString::to_string)
        .collect();
    assert_eq!(range, ["U1.7", "U1.6", "U1.5"]);
    assert_eq!(board.device("u02"), Some(DeviceIndex(1)));
    assert_eq!(
        board
            .pin_of_bit(
                DeviceIndex(0),
                board.devices[0].bsdl.as_ref().unwrap().bit("d(1)").unwrap()
            )
            .unwrap()
            .to_string(),
        "U1.9"
    );
    assert!(
        board.place("U1.13").is_err() && board.place("U2.1-").is_err() && board.place("").is_err()
    );
}

#[test]
fn the_declared_chain_has_lengths_codes_and_the_slowest_clock() {
    let scratch = Scratch::new();
    let head = HEAD.replace("[[device]]\nname = \"U2\"", "[tck]\nmax_hz = 3_000_000\n[[device]]\nname = \"U3\"\nentity = \"TWIN_4\"\npin_map = \"bg4\"\n[[device]]\noptional = true\nname = \"U2\"");
    let board = scratch.load(&head).unwrap();
    let chain = board.chain_declared(true);
    let rows: Vec<_> = chain
        .iter()
        .map(|d| {
            (
                d.name.as_str(),
                d.ir_length,
                d.tck_max_hz,
                d.no_idcode,
                d.optional,
            )
        })
        .collect();
    let (u1, u3) = (
        ("U1", 4, 4_000_000, false, false),
        ("U3", 2, 10_000_000, true, false),
    );
    assert_eq!(rows, [u1, u3, ("U2", 5, 1_000_000, false, true)]);
    assert_eq!(chain[0].ir_capture.as_ref().unwrap().to_string(), "0101");
    assert_eq!(board.chain_declared(false).len(), 2);
    // The board's own limit, then the part that says nothing, then U1's 4 MHz.
    assert_eq!(
        (board.tck_limit_hz(false), board.tck_limit_hz(true)),
        (3_000_000, 1_000_000)
    );
    let faster = scratch
        .load(&head.replace("3_000_000", "30_000_000"))
        .unwrap();
    assert_eq!(faster.tck_limit_hz(false), 4_000_000);
}

#[test]
fn the_fingerprint_follows_every_file_that_matters() {
    let scratch = Scratch::new();
    let text = format!(
        "{}{FITTINGS}",
        HEAD.replace("format = 1", "format = 1\nharness = \"h.csv\"")
    );
    scratch.write("h.csv", "label,from,to\nW1,J3.1,pattern memory.1\n");
    let first = scratch.load(&text).unwrap().hash;
    assert_eq!(
        (first.len(), &scratch.load(&text).unwrap().hash),
        (16, &first)
    );
    let board = scratch.load(&format!("{text}\n")).unwrap().hash;
    scratch.write("h.csv", "label,from,to\nW1,J3.1,pattern memory.2\n");
    let harness = scratch.load(&text).unwrap().hash;
    scratch.write(
        "devices/loom_12.bsd",
        format!("{}\n", super::loom("LOOM_12")),
    );
    let bsdl = scratch.load(&text).unwrap().hash;
    scratch.write("devices/twin_4.bsd", "");
    assert_eq!(
        scratch.load(&text).unwrap().hash,
        bsdl,
        "a file that is not used does not count"
    );
    let mut all = vec![first, board, harness, bsdl];
    all.sort();
    all.dedup();
    assert_eq!(all.len(), 4);
}

#[test]
fn wires_come_from_both_kinds_of_table() {
    let scratch = Scratch::new();
    scratch.write(
        "h.csv",
        "\u{feff}to\tfrom\tlabel\nJ3.1\tpattern memory.1\tW1\n",
    );
    let text = format!(
        "{}{FITTINGS}[[wire]]\nlabel = \"W2\"\nfrom = \"nothing\"\nto = \"J3.2\"\n",
        HEAD.replace("format = 1", "format = 1\nharness = \"h.csv\"")
    );
    let board = scratch.load(&text).unwrap();
    let wires: Vec<_> = board
        .wires
        .iter()
        .map(|w| format!("{} {} {}", w.label, w.from, w.to))
        .collect();
    assert_eq!(wires, ["W1 pattern memory.1 J3.1", "W2 nothing J3.2"]);
    assert_eq!(board.wire("w02"), Some(WireIndex(1)));
    // A label must be unique across both.
    let seen = scratch.problems(&text.replace("\"W2\"", "\"w01\""));
    assert!(
        seen.starts_with("board.toml:20:9: wire w01 is there twice, first in line 2\n"),
        "{seen}"
    );
}

#[test]
fn several_wires_may_end_on_a_rail_a_device_pin_or_a_tie() {
    let scratch = Scratch::new();
    let wire =
        |n, from, to| format!("[[wire]]\nlabel = \"W{n}\"\nfrom = \"{from}\"\nto = \"{to}\"\n");
    let wires = [
        wire(1, "pattern memory.14", "J3.21"),
        wire(2, "U2.7", "J3.21"),
        wire(3, "U1.8", "U2.7"),
        wire(4, "pattern memory.1", "J3.1"),
        wire(5, "pattern memory.1", "J3.2"),
        wire(6, "ground", "pattern memory.2"),
        wire(7, "ground", "pattern memory.3"),
    ];
    let tie = "[[tie]]\npins = [\"pattern memory.1\", \"pattern memory.28\"]\n";
    scratch
        .load(&format!("{HEAD}{FITTINGS}{tie}{}", wires.concat()))
        .unwrap();
    let seen = scratch.problems(&format!("{HEAD}{FITTINGS}{}", wires.concat()));
    assert_eq!(seen.matches("ends two wires").count(), 1, "{seen}");
}

/// The scenario's own board: what its README and pictures say of it.
#[test]
fn the_knitting_machine_loads() {
    let path = concat!(
        env!("CARGO_MANIFEST_DIR"),
        "/fixtures/knitting-machine/board.toml"
    );
    let board = Board::load(path).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(
        (
            board.wires.len(),
            board.devices.len(),
            board.chain_declared(false).len()
        ),
        (28, 5, 4)
    );
    let roles = |role| {
        (0..28)
            .filter(|i| board.wire_role(WireIndex(*i)) == role)
            .count()
    };
    assert_eq!(
        (
            roles(WireRole::Signal),
            roles(WireRole::Supply),
            roles(WireRole::Ground)
        ),
        (25, 2, 1)
    );
    for (i, wire) in board
        .wires
        .iter()
        .enumerate()
        .filter(|(i, _)| board.wire_role(WireIndex(*i)) == WireRole::Signal)
    {
        let ends = board.wire_ends(WireIndex(i));
        let clip = ends
            .from
            .iter()
            .any(|r| r.can_drive && r.pin.to_string().starts_with("U5."));
        assert!(clip && ends.to.iter().any(|r| r.can_hear), "{}", wire.label);
    }
    // A0 goes through the buffer: heard by U1 while U1.50 is low, and not to be driven from there.
    let ends = board.wire_ends(board.wire("w10").unwrap());
    let [heard] = &ends.to[..] else {
        panic!("one pin behind J3.9")
    };
    assert_eq!(
        (
            heard.pin.to_string().as_str(),
            heard.can_drive,
            heard.can_hear
        ),
        ("U1.40", false, true)
    );
    assert_eq!(
        heard
            .through
            .iter()
            .map(|p| board.parts[p.0].name.as_str())
            .collect::<Vec<_>>(),
        ["IC7"]
    );
    assert_eq!(
        heard
            .hear_needs
            .iter()
            .map(ToString::to_string)
            .collect::<Vec<_>>(),
        ["U1.50 low"]
    );
}
