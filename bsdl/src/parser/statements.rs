//! The statements of an entity, one after another; after a fault the next statement is read all the same.

use super::cursor::Cursor;
use super::draft::{Attribute, Draft, Generic, Value};
use super::lexer::Kind;
use super::order::Order;
use super::package;
use crate::model::{Package, Port, PortMode, Range};
use crate::rules;
use crate::span::Span;

/// The widest vector that this reader takes.
const WIDEST: u64 = 65_536;
/// The most port bits in all that this reader takes.
const MOST: u64 = 4_000_000;

/// Reads the first entity of the file; `None` if there is none.
pub(super) fn read(c: &mut Cursor<'_, '_, '_>) -> Option<Draft> {
    let mut draft = Draft::default();
    if !find_entity(c, &mut draft) {
        let span = Span::new(0, c.bytes.len().min(1) as u32);
        c.report
            .add(&rules::NO_ENTITY, span, "no entity in this file");
        return None;
    }
    c.bump();
    draft.entity = Span::new(c.behind, c.behind);
    if c.at_word("is") {
        c.unexpected("the entity's name", "after `entity`");
    } else if let Some(name) = c.name("the entity's name", "after `entity`") {
        draft.entity = name;
    }
    c.expect_word("is", "after the entity's name");
    let mut order = Order::default();
    loop {
        let start = c.token.span.start;
        if c.at_end() {
            draft.end = Span::new(c.behind, c.behind);
            c.report.add(
                &rules::NO_END,
                draft.end,
                "the file ends before the description does",
            );
            break;
        } else if c.at_word("end") {
            end(c, &mut draft);
            break;
        }
        statement(c, &mut draft, &mut order);
        if c.token.span.start == start && !c.at_end() {
            c.bump();
        }
    }
    Some(draft)
}

/// Reads all packages of a file, passing over what stands between them.
pub(super) fn read_packages(c: &mut Cursor<'_, '_, '_>, packages: &mut Vec<Package>) {
    while !c.at_end() {
        if at_package(c) {
            package::read(c, packages);
        } else {
            c.step();
        }
    }
}

/// Moves to `entity NAME is`, passing over what stands before it. If no such three words follow one another, the
/// first `entity` counts.
fn find_entity(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) -> bool {
    let mut foreign: Option<Span> = None;
    while !c.at_end() {
        if c.at_word("entity") && c.after().kind == Kind::Word {
            break;
        }
        if at_package(c) {
            package::read(c, &mut draft.packages);
            continue;
        }
        if foreign.is_none() && c.at_word("use") {
            let (place, from) = (c.token.span, draft.uses.len());
            use_clause(c, draft);
            if at_package(c) {
                // The clause serves the package, not the entity.
                draft.uses.truncate(from);
            } else {
                c.report
                    .add(&rules::ORDER, place, "`use` before the entity");
            }
            continue;
        }
        let span = c.step().span;
        foreign = Some(foreign.map_or(span, |f| f.to(span)));
    }
    if let (Some(span), false) = (foreign, c.at_end()) {
        c.report
            .add(&rules::OUTSIDE, span, "text before the entity");
    }
    !c.at_end()
}

fn statement(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft, order: &mut Order) {
    let first = c.token.span;
    if c.at_word("attribute") {
        attribute(c, draft, order);
    } else if c.at_word("constant") {
        order.at("PIN_MAP_STRING", first, c.report);
        constant(c, draft);
    } else if c.at_word("port") {
        order.at("port", first, c.report);
        port_list(c, draft);
    } else if c.at_word("generic") {
        order.at("generic", first, c.report);
        generic(c, draft);
    } else if c.at_word("use") {
        order.at("use", first, c.report);
        use_clause(c, draft);
    } else if c.eat_mark(b';') {
        c.report.add(&rules::EXTRA, first, "`;` after no statement");
    } else {
        let found = c.found();
        let known = ["attribute", "constant", "end", "generic", "port", "use"];
        let help = c.report.suggest(
            found.trim_matches('`'),
            known.into_iter(),
            "statements start with generic, port, use, attribute, constant or end",
        );
        c.report
            .add(
                &rules::NO_STATEMENT,
                first,
                format!("{found} starts no statement"),
            )
            .help(help);
        if c.at_start() {
            c.bump();
        }
        c.recover();
    }
}

