//! `import`: other scripts, from the script's own folder and from folders that the user allows.

use std::path::{Path, PathBuf};

use rhai::{Engine, EvalAltResult, Module, ModuleResolver, Position, Scope, Shared};

use super::text::{Script, read};

/// Finds imported scripts. A path is looked at only after links and `..` have been followed to the end, so neither
/// leads out of the allowed folders.
#[derive(Debug, Clone)]
pub(super) struct Includes {
    /// The script's folder.
    pub(super) folder: PathBuf,
    /// Allowed folders, links followed.
    allowed: Vec<PathBuf>,
    /// Scripts that are being imported now: none may import itself, on whatever detour.
    open: std::rc::Rc<std::cell::RefCell<Vec<PathBuf>>>,
}

impl Includes {
    pub(super) fn new(script: &Path, allow: &[PathBuf]) -> std::io::Result<Self> {
        let folder = folder_of(script);
        let mut allowed = vec![folder.canonicalize()?];
        for path in allow {
            allowed.push(path.canonicalize()?);
        }
        Ok(Includes {
            folder,
            allowed,
            open: std::rc::Rc::default(),
        })
    }

    /// The file behind a name in an `import`.
    pub(super) fn find(&self, from: &Path, name: &str) -> Result<PathBuf, String> {
        let mut path = from.join(name);
        if path.extension().is_none() {
            path.set_extension("rhai");
        }
        let real = path
            .canonicalize()
            .map_err(|e| format!("cannot import {}: {e}", path.display()))?;
        if self.allowed.iter().any(|a| real.starts_with(a)) {
            return Ok(real);
        }
        Err(format!(
            "cannot import {name:?}: it leads to {}, outside of the script's folder; --allow-path FOLDER allows another one",
            real.display()
        ))
    }
}

/// The folder that names in a script count from.
pub(super) fn folder_of(script: &Path) -> PathBuf {
    match script.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

impl ModuleResolver for Includes {
    fn resolve(
        &self,
        engine: &Engine,
        source: Option<&str>,
        path: &str,
        position: Position,
    ) -> Result<Shared<Module>, Box<EvalAltResult>> {
        let fail = |message: String| -> Box<EvalAltResult> {
            EvalAltResult::ErrorRuntime(message.into(), position).into()
        };
        let from = source.map_or_else(|| self.folder.clone(), |s| folder_of(Path::new(s)));
        let file = self.find(&from, path).map_err(fail)?;
        if self.open.borrow().contains(&file) || self.open.borrow().len() >= 16 {
            return Err(fail(format!(
                "{} is imported within itself",
                file.display()
            )));
        }
        let text = read(&file).map_err(|e| fail(e.to_string()))?;
        let script = Script::compile(&file, text, engine).map_err(|e| fail(e.to_string()))?;
        self.open.borrow_mut().push(file);
        let module = Module::eval_ast_as_new(Scope::new(), &script.ast, engine);
        self.open.borrow_mut().pop();
        Ok(module?.into())
    }
}
