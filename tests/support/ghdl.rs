//! GHDL as a judge of BSDL text that shares nothing with our reader: a BSDL file is VHDL, so GHDL analyses it, and an
//! architecture that reports the entity's attributes prints what they evaluate to.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

const PROGRAMS: [&str; 2] = ["ghdl-mcode", "ghdl"];

/// GHDL with a folder of its own to work in.
pub(crate) struct Ghdl {
    program: &'static str,
    folder: PathBuf,
}

impl Ghdl {
    /// `None` if it is not installed.
    ///
    /// # Panics
    /// If it is not installed and `TAPLOOM_TESTS` is `full`: a full run skips nothing.
    pub(crate) fn start(name: &str) -> Option<Self> {
        let runs = |p: &&str| {
            Command::new(*p)
                .arg("--version")
                .output()
                .is_ok_and(|o| o.status.success())
        };
        let Some(program) = PROGRAMS.into_iter().find(runs) else {
            assert_ne!(
                std::env::var("TAPLOOM_TESTS").as_deref(),
                Ok("full"),
                "GHDL is not installed"
            );
            return None;
        };
        let folder = Path::new(env!("CARGO_TARGET_TMPDIR"))
            .join(format!("ghdl-{name}-{}", std::process::id()));
        fs::create_dir_all(&folder).expect("the build folder can be written");
        let ghdl = Self { program, folder };
        for year in ["1990", "1994", "2001"] {
            let package = include_str!("std_1149_1.vhd").replace("EDITION", year);
            ghdl.analyse(&format!("std_{year}"), &package)
                .expect("our own package");
        }
        Some(ghdl)
    }

    /// Analyses a BSDL text; the error is what GHDL says.
    pub(crate) fn analyse_bsdl(&self, name: &str, text: &str) -> Result<(), String> {
        let text: String = text
            .lines()
            .map(|line| match line.trim_start() {
                l if l.to_ascii_uppercase().starts_with("USE STD_1149_1_") => {
                    format!("use work.{}\n", &l[4..])
                }
                _ => format!("{line}\n"),
            })
            .collect();
        self.analyse(name, &text)
    }

    /// What an attribute of an analysed entity evaluates to: strings joined, numbers in decimal.
    pub(crate) fn value(&self, entity: &str, attribute: &str) -> String {
        let shown = match attribute {
            "BOUNDARY_LENGTH" | "INSTRUCTION_LENGTH" => {
                format!("integer'image({entity}'{attribute})")
            }
            _ => format!("{entity}'{attribute}"),
        };
        let text = format!(
            "architecture show of {entity} is begin process begin report \"<<\" & {shown} & \">>\"; wait; end process; end show;\n"
        );
        self.analyse("show", &text)
            .unwrap_or_else(|e| panic!("{entity} has no {attribute}: {e}"));
        let out = self.run(&["-r", "--std=93c", entity, "show"]);
        let said = out
            .as_ref()
            .unwrap_or_else(|e| panic!("{entity} {attribute}: {e}"));
        let value = said
            .split_once("<<")
            .and_then(|(_, rest)| rest.split_once(">>"));
        value
            .unwrap_or_else(|| panic!("{entity} {attribute}: {said}"))
            .0
            .to_string()
    }

    fn analyse(&self, name: &str, text: &str) -> Result<(), String> {
        let file = format!("{name}.vhd");
        fs::write(self.folder.join(&file), text).expect("the build folder can be written");
        self.run(&["-a", "--std=93c", &file]).map(|_| ())
    }

    fn run(&self, arguments: &[&str]) -> Result<String, String> {
        let out = Command::new(self.program)
            .args(arguments)
            .current_dir(&self.folder)
            .output();
        let out = out.map_err(|e| e.to_string())?;
        let said = String::from_utf8_lossy(&out.stdout).into_owned()
            + &*String::from_utf8_lossy(&out.stderr);
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
