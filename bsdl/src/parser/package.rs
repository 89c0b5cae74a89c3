//! Packages: the part of VHDL that user packages of cells need. Types, subtypes and the like are passed over.

use super::assemble::{assemblies, mnemonics, registers};
use super::cursor::{Cursor, latin};
use super::inner::Frame;
use super::lexer::Kind;
use crate::model::{CellCapture, CellInfo, FUNCTION_WORDS, MODE_WORDS, Package, SOURCE_WORDS};
use crate::rules;
use crate::span::Span;

/// Packages a file, and constants and attributes a package, that this reader takes.
const MOST_PACKAGES: usize = 500;
const MOST_NAMES: usize = 5_000;

/// Reads one `package …` or `package body …`, the hand at `package`, and adds it to those known.
pub(super) fn read(c: &mut Cursor<'_, '_, '_>, packages: &mut Vec<Package>) {
    c.bump();
    let body = c.eat_word("body");
    let Some(name) = c.name("the package's name", "after `package`") else {
        return c.recover();
    };
    let shown = c.string(name);
    if packages.len() >= MOST_PACKAGES {
        c.report.add(
            &rules::TOO_LONG,
            name,
            format!("this reader takes {MOST_PACKAGES} packages a file"),
        );
        while !c.at_end() {
            c.step();
        }
        return;
    }
    let position = packages
        .iter()
        .position(|p| p.name.eq_ignore_ascii_case(&shown))
        .unwrap_or_else(|| {
            packages.push(Package {
                name: shown.clone(),
                ..Package::default()
            });
            packages.len() - 1
        });
    c.expect_word("is", "after the package's name");
    // Constants that the head announces and the body must give.
    let package = &mut packages[position];
    loop {
        let start = c.token.span.start;
        if c.at_end() {
            let span = Span::new(c.behind, c.behind);
            c.report.add(
                &rules::NO_END,
                span,
                format!("the file ends before package {shown} does"),
            );
            return;
        } else if c.at_word("end") {
            c.bump();
            while c.at_word("package") || c.at_word("body") {
                c.bump();
            }
            if c.token.kind == Kind::Word && !c.at_start() {
                c.bump();
            }
            c.finish(&format!("package {shown}"));
            return;
        } else if c.at_word("constant") {
            constant(c, body, package);
        } else if c.at_word("attribute") {
            attribute(c, package);
        } else if c.at_word("entity") || c.at_word("package") {
            c.unexpected("`end`", &format!("in package {shown}"));
            return;
        } else {
            record(c);
        }
        if c.token.span.start == start && !c.at_end() {
            c.bump();
        }
    }
}

/// Passes over a statement that says nothing about cells; a record type holds semicolons inside.
fn record(c: &mut Cursor<'_, '_, '_>) {
    let mut inside = false;
    while !c.at_end() && (inside || !c.at_start() || c.at_word("use")) {
        if c.at_word("record") {
            inside = true;
        }
        if inside && c.at_word("end") {
            c.bump();
            c.eat_word("record");
            inside = false;
        }
        if c.step().kind == Kind::Mark(b';') && !inside {
            return;
        }
    }
}

/// `attribute NAME : TYPE;`, or `attribute NAME of PACKAGE : package is TEXT;` (2013: what registers are made of).
fn attribute(c: &mut Cursor<'_, '_, '_>, package: &mut Package) {
    c.bump();
    let Some(name) = c.name("a name", "after `attribute`") else {
        return c.recover();
    };
    if c.at_word("of") {
        return given(c, package, name);
    }
    if !c.expect_mark(b':', "in the declaration of an attribute") {
        return c.recover();
    }
    let name = c.string(name);
    if package.attributes.len() < MOST_NAMES {
        package.attributes.push(name);
    }
    c.recover();
}

/// The value of an attribute, the hand at `of`.
fn given(c: &mut Cursor<'_, '_, '_>, package: &mut Package, name: Span) {
    while !c.at_text() && !c.at_mark(b';') && !c.at_end() && (!c.at_start() || c.at_word("package"))
    {
        c.bump();
    }
    if !c.at_text() {
        return c.recover();
    }
    let joined = c.joined();
    let known = ["REGISTER_MNEMONICS", "REGISTER_FIELDS", "REGISTER_ASSEMBLY"];
    let is = |k: &&&str| k.as_bytes().eq_ignore_ascii_case(c.slice(name));
    if let Some(place) = known.iter().find(is) {
        let frame = Frame {
            joined: &joined,
            place,
            rule: &rules::INNER_BESIDE,
        };
        match *place {
            "REGISTER_MNEMONICS" => package.mnemonics.extend(mnemonics(&frame, c.report)),
            "REGISTER_FIELDS" => package.registers.extend(registers(&frame, c.report)),
            _ => package.assemblies.extend(assemblies(&frame, c.report)),
        }
    }
    c.finish("the attribute");
}

