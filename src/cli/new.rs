//! `taploom new [BSDL…]`: a first board file from a scan; `taploom new --script BOARD`: a first script.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::SystemTime;

use serde_json::{Value, json};

use crate::board::{Board, FirstDevice, first_board};
use crate::library::{Index, Indexed};
use crate::report;
use crate::script::first_script;
use crate::session::{self, Scanned, write_whole};

use super::args::New;
use super::work::{self, Opened};
use super::{Context, Exit, Failed, Failure, Outcome};

pub(super) fn run(context: &Context, arguments: &New) -> Result<Outcome, Failed> {
    match &arguments.script {
        Some(board) => script(context, arguments, board),
        None => board(context, arguments),
    }
}

/// A first board file: the devices that answer, as far as the BSDL files at hand know them.
fn board(context: &Context, arguments: &New) -> Result<Outcome, Failed> {
    let target = match &arguments.output {
        Some(path) => path.clone(),
        None => PathBuf::from("board.toml"),
    };
    not_there(context, arguments, &target)?;
    let (mut index, _) = session::kept_index();
    for folder in &arguments.bsdl {
        index
            .add(folder)
            .map_err(|error| Failure::input("file", error.to_string()))?;
    }
    let refreshed = index.refresh(SystemTime::now());
    if let Some(problem) = refreshed.problems.first() {
        context.note(&format!("note: {problem}"));
    }
    context.outputs_ready(None, &[&target])?;
    if !context.common.dry {
        super::outputs::ready("--output", &target, &[])?;
    }
    let mut opened = Opened::open(context)?;
    let known = session::known_from(&index);
    let scanned = opened.job(|session| session.scan_knowing(None, known))?;
    if !scanned.found.is_whole() || scanned.found.devices.is_empty() {
        let mut lines = vec!["the chain is not whole, and half of one makes no board".to_owned()];
        lines.extend(report::findings_lines(&scanned.found.findings()));
        let help = "run `taploom scan` until every device answers";
        let mut failed = opened.fail(Failure::chain(lines.join("\n")).help(help));
        work::add_fields(&mut failed.fields, report::scan_fields(&scanned, None));
        return Err(failed);
    }
    let parts = parts(&index, &scanned);
    let folder = target.parent().unwrap_or(Path::new(""));
    let bsdl = bsdl_of(arguments, folder, &parts);
    let devices: Vec<FirstDevice> = parts.iter().map(|part| part.first.clone()).collect();
    let name = folder.canonicalize().ok().or(std::env::current_dir().ok());
    let name = name.as_deref().and_then(Path::file_name);
    let name = name.map_or("my board".into(), |n| n.to_string_lossy().into_owned());
    let text = first_board(&name, &bsdl, &devices);
    let shown = target.display().to_string();
    let told: Vec<Value> = (parts.iter().enumerate())
        .map(|(i, part)| part.value(i))
        .collect();
    let fields = json!({ "board": shown, "devices": told });
    let lines: Vec<String> = (parts.iter().enumerate())
        .map(|(i, part)| part.line(i))
        .collect();
    let lines = lines.join("\n");
    if context.common.dry {
        let text = format!("{lines}\nwould write {shown}:\n\n{text}");
        return opened.finish(Exit::Good, fields, text);
    }
    if let Err(error) = write_whole(&target, text.as_bytes()) {
        return Err(opened.fail(Failure::input("file", error.to_string())));
    }
    // What was written is read as any board file is.
    let next = match Board::load(&target) {
        Ok(_) => format!("`taploom scan {shown}` holds the chain against it"),
        Err(error) => format!("before it can be used:\n{error}"),
    };
    opened.finish(
        Exit::Good,
        fields,
        format!("{lines}\n{shown} written; {next}\n"),
    )
}

/// A device that answered, and what the BSDL files know of it.
struct Part {
    first: FirstDevice,
    idcode: Option<String>,
    /// The file of its entity.
    file: Option<PathBuf>,
    /// What is to be chosen by hand.
    choice: Option<String>,
}

impl Part {
    fn line(&self, i: usize) -> String {
        let code = self.idcode.as_deref().unwrap_or("no IDCODE ");
        let what = match (&self.first.entity, self.first.ir_length) {
            (Some((entity, package)), _) => format!("{entity} in {package}"),
            (None, Some(bits)) => format!("no BSDL; its instruction register has {bits} bits"),
            (None, None) => {
                "no BSDL; the length of its instruction register is for you to say".into()
            }
        };
        let choice = self
            .choice
            .as_ref()
            .map_or(String::new(), |c| format!(" ({c})"));
        format!("  U{}  {code}  {what}{choice}", i + 1)
    }

    fn value(&self, i: usize) -> Value {
        let (entity, package) = self.first.entity.clone().unzip();
        json!({
            "name": format!("U{}", i + 1),
            "idcode": self.idcode,
            "entity": entity,
            "pin_map": package,
            "ir_length": self.first.ir_length,
            "bsdl": self.file.as_ref().map(|f| f.display().to_string()),
            "choice": self.choice,
        })
    }
}

