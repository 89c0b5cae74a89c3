//! Text to model: bytes to tokens (`lexer`), tokens to statements (`statements`), strings to items (`inner`), items
//! to a device (`assemble`). Nothing here judges what the device means; that is `check`.

mod assemble;
mod cursor;
mod draft;
mod inner;
mod joined;
mod lexer;
mod order;
mod statements;

use crate::model::Device;
use crate::places::Places;
use crate::report::Report;
use crate::rules;
use crate::span::Span;

/// Reads the first entity.
pub(crate) fn read(bytes: &[u8], report: &mut Report<'_>) -> Option<(Device, Places)> {
    if u32::try_from(bytes.len()).is_err() {
        let message = format!(
            "the file has {} bytes, this reader takes {}",
            bytes.len(),
            u32::MAX
        );
        report.add(&rules::TOO_LONG, Span::default(), message);
        return None;
    }
    let mut cursor = cursor::Cursor::new(bytes, report);
    let mut draft = statements::read(&mut cursor)?;
    let ports = std::mem::take(&mut draft.ports);
    Some(assemble::assemble(bytes, &draft, ports, report))
}
