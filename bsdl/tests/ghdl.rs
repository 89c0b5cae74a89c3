//! GHDL as a judge that shares nothing with this reader: a BSDL file is VHDL, so GHDL analyses it, and an architecture
//! that reports the entity's attributes prints what they evaluate to.
//!
//! What GHDL accepts, we accept; what it rejects as syntax, type or name, we tell; what it evaluates is what we print.
//! It does not look inside strings. Without GHDL the test says so; with `TAPLOOM_TESTS=full` that is a failure.
#![allow(clippy::print_stderr, reason = "the counts are what one runs this for")]

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use taploom_bsdl::{Device, Options, Severity, explain, parse, print, standard_package};

const OCTAL: &str = include_str!("../../fixtures/bsdl/octal_8374.bsd");

struct Ghdl {
    program: &'static str,
    folder: PathBuf,
}

impl Ghdl {
    /// GHDL in a folder of its own, with the standard packages analysed.
    fn start(name: &str) -> Option<Self> {
        let runs = |p: &&str| {
            Command::new(*p)
                .arg("--version")
                .output()
                .is_ok_and(|o| o.status.success())
        };
        let Some(program) = ["ghdl-mcode", "ghdl"].into_iter().find(runs) else {
            assert_ne!(
                std::env::var("TAPLOOM_TESTS").as_deref(),
                Ok("full"),
                "GHDL is not installed"
            );
            eprintln!("GHDL is not installed: nothing was compared");
            return None;
        };
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join(format!("judge-{name}-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let ghdl = Self { program, folder };
        for package in [
            "STD_1149_1_1990",
            "STD_1149_1_1994",
            "STD_1149_1_2001",
            "STD_1149_1_2013",
            "STD_1149_6_2003",
            "STD_1532_2002",
        ] {
            ghdl.analyse(package, standard_package(package).unwrap())
                .unwrap();
        }
        Some(ghdl)
    }

    /// Analyses a text as a file of that name; the packages are taken from the work library.
    fn analyse(&self, name: &str, text: &str) -> Result<(), String> {
        let mut all = String::new();
        for line in text.lines() {
            match line
                .trim_start()
                .get(..4)
                .filter(|w| w.eq_ignore_ascii_case("use "))
            {
                Some(_) => {
                    all.push_str(&format!("use work.{}", line.trim_start()[4..].trim_start()))
                }
                None => all.push_str(line),
            }
            all.push('\n');
        }
        let file = format!("{name}.vhd");
        fs::write(self.folder.join(&file), all).unwrap();
        self.run(&["-a", "--std=93c", &file]).map(drop)
    }

    /// What the attributes and pin maps of an analysed entity evaluate to, letters raised and blanks removed.
    fn values(&self, device: &Device) -> Vec<String> {
        let entity = &device.entity;
        let mut shown = Vec::new();
        for name in ["INSTRUCTION_LENGTH", "BOUNDARY_LENGTH"] {
            shown.push(format!("integer'image({entity}'{name})"));
        }
        for name in [
            "INSTRUCTION_OPCODE",
            "INSTRUCTION_CAPTURE",
            "BOUNDARY_REGISTER",
        ] {
            shown.push(format!("{entity}'{name}"));
        }
        shown.extend(device.pin_maps.iter().map(|m| m.name.clone()));
        shown.extend(device.ports.iter().filter(|p| p.range.is_some()).map(|p| {
            format!(
                "integer'image({0}'left) & \",\" & integer'image({0}'right)",
                p.name
            )
        }));
        let reports: String = shown
            .iter()
            .map(|s| format!("report \"<<\" & {s} & \">>\";\n"))
            .collect();
        let text = format!(
            "architecture show of {entity} is begin process begin\n{reports}wait; end process; end show;"
        );
        self.analyse("show", &text)
            .unwrap_or_else(|e| panic!("{entity}: {e}"));
        let said = self
            .run(&["-r", "--std=93c", entity, "show"])
            .unwrap_or_else(|e| panic!("{entity}: {e}"));
        let values = said
            .split("<<")
            .skip(1)
            .map(|rest| rest.split(">>").next().unwrap());
        values
            .map(|v| {
                v.to_ascii_uppercase()
                    .chars()
                    .filter(|c| !c.is_whitespace())
                    .collect()
            })
            .collect()
    }

    fn run(&self, arguments: &[&str]) -> Result<String, String> {
        let out = Command::new(self.program)
            .args(arguments)
            .current_dir(&self.folder)
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&out.stdout).into_owned()
            + &String::from_utf8_lossy(&out.stderr);
        if out.status.success() {
            Ok(said)
        } else {
            Err(said)
        }
    }
}

impl Drop for Ghdl {
    fn drop(&mut self) {
        if !std::thread::panicking() {
            let _ = fs::remove_dir_all(&self.folder);
        }
    }
}

/// The fixtures, and the real files where `TAPLOOM_CORPUS` says.
fn files() -> Vec<(String, String)> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("..");
    let mut folders = vec![
        root.join("fixtures/bsdl"),
        root.join("fixtures/knitting-machine/devices"),
    ];
    folders.extend(std::env::var_os("TAPLOOM_CORPUS").map(|c| root.join(c).join("bsdl")));
    let mut files = Vec::new();
    for folder in folders {
        let entries = fs::read_dir(&folder).unwrap_or_else(|e| panic!("{}: {e}", folder.display()));
        for path in entries
            .map(|e| e.unwrap().path())
            .filter(|p| p.extension().is_some_and(|e| e == "bsd"))
        {
            let bytes = fs::read(&path).unwrap();
            files.push((
                path.display().to_string(),
                bytes.iter().map(|&b| b as char).collect(),
            ));
        }
    }
    files.sort();
    files
}

