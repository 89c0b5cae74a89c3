//! `taploom vet FILES…`.

use std::path::{Path, PathBuf};

use taploom_bsdl::{Options, Severity};

use crate::library;
use crate::report::{self, Vetted};

use super::args::Vet;
use super::{Context, Exit, Failed, Failure, Outcome, out};

pub(super) fn run(context: &Context, arguments: &Vet) -> Result<Outcome, Failed> {
    if let Some(code) = &arguments.explain {
        return explain(code.as_deref());
    }
    let (options, silent) = options(arguments)?;
    let mut files = Vec::new();
    let mut failed = Vec::new();
    for path in &arguments.files {
        let found = library::bsdl_files(path).unwrap_or_else(|error| {
            failed.push(error.to_string());
            Vec::new()
        });
        for file in found {
            match vetted(&file, &options, &silent, &arguments.packages) {
                Ok(vetted) => files.push(vetted),
                Err(error) => failed.push(error.to_string()),
            }
        }
    }
    let fields = report::vet_fields(&files);
    if !failed.is_empty() {
        // What could be read is told all the same.
        if !context.common.json && !files.is_empty() {
            out::data(&report::vet_text(&files));
        }
        let failure = Failure::input("file", failed.join("\n"));
        return Err(Failed {
            failure: Box::new(failure),
            fields,
        });
    }
    let errors = files.iter().any(|f| f.count(Severity::Error) > 0);
    Ok(Outcome {
        exit: if errors { Exit::Finding } else { Exit::Good },
        fields,
        text: report::vet_text(&files),
    })
}

fn vetted(
    path: &Path,
    options: &Options,
    silent: &[&'static str],
    packages: &[PathBuf],
) -> Result<Vetted, library::LibraryError> {
    let bytes = library::read(path)?;
    let outcome = library::parse_with_packages(path, &bytes, options, packages);
    let mut diagnostics = outcome.diagnostics;
    diagnostics.retain(|d| !silent.contains(&d.code));
    Ok(Vetted {
        path: path.display().to_string(),
        bytes,
        entity: outcome.device.map(|d| d.entity),
        diagnostics,
    })
}

/// How to read, and the codes of which nothing is to be said.
fn options(arguments: &Vet) -> Result<(Options, Vec<&'static str>), Failed> {
    let mut options = Options {
        strict: arguments.strict,
        ..Options::default()
    };
    for (codes, severity) in [
        (&arguments.warn, Severity::Warning),
        (&arguments.deny, Severity::Error),
    ] {
        for code in codes {
            options.severities.push((known(code)?.to_owned(), severity));
        }
    }
    let silent = arguments
        .allow
        .iter()
        .map(|c| known(c))
        .collect::<Result<_, _>>()?;
    Ok((options, silent))
}

/// The code as the reader spells it.
fn known(code: &str) -> Result<&'static str, Failure> {
    taploom_bsdl::codes()
        .find(|c| c.eq_ignore_ascii_case(code))
        .ok_or_else(|| {
            Failure::input("usage", format!("there is no rule {code}"))
                .help("`taploom vet --explain` lists the codes")
        })
}

fn explain(code: Option<&str>) -> Result<Outcome, Failed> {
    let Some(code) = code else {
        return Ok(Outcome {
            exit: Exit::Good,
            fields: report::codes_fields(),
            text: report::codes_text(),
        });
    };
    let Some(explanation) = taploom_bsdl::explain(code) else {
        let codes: Vec<_> = taploom_bsdl::codes().collect();
        return Err(Failed {
            failure: Box::new(
                Failure::input("usage", format!("there is no rule {code}"))
                    .help(format!("the codes are {}", codes.join(", "))),
            ),
            fields: report::codes_fields(),
        });
    };
    Ok(Outcome {
        exit: Exit::Good,
        fields: report::explanation_fields(&explanation),
        text: report::explanation_text(&explanation),
    })
}
