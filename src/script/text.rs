//! A script's text, compiled, and errors with their place in it.

use std::fmt;
use std::path::{Path, PathBuf};

use rhai::{AST, Engine, EvalAltResult, Position};

use crate::files::reason;

use super::{End, EndKind};

/// Longest script or include, in bytes.
pub(super) const LONGEST: u64 = 1024 * 1024;

/// A script that was read and compiled.
#[derive(Debug, Clone)]
pub struct Script {
    /// The file.
    pub path: PathBuf,
    /// Its text.
    pub text: String,
    pub(super) ast: AST,
}

/// Something wrong in a script: file, line, column, source line.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct ScriptError {
    /// The file.
    pub path: PathBuf,
    /// Line and column, from 1; `None` where it is about the whole file.
    pub at: Option<(usize, usize)>,
    /// The line's text.
    pub source: String,
    /// What: lower case, no full stop.
    pub message: String,
    /// What to do about it.
    pub help: String,
}

impl std::error::Error for ScriptError {}

impl fmt::Display for ScriptError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: {}", self.place(), self.message)?;
        match self.source_line().as_str() {
            "" => Ok(()),
            line => write!(f, "\n{line}"),
        }
    }
}

impl ScriptError {
    pub(super) fn whole(path: &Path, message: impl Into<String>, help: impl Into<String>) -> Self {
        ScriptError {
            path: path.to_owned(),
            at: None,
            source: String::new(),
            message: message.into(),
            help: help.into(),
        }
    }

    pub(super) fn at(path: &Path, text: &str, position: Position, message: String) -> Self {
        let at = position
            .line()
            .map(|l| (l, position.position().unwrap_or(1)));
        let source = at.and_then(|(l, _)| text.lines().nth(l - 1));
        let mut source = source.unwrap_or_default().trim_end().to_owned();
        // A line of a hostile script may be any length.
        if let Some((cut, _)) = source.char_indices().nth(160) {
            source.truncate(cut);
            source.push('…');
        }
        ScriptError {
            path: path.to_owned(),
            at,
            source,
            message,
            help: String::new(),
        }
    }

    /// As the end of a run.
    pub fn end(&self) -> End {
        End::new(EndKind::Input, self.message.clone(), self.help.clone()).placed(self)
    }

    /// The file, and where it is about a line, line and column.
    pub(super) fn place(&self) -> String {
        match self.at {
            None => self.path.display().to_string(),
            Some((line, column)) => format!("{}:{line}:{column}", self.path.display()),
        }
    }

    /// The line with its number; empty where there is nothing to show.
    pub(super) fn source_line(&self) -> String {
        match self.at {
            Some((line, _)) if !self.source.trim().is_empty() => {
                format!("  {line} | {}", self.source)
            }
            _ => String::new(),
        }
    }
}

impl Script {
    /// Reads and compiles a script.
    ///
    /// # Errors
    /// [`ScriptError`].
    pub fn open(path: &Path) -> Result<Script, ScriptError> {
        let text = read(path)?;
        Self::compile(path, text, &super::run::engine_for_syntax())
    }

    pub(super) fn compile(
        path: &Path,
        text: String,
        engine: &Engine,
    ) -> Result<Script, ScriptError> {
        match engine.compile(&text) {
            Ok(mut ast) => {
                ast.set_source(path.display().to_string());
                Ok(Script {
                    path: path.to_owned(),
                    text,
                    ast,
                })
            }
            Err(error) => {
                let position = error.position();
                let mut message = error.err_type().to_string();
                message = lower(&message);
                Err(ScriptError::at(path, &text, position, message))
            }
        }
    }
}

/// Reads a script's text, within bounds.
pub(super) fn read(path: &Path) -> Result<String, ScriptError> {
    let cannot = |e: std::io::Error| {
        ScriptError::whole(
            path,
            format!("cannot be read: {}", reason(&e)),
            "name a script file",
        )
    };
    let meta = std::fs::metadata(path).map_err(cannot)?;
    if !meta.is_file() {
        return Err(ScriptError::whole(
            path,
            "is no plain file",
            "name a file, not a folder or a pipe",
        ));
    }
    if meta.len() > LONGEST {
        let message = format!("has {} bytes; scripts have at most {LONGEST}", meta.len());
        return Err(ScriptError::whole(path, message, "is it a script?"));
    }
    let bytes = std::fs::read(path).map_err(cannot)?;
    String::from_utf8(bytes).map_err(|e| {
        let at = e.utf8_error().valid_up_to();
        let message = format!("is no text: byte {at} is not UTF-8");
        ScriptError::whole(path, message, "save the script as UTF-8")
    })
}

/// What the language says of an error, in our manner: lower case, no full stop.
pub(super) fn lower(message: &str) -> String {
    let mut chars = message.trim().trim_end_matches('.').chars();
    match chars.next() {
        Some(first) => first.to_lowercase().chain(chars).collect(),
        None => String::new(),
    }
}

/// The innermost error and where it stands, with the file if a module's name is known.
pub(super) fn innermost(error: &EvalAltResult) -> (&EvalAltResult, Option<&str>) {
    let mut error = error;
    let mut source = None;
    loop {
        match error {
            EvalAltResult::ErrorInFunctionCall(_, from, inner, _) => {
                source = Some(from.as_str()).filter(|s| !s.is_empty()).or(source);
                error = inner;
            }
            EvalAltResult::ErrorInModule(name, inner, _) => {
                source = Some(name.as_str()).filter(|s| !s.is_empty()).or(source);
                error = inner;
            }
            _ => return (error, source),
        }
    }
}