/// Real files that GHDL rejects, and the code under which we tell the same.
const REJECTED: &[(&str, &str)] = &[
    // A foreign first line.
    ("006d6a278c", "B007"),
    ("7541d72b9e", "B007"),
    ("b2a04d8bd9", "B007"),
    ("c8d1b31864", "B007"),
    // Text after the end.
    ("4797791729", "B007"),
    // Attributes of other entities.
    ("49c69c4816", "B101"),
    // Tabs inside strings: VHDL forbids them there, the lists inside take them for blanks (1149.1-2001 B.5, from memory).
    ("065f3071dd", "B018"),
    ("3cb4c84d78", "B018"),
];

#[test]
fn what_it_accepts_we_accept_and_values_agree() {
    let Some(ghdl) = Ghdl::start("values") else {
        return;
    };
    let (mut accepted, mut rejected, mut values) = (0, 0, 0);
    let files = files();
    for (name, text) in &files {
        let outcome = parse(text.as_bytes(), &Options::default());
        let device = outcome.device.as_ref().unwrap();
        if let Err(said) = ghdl.analyse("text", text) {
            let known = REJECTED.iter().find(|(file, _)| name.contains(file));
            let (_, code) = known.unwrap_or_else(|| panic!("{name}: GHDL rejects it: {said}"));
            let told = outcome.diagnostics.iter().any(|d| d.code == *code);
            assert!(told, "{name}: {code} is not told: {said}");
            rejected += 1;
            continue;
        }
        accepted += 1;
        let grammar = outcome
            .diagnostics
            .iter()
            .find(|d| d.code.starts_with("B0") && d.severity == Severity::Error);
        assert_eq!(grammar, None, "{name}: GHDL accepts it");
        let evaluated = ghdl.values(device);
        // The printed text evaluates to the same: nothing was lost or moved on the way through our model.
        ghdl.analyse("text", &print(device))
            .unwrap_or_else(|e| panic!("{name}, printed: {e}"));
        let printed = ghdl.values(device);
        for (one, other) in evaluated.iter().zip(&printed) {
            assert_eq!(one, other, "{name}");
        }
        assert_eq!(evaluated.len(), printed.len());
        assert_eq!(
            evaluated[0],
            device.instruction_length.to_string(),
            "{name}"
        );
        assert_eq!(evaluated[1], device.boundary_length.to_string(), "{name}");
        values += evaluated.len();
    }
    eprintln!(
        "GHDL accepts {accepted} of {} files; {values} evaluated values agree",
        files.len()
    );
    assert_eq!(accepted + rejected, files.len());
    assert!(accepted > rejected, "fixtures at least are accepted");
}

