//! `taploom index FOLDERS…`.

use std::time::SystemTime;

use crate::report;
use crate::session;

use super::args::Index;
use super::{Context, Exit, Failed, Failure, Outcome, out};

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
    let kept = match (changed || done.changed || !sound) && !context.common.dry {
        true => session::keep_index(&index),
        false => Ok(()),
    };
    let cache = session::index_path();
    let fields = report::index_fields(&index, &done, cache.as_deref());
    let mut problems: Vec<String> = done.problems.iter().map(ToString::to_string).collect();
    let help = match &kept {
        Err(error) => {
            problems.push(format!("the index is not kept: {error}"));
            "TAPLOOM_STATE names another folder for what is kept"
        }
        Ok(()) => "the rest is indexed; with --forget a folder is no longer looked at",
    };
    if !problems.is_empty() {
        // What is known is told all the same.
        if !context.common.json {
            out::data(&report::index_text(&index, &done));
        }
        let failure = Failure::input("file", problems.join("\n")).help(help);
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
