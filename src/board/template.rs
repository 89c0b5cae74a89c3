//! A first board file, with words beside every key.

use std::fmt::Write;

/// A device of the chain as far as it is known.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct FirstDevice {
    /// Its BSDL entity and package, if a BSDL file is at hand.
    pub entity: Option<(String, String)>,
    /// Length of its instruction register in bits; written only where there is no entity.
    pub ir_length: Option<u32>,
    /// The IDCODE that it answered with, if any; written only where there is no entity.
    pub idcode: Option<u32>,
}

/// The text of a board file for a chain, TDI to TDO, whose BSDL files lie in `bsdl`. It loads as it stands if the
/// entities are there and every other device has an IR length; what only the user can know stands in comments.
pub fn first_board(name: &str, bsdl: &[String], devices: &[FirstDevice]) -> String {
    let mut text = format!(
        "# What should be on the bench. Lines after a # are suggestions: take the # away to use them.\n\n\
         [board]\nformat = 1\nname = {}\nbsdl = [{}]   # files or folders, from the folder of this file\n\
         # harness = \"harness.csv\"        # label,colour,from,to,signal,kind: one row a wire\n\n\
         [tck]\nmax_hz = 1_000_000             # raise it when the cable has proved itself\n\n\
         # The chain, in order from TDI to TDO.\n",
        quoted(name),
        bsdl.iter()
            .map(|b| quoted(b))
            .collect::<Vec<_>>()
            .join(", "),
    );
    for (i, device) in devices.iter().enumerate() {
        // Writing to a string cannot fail.
        let _ = write!(text, "\n[[device]]\nname = \"U{}\"\n", i + 1);
        let _ = match (&device.entity, device.ir_length, device.idcode) {
            (Some((entity, pin_map)), ..) => {
                write!(
                    text,
                    "entity = {}\npin_map = {}\n",
                    quoted(entity),
                    quoted(pin_map)
                )
            }
            (None, ir_length, idcode) => {
                let _ = match ir_length {
                    Some(bits) => writeln!(
                        text,
                        "ir_length = {bits}   # no BSDL: its pins count as live drivers"
                    ),
                    None => writeln!(
                        text,
                        "# ir_length = 5   # bits in its instruction register, or name its entity"
                    ),
                };
                idcode.map_or(Ok(()), |code| {
                    writeln!(
                        text,
                        "idcode = \"0x{code:08X}\"   # x for digits that do not matter"
                    )
                })
            }
        };
    }
    text.push_str(WORDS);
    text
}

/// What a scan cannot tell.
const WORDS: &str = r#"
# [[connector]]                 # header pin -> device pin; a range on both sides: "1-20" = "U1.12-31"
# name = "J3"
# pins = { 1 = "U1.12", 21 = "ground", 22 = "supply 3.3 V" }

# [[socket]]                    # where the harness ends: 27C64, 27C128, 27C256, 27C512, 62256, 28C256
# name = "pattern memory"
# shape = "27C256"
# levels = "TTL 5 V"
# clip = { 10 = "U1.7" }        # device pin of a scan clip that sits on the socket pin

# [[part]]                      # in series: resistor or switch
# name = "RN1"
# kind = "resistor"
# between = ["J3.1", "U1.12"]
# ohms = 100

# [[part]]                      # one way: buffer or shifter, from the side it listens to, to the side it drives
# name = "IC7"
# kind = "buffer"
# from = "J3.5-12"
# to = "U1.40-47"
# enable = { pin = "U1.50", on = "low" }

# [[pull]]
# pin = "J3.4"
# to = "high"
# ohms = 10_000

# [[driver]]                    # an output that is not on the chain: always, or while the machine is powered
# pin = "J3.9"
# when = "powered"

# [[tie]]                       # pins that are joined on purpose
# pins = ["pattern memory.1", "pattern memory.28"]

# [guard]
# never_drive = ["U1.77"]
# hold = { "U1.90" = "high" }   # held whenever pins are driven: flash selects, power enables
# max_switching = 8             # outputs that change at once
# settle_us = 20                # from driving to looking
"#;

/// A text as TOML writes it.
fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

#[cfg(test)]
mod tests {
    use super::super::tests::Scratch;
    use super::*;

    fn devices() -> [FirstDevice; 3] {
        let described = |entity: &str, pin_map: &str| FirstDevice {
            entity: Some((entity.into(), pin_map.into())),
            ..FirstDevice::default()
        };
        let unknown = FirstDevice {
            entity: None,
            ir_length: Some(5),
            idcode: Some(0x1000_00A7),
        };
        [
            described("LOOM_12", "DIP12"),
            unknown,
            described("TWIN_4", "BG4"),
        ]
    }

    #[test]
    fn it_loads_and_says_what_was_found() {
        let text = first_board("My \"first\" \\ tap", &["devices".into()], &devices());
        let board = Scratch::new().load(&text).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(board.name, "My \"first\" \\ tap");
        let seen: Vec<_> = board
            .devices
            .iter()
            .map(|d| (d.name.to_string(), d.entity.clone(), d.ir_length))
            .collect();
        let entity = |e: &str| Some(e.to_string());
        assert_eq!(
            seen,
            [
                ("U1".into(), entity("LOOM_12"), 4),
                ("U2".into(), None, 5),
                ("U3".into(), entity("TWIN_4"), 2)
            ]
        );
        assert!(board.devices[1].idcodes[0].matches_u64(0x1000_00A7));
    }

    /// The words are right too: with the # taken away only what they name can be wrong, never a key or a value.
    #[test]
    fn its_comments_are_a_board_file() {
        let mut text = first_board("x", &["devices".into()], &devices());
        text = text
            .replace("\n# [", "\n[")
            .replace("U1.12", "U1.7")
            .replace("U1.40-47", "U1.8-10");
        text = text
            .replace("J3.5-12", "J3.5-7")
            .replace("U1.50", "U1.6")
            .replace("U1.7\" }   ", "U1.5\" }")
            .replace("U1.77", "U1.8");
        text = text.replace("U1.90", "U1.9");
        for key in [
            "name",
            "pins",
            "shape",
            "levels",
            "clip",
            "kind",
            "between",
            "ohms",
            "from",
            "to",
            "enable",
            "pin",
            "when",
            "never_drive",
            "hold",
            "max_switching",
            "settle_us",
        ] {
            text = text.replace(&format!("\n# {key} = "), &format!("\n{key} = "));
        }
        let board = Scratch::new().load(&text).unwrap_or_else(|e| panic!("{e}"));
        assert_eq!(
            (
                board.connectors.len(),
                board.sockets.len(),
                board.parts.len(),
                board.pulls.len()
            ),
            (1, 1, 2, 1)
        );
        assert_eq!(
            (
                board.drivers.len(),
                board.ties.len(),
                board.guard.hold.len()
            ),
            (1, 1, 1)
        );
    }
}