/// `end [entity] NAME;` and what stands behind it.
fn end(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) {
    draft.end = c.bump().span;
    if c.at_word("entity") {
        c.bump();
    }
    if c.token.kind == Kind::Word {
        let name = c.bump().span;
        draft.end = draft.end.to(name);
        if !c.slice(name).eq_ignore_ascii_case(c.slice(draft.entity)) {
            let message = format!(
                "`end` names {}, the entity is {}",
                c.string(name),
                c.string(draft.entity)
            );
            c.report
                .add(&rules::OTHER_NAME, name, message)
                .also(draft.entity, "the entity's name");
        }
    } else {
        c.unexpected("the entity's name", "after `end`");
    }
    if c.at_mark(b';') {
        c.step();
    } else {
        let span = Span::new(c.behind - 1, c.behind);
        c.report
            .add(&rules::NO_SEMICOLON, span, "no `;` after `end`");
    }
    let mut foreign: Option<Span> = None;
    while !c.at_end() {
        if at_package(c) {
            package::read(c, &mut draft.packages);
        } else {
            let mut span = c.token.span;
            if c.at_word("use") {
                let from = draft.uses.len();
                use_clause(c, draft);
                draft.uses.truncate(from);
                if at_package(c) {
                    continue;
                }
                span.end = c.behind;
            } else {
                c.step();
            }
            foreign = Some(foreign.map_or(span, |f| f.to(span)));
        }
    }
    if let Some(span) = foreign {
        c.report
            .add(&rules::OUTSIDE, span, "text after the end of the entity");
    }
}

/// True at `package NAME` and `package body`.
fn at_package(c: &Cursor<'_, '_, '_>) -> bool {
    c.at_word("package") && c.after().kind == Kind::Word
}

/// `generic (PHYSICAL_PIN_MAP : string [:= "NAME"]);`
fn generic(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) {
    draft.has_generic = true;
    c.bump();
    let place = "in the generic";
    if !c.expect_mark(b'(', place) {
        return c.recover();
    }
    let Some(name) = c.name("PHYSICAL_PIN_MAP", place) else {
        return c.recover();
    };
    if !c.slice(name).eq_ignore_ascii_case(b"PHYSICAL_PIN_MAP") {
        let message = format!(
            "the generic is {}, expected PHYSICAL_PIN_MAP",
            c.string(name)
        );
        c.report.add(&rules::GENERIC, name, message);
    }
    if !(c.expect_mark(b':', place) && c.expect_word("string", place)) {
        return c.recover();
    }
    let mut default = None;
    if c.token.kind == Kind::Assign {
        c.bump();
        if !c.at_text() {
            c.unexpected("a string", place);
            return c.recover();
        }
        let joined = c.joined();
        default = Some((super::cursor::latin(&joined.text), joined.span));
    }
    draft.generic = Some(Generic { default });
    c.expect_mark(b')', place);
    c.finish("the generic");
}

/// `port (NAME {, NAME} : MODE TYPE {; ...});`
fn port_list(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) {
    draft.has_ports = true;
    c.bump();
    c.expect_mark(b'(', "after `port`");
    loop {
        let start = c.token.span.start;
        if c.eat_mark(b')') {
            break;
        }
        if c.at_start() || c.at_end() {
            c.unexpected("`)`", "after the last port");
            return;
        }
        port(c, draft);
        if c.at_mark(b';') {
            let semicolon = c.bump().span;
            if c.at_mark(b')') {
                c.report
                    .add(&rules::EXTRA, semicolon, "`;` after the last port");
            }
        } else if c.token.kind == Kind::Word && !c.at_start() {
            let span = Span::new(c.behind.saturating_sub(1), c.behind);
            c.report
                .add(&rules::NO_SEMICOLON, span, "no `;` between two ports");
        } else if !c.at_mark(b')') && !c.at_start() {
            c.unexpected("`;` or `)`", "after a port");
            skip_port(c, 0);
            c.eat_mark(b';');
        }
        if c.token.span.start == start && !c.at_end() {
            c.bump();
        }
    }
    c.finish("the port list");
}

