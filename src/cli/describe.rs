//! `taploom describe FILE`.

use taploom_bsdl::{Options, Severity};

use crate::library;
use crate::report::{self, Described, Vetted};
use crate::session;

use super::args::Describe;
use super::{Context, Exit, Failed, Failure, Outcome, outputs};

pub(super) fn run(context: &Context, arguments: &Describe) -> Result<Outcome, Failed> {
    let bytes = library::read(&arguments.file)
        .map_err(|error| Failure::input("file", error.to_string()))?;
    let path = arguments.file.display().to_string();
    let outcome = library::parse_with_packages(
        &arguments.file,
        &bytes,
        &Options::default(),
        &arguments.packages,
    );
    let Some(device) = outcome.device else {
        return Err(
            Failure::input("file", format!("{path} describes no device"))
                .help(format!("`taploom vet {path}` says what is amiss"))
                .into(),
        );
    };
    let map = match &arguments.package {
        Some(name) => Some(device.pin_map(name).ok_or_else(|| {
            let names: Vec<&str> = device.pin_maps.iter().map(|m| &*m.name).collect();
            Failure::input("file", format!("{} has no package {name}", device.entity))
                .help(format!("its packages are {}", names.join(", ")))
        })?),
        None => device.default_package().or(device.pin_maps.first()),
    };
    let file = Vetted {
        path,
        bytes,
        entity: Some(device.entity.clone()),
        diagnostics: outcome.diagnostics,
    };
    let described = Described {
        file: &file,
        device: &device,
        map,
    };
    if let Some(target) = &arguments.svg {
        outputs::ready("--svg", target, &[&arguments.file])?;
        let drawing = map.and_then(|m| report::package_svg(&report::package_of(&device, m)));
        let Some(drawing) = drawing else {
            return Err(Failure::input(
                "file",
                format!("how the pins of {} are arranged is not known, so that there is nothing to draw", device.entity),
            )
            .help("without --svg they are listed")
            .into());
        };
        if !context.common.dry {
            session::write_whole(target, drawing.as_bytes())
                .map_err(|error| Failure::input("file", error.to_string()))?;
            context.note(&format!("drawn: {}", target.display()));
        }
    }
    Ok(Outcome {
        exit: if file.count(Severity::Error) > 0 {
            Exit::Finding
        } else {
            Exit::Good
        },
        // A table of a million cells is a document of gigabytes: made only for who reads it.
        fields: match context.common.json {
            true => report::describe_fields(&described),
            false => serde_json::Value::Null,
        },
        text: report::describe_text(&described),
    })
}