/// `constant NAME : TYPE := TEXT;`, the hand at the colon: kept if the text is a string.
fn text(c: &mut Cursor<'_, '_, '_>, package: &mut Package, name: Span) {
    if c.token.kind == Kind::Word && c.after().kind == Kind::Assign {
        c.bump();
        c.bump();
        if c.at_text() && package.constants.len() < MOST_NAMES {
            let joined = c.joined();
            let text = latin(&joined.text);
            package.constants.push((c.string(name), text));
            return c.finish("the constant");
        }
    }
    c.recover();
}

/// `constant NAME : CELL_INFO [:= ((FUNCTION, INSTRUCTION, DATA), …)];`
fn constant(c: &mut Cursor<'_, '_, '_>, body: bool, package: &mut Package) {
    c.bump();
    let place = "in the constant";
    let Some(name) = c.name("a name", "after `constant`") else {
        return c.recover();
    };
    if !c.expect_mark(b':', place) {
        return c.recover();
    }
    if !c.eat_word("CELL_INFO") {
        return text(c, package, name);
    }
    if c.token.kind != Kind::Assign {
        if body {
            c.unexpected("`:=`", place);
            return c.recover();
        }
        // The body gives the value.
        return c.finish("the constant");
    }
    c.bump();
    let shown = c.string(name);
    let captures = triples(c, &shown);
    let known = package
        .cells
        .iter()
        .position(|cell| cell.name.eq_ignore_ascii_case(&shown));
    if known.is_some() {
        let message = format!(
            "cell type {shown} is defined twice in package {}",
            package.name
        );
        c.report.add(&rules::DECLARED_TWICE, name, message);
    } else if let Some(captures) =
        captures.filter(|c| !c.is_empty() && package.cells.len() < MOST_NAMES)
    {
        whole(c, &shown, name, &captures);
        package.cells.push(CellInfo {
            name: shown,
            package: package.name.clone(),
            captures,
        });
    }
    c.finish("the constant");
}

/// The triples of a cell; `None` after a fault in their form.
fn triples(c: &mut Cursor<'_, '_, '_>, cell: &str) -> Option<Vec<CellCapture>> {
    let place = format!("in cell type {cell}");
    let mut captures: Vec<CellCapture> = Vec::new();
    c.expect_mark(b'(', &place).then_some(())?;
    loop {
        // A single triple is written `1 => (…)`.
        if c.token.kind == Kind::Number {
            c.bump();
            c.expect_mark(b'=', &place).then_some(())?;
            c.expect_mark(b'>', &place).then_some(())?;
        }
        let first = c.token.span;
        c.expect_mark(b'(', &place).then_some(())?;
        let function = word(
            c,
            &place,
            "a function",
            FUNCTION_WORDS.map(|(w, ..)| w).as_slice(),
        );
        c.expect_mark(b',', &place).then_some(())?;
        let mode = word(
            c,
            &place,
            "EXTEST, SAMPLE or INTEST",
            MODE_WORDS.map(|(w, _)| w).as_slice(),
        );
        c.expect_mark(b',', &place).then_some(())?;
        let source = word(
            c,
            &place,
            "PI, PO, UPD, CAP, X, ZERO or ONE",
            SOURCE_WORDS.map(|(w, _)| w).as_slice(),
        );
        let span = first.to(c.token.span);
        c.expect_mark(b')', &place).then_some(())?;
        if let (Some(f), Some(m), Some(s)) = (function, mode, source) {
            let (_, function, driving) = FUNCTION_WORDS[f];
            let new = CellCapture {
                function,
                driving,
                mode: MODE_WORDS[m].1,
                source: SOURCE_WORDS[s].1,
            };
            let same =
                |c: &CellCapture| (c.function, c.driving, c.mode) == (function, driving, new.mode);
            if captures.iter().any(same) {
                let message = format!(
                    "{cell} says twice what {} captures under {}",
                    FUNCTION_WORDS[f].0, MODE_WORDS[m].0
                );
                c.report.add(&rules::CELL_TRIPLE, span, message);
            } else {
                captures.push(new);
            }
        }
        if !c.eat_mark(b',') {
            break;
        }
    }
    c.expect_mark(b')', &place).then_some(captures)
}

/// The position of the word under the hand among the known ones; another word is reported and passed over.
fn word(c: &mut Cursor<'_, '_, '_>, place: &str, expected: &str, known: &[&str]) -> Option<usize> {
    let position = known.iter().position(|w| c.at_word(w));
    if position.is_none() {
        c.unexpected(expected, place);
    }
    if c.token.kind == Kind::Word && !c.at_start() {
        c.bump();
    }
    position
}

/// Every function of a cell has entries for EXTEST and SAMPLE.
fn whole(c: &mut Cursor<'_, '_, '_>, cell: &str, place: Span, captures: &[CellCapture]) {
    for (word, function, driving) in FUNCTION_WORDS {
        let of = |c: &&CellCapture| c.function == function && c.driving == driving;
        let modes: Vec<_> = captures.iter().filter(of).map(|c| c.mode).collect();
        for (name, mode) in &MODE_WORDS[..2] {
            if !modes.is_empty() && !modes.contains(mode) {
                let message = format!("{cell} does not say what {word} captures under {name}");
                c.report.add(&rules::CELL_HALF, place, message);
            }
        }
    }
}
