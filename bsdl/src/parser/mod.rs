//! Text to model: bytes to tokens (`lexer`), tokens to statements (`statements`), strings to items (`inner`), items
//! to a device (`assemble`). Nothing here judges what the device means; that is `check`.

mod assemble;
mod cursor;
mod draft;
mod inner;
mod joined;
mod lexer;
mod order;
mod package;
mod statements;

use crate::model::{Device, Package};
use crate::places::Places;
use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// Reads the packages of a file.
pub(crate) fn read_packages(bytes: &[u8], report: &mut Report<'_>) -> Vec<Package> {
    let mut packages = Vec::new();
    if is_too_long(bytes, report) {
        return packages;
    }
    let mut cursor = cursor::Cursor::new(bytes, report);
    statements::read_packages(&mut cursor, &mut packages);
    packages
}

/// Reads the first entity.
pub(crate) fn read(bytes: &[u8], report: &mut Report<'_>) -> Option<(Device, Places)> {
    if is_too_long(bytes, report) {
        return None;
    }
    let mut cursor = cursor::Cursor::new(bytes, report);
    let mut draft = statements::read(&mut cursor)?;
    let ports = std::mem::take(&mut draft.ports);
    Some(assemble::assemble(bytes, &draft, ports, report))
}

fn is_too_long(bytes: &[u8], report: &mut Report<'_>) -> bool {
    let too_long = u32::try_from(bytes.len()).is_err();
    if too_long {
        let message = format!(
            "the file has {} bytes, this reader takes {}",
            bytes.len(),
            u32::MAX
        );
        report.add(&rules::TOO_LONG, Span::default(), message);
    }
    too_long
}