/// Skips to the semicolon or bracket that ends a port, or to the next statement.
fn skip_port(c: &mut Cursor<'_, '_, '_>, mut depth: u32) {
    while !c.at_end() && !c.at_start() && !c.at_mark(b';') {
        match c.token.kind {
            Kind::Mark(b'(') => depth += 1,
            Kind::Mark(b')') if depth == 0 => return,
            Kind::Mark(b')') => depth -= 1,
            _ => {}
        }
        c.step();
    }
}

/// One declaration. On a fault its names are kept as broken and the rest of it is skipped.
fn port(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) {
    let from = draft.broken_ports.len();
    let mut depth = 0;
    let Some((mode, range)) = port_parts(c, draft, &mut depth) else {
        return skip_port(c, depth);
    };
    let names = draft.broken_ports.len() - from;
    let bits = range.map_or(1, Range::width) * names as u64;
    if range.is_some() && draft.bits + bits > MOST {
        let message = format!("the ports have more than {MOST} bits in all");
        c.report
            .add(&rules::WIDE, draft.broken_ports[from], message);
        return;
    }
    draft.bits += bits;
    for span in draft.broken_ports.drain(from..) {
        let name = c.string(span);
        draft.ports.push(Port {
            name,
            mode,
            range,
            span,
        });
    }
}

fn port_parts(
    c: &mut Cursor<'_, '_, '_>,
    draft: &mut Draft,
    depth: &mut u32,
) -> Option<(PortMode, Option<Range>)> {
    loop {
        let name = c.name("a port name", "in the port list")?;
        draft.broken_ports.push(name);
        if !c.eat_mark(b',') {
            break;
        }
    }
    let mode_of = |text: &[u8]| {
        PortMode::ALL
            .iter()
            .find(|(_, s)| s.as_bytes().eq_ignore_ascii_case(text))
            .map(|(m, _)| *m)
    };
    if !c.eat_mark(b':') {
        c.unexpected("`:`", "after the port name");
        mode_of(c.slice(c.token.span))?;
    }
    let Some(mode) = mode_of(c.slice(c.token.span)) else {
        c.unexpected("in, out, buffer, inout or linkage", "after the port name");
        return None;
    };
    c.bump();
    if c.eat_word("bit") {
        return Some((mode, None));
    }
    if !c.at_word("bit_vector") {
        c.unexpected("bit or bit_vector", "after the port's mode");
        return None;
    }
    c.bump();
    let first = c.token.span;
    let place = "in the port's range";
    c.expect_mark(b'(', place).then_some(())?;
    *depth = 1;
    let left = c.integer(place)?;
    let up = c.at_word("to");
    if !up && !c.at_word("downto") {
        c.unexpected("`to` or `downto`", place);
        return None;
    }
    c.bump();
    let right = c.integer(place)?;
    let span = first.to(c.token.span);
    c.expect_mark(b')', place).then_some(())?;
    *depth = 0;
    let range = Range { left, right };
    if range.width() > WIDEST {
        let message = format!(
            "the port has {} bits, this reader takes {WIDEST}",
            range.width()
        );
        c.report.add(&rules::WIDE, span, message);
        return None;
    }
    if left != right && up != (left < right) {
        let (said, meant) = if up {
            ("to", "downto")
        } else {
            ("downto", "to")
        };
        let message = format!("the range says {left} {said} {right}");
        let help = format!("write ({left} {meant} {right}) if index {left} is the leftmost");
        c.report.add(&rules::RANGE, span, message).help(help);
    }
    Some((mode, Some(range)))
}

/// `use NAME.all;`
fn use_clause(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) {
    c.bump();
    loop {
        let Some(mut last) = c.name("a package name", "after `use`") else {
            return c.recover();
        };
        let mut all = false;
        while c.eat_mark(b'.') {
            if c.eat_word("all") {
                all = true;
                break;
            }
            let Some(next) = c.name("a package name or `all`", "after `.`") else {
                return c.recover();
            };
            last = next;
        }
        if !all {
            c.unexpected("`.all`", "after the package name");
        }
        draft.uses.push((c.string(last), last));
        if !c.eat_mark(b',') {
            break;
        }
    }
    c.finish("the use clause");
}