/// The devices of the chain, TDI to TDO, each with the one part that its identity code and instruction register fit.
fn parts(index: &Index, scanned: &Scanned) -> Vec<Part> {
    let lengths = scanned.split.lengths();
    (scanned.found.devices.iter().enumerate())
        .map(|(i, device)| {
            let length = lengths.map(|l| l[i] as u32);
            let fits = |part: &Indexed| {
                let by_code = device
                    .idcode
                    .is_some_and(|code| part.patterns().any(|p| p.matches_u64(code.0.into())));
                part.errors == 0 && by_code && length.is_none_or(|l| l == part.ir_length)
            };
            let fitting: Vec<(&Path, &Indexed)> = index.parts().filter(|(_, p)| fits(p)).collect();
            let entities: BTreeSet<&str> = fitting.iter().map(|(_, p)| &*p.entity).collect();
            let one = (entities.len() == 1).then(|| fitting[0]);
            let package = one.and_then(|(_, part)| part.packages.first());
            let choice = match one {
                None if entities.len() > 1 => {
                    let names: Vec<&str> = entities.into_iter().collect();
                    Some(format!(
                        "{} answer with this code: name one as its entity",
                        names.join(", ")
                    ))
                }
                Some((_, part)) if part.packages.len() > 1 => Some(format!(
                    "its packages are {}: see which it is",
                    part.packages.join(", ")
                )),
                _ => None,
            };
            Part {
                first: FirstDevice {
                    entity: one
                        .zip(package)
                        .map(|((_, part), p)| (part.entity.clone(), p.clone())),
                    ir_length: length,
                    idcode: device.idcode.map(|code| code.0),
                },
                idcode: device.idcode.map(|code| code.to_string()),
                file: one.map(|(path, _)| path.to_path_buf()),
                choice,
            }
        })
        .collect()
}

/// What `bsdl` of the board names, from the folder of the board file: what was given, and the files of parts that the kept index
/// knows from elsewhere.
fn bsdl_of(arguments: &New, folder: &Path, parts: &[Part]) -> Vec<String> {
    let whole = |path: &Path| std::fs::canonicalize(path).unwrap_or_else(|_| path.to_path_buf());
    let home = whole(if folder == Path::new("") {
        Path::new(".")
    } else {
        folder
    });
    let given: Vec<PathBuf> = arguments.bsdl.iter().map(|path| whole(path)).collect();
    let files = parts
        .iter()
        .filter_map(|part| part.file.as_deref().map(whole));
    let elsewhere = files.filter(|file| !given.iter().any(|g| file.starts_with(g)));
    let mut names = Vec::new();
    for path in given.iter().cloned().chain(elsewhere) {
        let name = match path.strip_prefix(&home) {
            Ok(within) if within.as_os_str().is_empty() => ".".to_owned(),
            Ok(within) => within.display().to_string(),
            Err(_) => path.display().to_string(),
        };
        if !names.contains(&name) {
            names.push(name);
        }
    }
    names
}

/// Nothing is overwritten that nobody asked to.
fn not_there(context: &Context, arguments: &New, target: &Path) -> Result<(), Failure> {
    if target.symlink_metadata().is_ok() && !arguments.force && !context.common.dry {
        return Err(Failure::input(
            "file",
            format!("{} is there already, and was left alone", target.display()),
        )
        .help("--force overwrites it; --output FILE names another"));
    }
    Ok(())
}

fn script(context: &Context, arguments: &New, file: &Path) -> Result<Outcome, Failed> {
    let board = work::load_board(file)?;
    let folder = file.parent().unwrap_or(Path::new(""));
    let target = match &arguments.output {
        Some(path) => path.clone(),
        None => folder.join("bringup.rhai"),
    };
    // Names in a script count from its own folder: beside the board the board's bare name is enough.
    let same = target.parent().unwrap_or(Path::new("")) == folder;
    let name = match (same, file.file_name()) {
        (true, Some(name)) => name.to_string_lossy().into_owned(),
        _ => std::path::absolute(file)
            .unwrap_or_else(|_| file.to_path_buf())
            .display()
            .to_string(),
    };
    not_there(context, arguments, &target)?;
    let shown = target.display().to_string();
    let fields = json!({ "script": shown, "board": board.name });
    if context.common.dry {
        return Ok(Outcome {
            exit: Exit::Good,
            fields,
            text: format!("would write {shown}:\n\n{}", first_script(&board, &name)),
        });
    }
    write_whole(&target, first_script(&board, &name).as_bytes())
        .map_err(|e| Failure::input("file", e.to_string()))?;
    Ok(Outcome {
        exit: Exit::Good,
        fields,
        text: format!(
            "{shown} written; `taploom run {shown} --check` holds it against the board\n"
        ),
    })
}