/// Faults of syntax, type and name on the octal device: text to find, text to put there.
#[rustfmt::skip] // one row a line
const FAULTS: &[(&str, &str)] = &[
    ("entity OCTAL_8374 is", "entity OCTAL_8374"),
    ("entity OCTAL_8374 is", "entity is"),
    ("entity OCTAL_8374 is", "entity 8374_OCTAL is"),
    ("entity OCTAL_8374 is", "entity OCTAL__8374 is"),
    ("entity OCTAL_8374 is", "entiti OCTAL_8374 is"),
    ("generic (PHYSICAL", "generic PHYSICAL"),
    (": string :=", ": strng :="),
    (":= \"DW_PACKAGE\"", "= \"DW_PACKAGE\""),
    (":= \"DW_PACKAGE\"", ":= DW_PACKAGE"),
    ("  port (", "  port"),
    ("CLK : in bit;", "CLK in bit;"),
    ("CLK : in bit;", "CLK : inn bit;"),
    ("CLK : in bit;", "CLK : in bits;"),
    ("CLK : in bit;", "CLK : in bit, "),
    ("CLK : in bit;", "CLK : in bit"),
    ("CLK : in bit;", "CLK : in bit; CLK : in bit;"),
    ("CLK : in bit;", "C#K : in bit;"),
    ("CLK : in bit;", "CLK_ : in bit;"),
    ("OC_NEG : in bit;", "open : in bit;"),
    ("(1 to 8);", "(1 to 8;"),
    ("(1 to 8);", "(1 upto 8);"),
    ("(1 to 8);", "(1 to);"),
    ("(1 to 8);", "[1 to 8];"),
    ("linkage bit\n  );", "linkage bit;\n  );"),
    ("linkage bit\n  );", "linkage bit\n  ;"),
    ("use STD_1149_1_1990.all;", "use STD_1149_1_1990.all"),
    ("use STD_1149_1_1990.all;", "use STD_1149_1_1991.all;"),
    ("use STD_1149_1_1990.all;", ""),
    ("attribute PIN_MAP of", "attribute PIN_MAP off"),
    ("attribute PIN_MAP of OCTAL_8374", "attribute PIN_MAP of OCTAL_8373"),
    ("PIN_MAP_STRING :=", "PIN_MAP_STRING ="),
    ("PIN_MAP_STRING :=", "PIN_MAP_TEXT :="),
    ("constant DW_PACKAGE :", "constant DW_PACKAGE"),
    ("OC_NEG : 24, \" &", "OC_NEG : 24, \""),
    ("OC_NEG : 24, \" &", "OC_NEG : 24,  &"),
    ("TDI : 14\";", "TDI : 14\" &;"),
    ("TDI : 14\";", "TDI : 14\""),
    ("TAP_SCAN_IN of TDI", "TAP_SCAN_IN of TDJ"),
    ("TAP_SCAN_IN of TDI : signal is true", "TAP_SCAN_IN of TDI : signal is \"true\""),
    ("TAP_SCAN_IN of TDI : signal is true", "TAP_SCAN_IN of TDI : signal true"),
    ("(20.0e6, BOTH)", "(20.0e6 BOTH)"),
    ("(20.0e6, BOTH)", "(20.0e6, EITHER)"),
    ("(20.0e6, BOTH)", "20.0e6"),
    ("attribute INSTRUCTION_LENGTH of", "attribute INSTRUCTION_LENTGH of"),
    ("INSTRUCTION_LENGTH of OCTAL_8374 : entity is 8;", "INSTRUCTION_LENGTH of OCTAL_8374 : entity is \"8\";"),
    ("INSTRUCTION_LENGTH of OCTAL_8374 : entity is 8;", "INSTRUCTION_LENGTH of OCTAL_8374 : entity is 8"),
    ("INSTRUCTION_LENGTH of OCTAL_8374 : entity is 8;", "INSTRUCTION_LENGTH of OCTAL_8374 : entity 8;"),
    ("INSTRUCTION_LENGTH of OCTAL_8374 : entity is 8;", "INSTRUCTION_LENGTH of OCTAL_8374 entity is 8;"),
    ("INSTRUCTION_CAPTURE of OCTAL_8374 : entity is \"10000001\";", "INSTRUCTION_CAPTURE of OCTAL_8374 : entity is 10000001;"),
    ("INSTRUCTION_CAPTURE of OCTAL_8374 : entity is \"10000001\";", "INSTRUCTION_CAPTURE of OCTAL_8374 : entity is \"10000001;"),
    ("BOUNDARY_LENGTH of OCTAL_8374 : entity is 18;", "BOUNDARY_LENGTH of OCTAL_8374 : entity is \"18\";"),
    ("\"17 (BC_1, CLK, input, X), \" &", "17 (BC_1, CLK, input, X), \" &"),
    ("end OCTAL_8374;", "end OCTAL_8373;"),
    ("end OCTAL_8374;", "end OCTAL_8374"),
    ("end OCTAL_8374;", ""),
    ("end OCTAL_8374;", "end OCTAL_8374; the end"),
];

#[test]
fn what_it_rejects_we_tell() {
    let Some(ghdl) = Ghdl::start("faults") else {
        return;
    };
    ghdl.analyse("text", OCTAL).expect("the good file");
    let mut untold = Vec::new();
    // One for a text that GHDL rejects.
    let mut judge = |text: &str, what: &str| {
        let Err(said) = ghdl.analyse("text", text) else {
            return 0;
        };
        let diagnostics = parse(text.as_bytes(), &Options::default()).diagnostics;
        if diagnostics.is_empty() {
            untold.push(format!("{what}\n{said}"));
        }
        1
    };
    let mut planted = 0;
    for (find, put) in FAULTS {
        assert!(OCTAL.contains(find), "{find}");
        planted += judge(&OCTAL.replacen(find, put, 1), put);
    }
    let samples: u32 = taploom_bsdl::codes()
        .map(|code| judge(&explain(code).unwrap().sample, code))
        .sum();
    eprintln!(
        "GHDL rejects {planted} of {} planted faults and {} of the samples",
        FAULTS.len(),
        samples
    );
    assert!(
        untold.is_empty(),
        "rejected, and we say nothing: {}",
        untold.join("\n")
    );
    assert!(planted >= 40, "GHDL rejects only {planted}");
}