/// `constant NAME : PIN_MAP_STRING := STRINGS;`
fn constant(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft) {
    draft.has_map = true;
    c.bump();
    let place = "in the constant";
    let Some(name) = c.name("a name", "after `constant`") else {
        return c.recover();
    };
    if !(c.expect_mark(b':', place) && c.expect_word("PIN_MAP_STRING", place)) {
        return c.recover();
    }
    if c.token.kind == Kind::Assign {
        c.bump();
    } else {
        c.unexpected("`:=`", place);
        while matches!(c.token.kind, Kind::Mark(b':' | b'=')) || c.at_word("is") {
            c.bump();
        }
    }
    let bracket = c.eat_mark(b'(');
    if !c.at_text() {
        c.unexpected("a string", place);
        return c.recover();
    }
    let joined = c.joined();
    if bracket {
        c.expect_mark(b')', place);
    }
    draft.maps.push((name, joined));
    c.finish("the pin map");
}

/// `attribute NAME of TARGET : CLASS is VALUE;` or `attribute NAME : BSDL_EXTENSION;`
fn attribute(c: &mut Cursor<'_, '_, '_>, draft: &mut Draft, order: &mut Order) {
    let first = c.bump().span;
    let Some(name) = c.name("a name", "after `attribute`") else {
        return c.recover();
    };
    let shown = c.string(name);
    draft.seen.push(name);
    if c.eat_mark(b':') {
        order.at("BSDL_EXTENSION", first, c.report);
        if c.eat_word("BSDL_EXTENSION") {
            draft.declared.push(name);
        } else {
            c.unexpected("BSDL_EXTENSION", "in the declaration of an attribute");
            return c.recover();
        }
        return c.finish("the declaration of an extension");
    }
    order.at(&shown, first, c.report);
    let place = format!("in the attribute {shown}");
    if !c.expect_word("of", &place) {
        return c.recover();
    }
    let Some(target) = c.name("the entity's or a port's name", "after `of`") else {
        return c.recover();
    };
    let on_signal = class(c, &place);
    let start = c.token.span;
    let Some(value) = value(c, &place) else {
        return c.recover();
    };
    let span = Span::new(start.start, c.behind.max(start.end));
    draft.attributes.push(Attribute {
        name,
        target,
        on_signal,
        value,
        span,
    });
    c.finish(&format!("the attribute {shown}"));
}

/// `: entity is` or `: signal is`; true for signal. After a fault, told once, the words up to the value are passed over.
fn class(c: &mut Cursor<'_, '_, '_>, place: &str) -> bool {
    let colon = c.eat_mark(b':');
    if !colon {
        c.unexpected("`:`", place);
    }
    let on_signal = c.at_word("signal");
    if on_signal || c.at_word("entity") {
        c.bump();
        if c.eat_word("is") {
            return on_signal;
        }
        if colon {
            c.unexpected("`is`", place);
        }
    } else if colon {
        c.unexpected("`entity` or `signal`", place);
    }
    while matches!(c.token.kind, Kind::Word | Kind::Mark(b':')) && !c.at_start() {
        c.bump();
    }
    on_signal
}

fn value(c: &mut Cursor<'_, '_, '_>, place: &str) -> Option<Value> {
    match c.token.kind {
        Kind::Text { .. } => Some(Value::Text(c.joined())),
        Kind::Number => {
            c.bump();
            Some(Value::Number)
        }
        Kind::Word if !c.at_start() => {
            c.bump();
            Some(Value::Word)
        }
        Kind::Mark(b'(') => {
            c.bump();
            if c.at_text() {
                let joined = c.joined();
                c.expect_mark(b')', place);
                return Some(Value::Text(joined));
            }
            if c.token.kind != Kind::Number {
                c.unexpected("a rate in hertz or a string", place);
                return None;
            }
            let hz = c.bump().span;
            c.expect_mark(b',', place).then_some(())?;
            if c.token.kind == Kind::Number {
                let second = c.bump().span;
                c.expect_mark(b')', place);
                return Some(Value::Pair { first: hz, second });
            }
            let halt = c.name("LOW or BOTH", place)?;
            c.expect_mark(b')', place);
            Some(Value::Clock { hz, halt })
        }
        _ => {
            c.unexpected("a value", place);
            None
        }
    }
}
