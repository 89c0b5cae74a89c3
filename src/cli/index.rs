//! `taploom index FOLDERS…`.

use std::time::SystemTime;

use crate::report;
use crate::session;

use super::args::Index;
use super::{Context, Exit, Failed, Failure, Outcome};

pub(super) fn run(context: &Context, arguments: &Index) -> Result<Outcome, Failed> {
    let (mut index, sound) = session::kept_index();
    if !sound {
        context.note("note: the kept index is damaged; it is not trusted and built anew from the folders named here");
    }
    let mut changed = false;
    for folder in &arguments.folders {
        if arguments.forget {
            changed |= index.forget(folder);
            continue;
        }
        let before = index.folders().count();
        index
            .add(folder)
            .map_err(|error| Failure::input("file", error.to_string()))?;
        changed |= index.folders().count() != before;
    }
    let done = index.refresh(SystemTime::now());
    if (changed || done.changed || !sound) && !context.common.dry {
        session::keep_index(&index).map_err(|error| {
            Failure::input("file", error.to_string())
                .help("TAPLOOM_STATE names another folder for what is kept")
        })?;
    }
    let cache = session::index_path();
    let fields = report::index_fields(&index, &done, cache.as_deref());
    if !done.problems.is_empty() {
        let problems: Vec<String> = done.problems.iter().map(ToString::to_string).collect();
        let failure = Failure::input("file", problems.join("\n"))
            .help("the rest is indexed; with --forget a folder is no longer looked at");
        return Err(Failed {
            failure: Box::new(failure),
            fields,
        });
    }
    Ok(Outcome {
        exit: Exit::Good,
        text: report::index_text(&index, &done),
        fields,
    })
}
