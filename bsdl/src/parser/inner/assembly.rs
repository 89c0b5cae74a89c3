//! REGISTER_ASSEMBLY, REGISTER_CONSTRAINTS, REGISTER_ASSOCIATION and BOUNDARY_SEGMENT of the 2013 edition (from memory;
//! every fault in them is a warning).

use nom::Parser;
use nom::combinator::opt;
use nom::sequence::{delimited, preceded, terminated};

use super::boundary::{self, Line};
use super::description::{bracketed, length, tag};
use super::ports::{Named, named};
use super::tokens::{fault, ident_len, list, mark, name, number, peek, skip_blank, word};
use super::{In, Res};
use crate::model::{Gravity, Range};

/// A word and the text in its brackets.
pub(crate) type Property<'a> = (In<'a>, Option<In<'a>>);

/// A part of an assembled register.
#[derive(Debug)]
pub(crate) enum Part<'a> {
    Using(In<'a>),
    Segment(Segment<'a>),
    /// Where it begins, and what it says.
    Choice(In<'a>, Vec<Property<'a>>),
}

/// A segment or field of an assembled register.
#[derive(Debug)]
pub(crate) struct Segment<'a> {
    pub(crate) name: In<'a>,
    pub(crate) range: Option<Range>,
    pub(crate) width: Option<u32>,
    pub(crate) kind: Option<In<'a>>,
    pub(crate) properties: Vec<Property<'a>>,
}

/// Name, length, parts.
pub(crate) type Register<'a> = (In<'a>, Option<u32>, Vec<Part<'a>>);

/// `REGISTER [length] ((USING package), (SEGMENT IS KIND …), (SelectField …), …)`.
pub(crate) fn assembly(text: In<'_>) -> Res<'_, Register<'_>> {
    let parts = delimited(
        mark(b'(', "`(` before the parts"),
        list(part),
        mark(b')', "`)` or a comma after a part"),
    );
    (name("a register name"), opt(length), parts).parse(text)
}

fn part(text: In<'_>) -> Res<'_, Part<'_>> {
    let (text, ()) = mark(b'(', "`(` before a part")(text)?;
    let at = skip_blank(text);
    if at[..ident_len(at)].eq_ignore_ascii_case(b"USING") {
        let package = preceded(word("USING", "using"), dotted("a package name"));
        let (text, package) = terminated(package, mark(b')', "`)` after the package")).parse(at)?;
        return Ok((text, Part::Using(package)));
    }
    if let Ok((text, segment)) = segment(at) {
        return Ok((text, Part::Segment(segment)));
    }
    let (text, properties) = properties(at)?;
    if properties.is_empty() {
        return fault(at, "a segment, a field or a choice");
    }
    let word = &at[..ident_len(at)];
    Ok((text, Part::Choice(word, properties)))
}

/// `NAME [(range)] [[width]] [IS KIND] properties)`, one of width and kind at least.
fn segment(text: In<'_>) -> Res<'_, Segment<'_>> {
    let array = word("ARRAY", "array");
    let (text, (_, name)) = (
        opt(terminated(array, |t| {
            name("a name")(t).map(|(_, n)| (t, n))
        })),
        name("a segment name"),
    )
        .parse(text)?;
    let (text, range) = opt(super::description::range_in_brackets).parse(text)?;
    let (text, width) = opt(length).parse(text)?;
    let (text, kind) = opt(preceded(word("IS", "is"), dotted("a kind of segment"))).parse(text)?;
    if width.is_none() && kind.is_none() {
        return fault(text, "`is` and a kind of segment");
    }
    let (text, properties) = properties(text)?;
    Ok((
        text,
        Segment {
            name,
            range,
            width,
            kind,
            properties,
        },
    ))
}

/// Words with or without text in brackets, up to the closing bracket, which is taken.
fn properties(mut text: In<'_>) -> Res<'_, Vec<Property<'_>>> {
    let mut all = Vec::new();
    while !peek(text, b')') {
        let (rest, property) = (name("a property or `)`"), opt(bracketed)).parse(text)?;
        all.push(property);
        text = rest;
    }
    Ok((&skip_blank(text)[1..], all))
}

/// Names joined by dots, no blanks between.
fn dotted<'a>(expected: &'static str) -> impl Fn(In<'a>) -> Res<'a, In<'a>> {
    move |text| {
        let start = skip_blank(text);
        let (mut rest, _) = name(expected)(start)?;
        while rest.first() == Some(&b'.') {
            let (after, _) = name("a name after the dot")(&rest[1..])?;
            rest = after;
        }
        Ok((rest, &start[..start.len() - rest.len()]))
    }
}

/// What must hold, how bad it is if not, and words about it.
#[derive(Debug)]
pub(crate) struct Limit<'a> {
    pub(crate) expression: In<'a>,
    pub(crate) gravity: Option<Gravity>,
    pub(crate) note: Option<In<'a>>,
}

/// `REGISTER ((expression) ERROR <words>, …)`; a limit may stand in brackets of its own.
pub(crate) fn constraints(text: In<'_>) -> Res<'_, (In<'_>, Vec<Limit<'_>>)> {
    let limits = delimited(
        mark(b'(', "`(` before the limits"),
        list(limit),
        mark(b')', "`)` or a comma after a limit"),
    );
    (name("a register name"), limits).parse(text)
}

fn limit(text: In<'_>) -> Res<'_, Limit<'_>> {
    let bare = |text| -> Res<'_, Limit<'_>> {
        let (text, (expression, gravity, note)) =
            (bracketed, opt(gravity), opt(tag)).parse(text)?;
        Ok((
            text,
            Limit {
                expression,
                gravity,
                note,
            },
        ))
    };
    let (rest, limit) = bare(text)?;
    match bare(limit.expression) {
        Ok((inner, own))
            if limit.gravity.is_none() && limit.note.is_none() && skip_blank(inner).is_empty() =>
        {
            Ok((rest, own))
        }
        _ => Ok((rest, limit)),
    }
}

fn gravity(text: In<'_>) -> Res<'_, Gravity> {
    const EXPECTED: &str = "ERROR, WARNING or INFO";
    let (rest, word) = name(EXPECTED)(text)?;
    match Gravity::ALL
        .iter()
        .find(|(_, w)| w.as_bytes().eq_ignore_ascii_case(word))
    {
        Some((gravity, _)) => Ok((rest, *gravity)),
        None => fault(skip_blank(text), EXPECTED),
    }
}

/// The names in an expression that stand for fields: numbers, words of logic, and what `is_group` knows along with the
/// brackets behind it are passed over; so is a word before brackets, which is a function.
pub(crate) fn fields_of<'a>(expression: In<'a>, is_group: impl Fn(In<'a>) -> bool) -> Vec<In<'a>> {
    const WORDS: [&[u8]; 6] = [b"AND", b"OR", b"NOT", b"XOR", b"MOD", b"ONE_HOT"];
    let mut all: Vec<In<'a>> = Vec::new();
    let mut rest = expression;
    while let Some(&first) = rest.first() {
        let len = ident_len(rest).max(1);
        if !first.is_ascii_alphabetic() {
            rest = &rest[len..];
            continue;
        }
        let (after, path) = match dotted("a name")(rest) {
            Ok(found) => found,
            Err(_) => (&rest[len..], &rest[..len]),
        };
        rest = after;
        if peek(rest, b'(') {
            if is_group(path)
                && let Ok((after, _)) = bracketed(rest)
            {
                rest = after;
            }
        } else if !WORDS.iter().any(|w| w.eq_ignore_ascii_case(path))
            && !all.iter().any(|f| f.eq_ignore_ascii_case(path))
        {
            all.push(path);
        }
    }
    all
}

/// What a register or field belongs to.
#[derive(Debug)]
pub(crate) struct Link<'a> {
    pub(crate) path: In<'a>,
    pub(crate) items: Vec<LinkItem<'a>>,
}

/// One thing that is said of it.
#[derive(Debug)]
pub(crate) enum LinkItem<'a> {
    Ports(Vec<Named<'a>>),
    Clocks(Vec<Named<'a>>),
    Other(In<'a>, Option<In<'a>>),
}

/// `PATH : item, …`, or `REGISTER (PATH : item, …)`, each link in brackets of its own if the writer likes. The register
/// is answered in the second form.
pub(crate) fn association(text: In<'_>) -> Res<'_, (Option<In<'_>>, Vec<Link<'_>>)> {
    if let Ok((rest, link)) = link(text) {
        return Ok((rest, (None, vec![link])));
    }
    let in_brackets = delimited(
        mark(b'(', "`(`"),
        link,
        mark(b')', "`)` or a comma after what is said"),
    );
    let links = delimited(
        mark(b'(', "`:` and what is said, or `(` and paths"),
        list(nom::branch::alt((in_brackets, link))),
        mark(b')', "`)` or a comma after what is said"),
    );
    let (rest, (register, links)) = (path, links).parse(text)?;
    Ok((rest, (Some(register), links)))
}

fn link(text: In<'_>) -> Res<'_, Link<'_>> {
    let (text, path) = terminated(path, mark(b':', "`:` after the name")).parse(text)?;
    let (mut text, first) = item(text)?;
    let mut items = vec![first];
    // A comma leads to the next item, or to the next link, whose name has a colon behind it.
    while peek(text, b',') && !starts_link(skip_blank(&skip_blank(text)[1..])) {
        let after = &skip_blank(text)[1..];
        if peek(after, b'(') {
            break;
        }
        let (rest, next) = item(after)?;
        items.push(next);
        text = rest;
    }
    Ok((text, Link { path, items }))
}

/// Names joined by dots, each with an index if one is written.
fn path(text: In<'_>) -> Res<'_, In<'_>> {
    const DEEPEST: usize = 64;
    let start = skip_blank(text);
    let mut rest = start;
    for _ in 0..DEEPEST {
        let (after, _) = name("a register or field name")(rest)?;
        rest = after;
        let index = delimited(mark(b'(', "`(`"), number("an index"), mark(b')', "`)`")).parse(rest);
        if let Ok((after, _)) = index {
            rest = after;
        }
        if rest.first() != Some(&b'.') {
            return Ok((rest, &start[..start.len() - rest.len()]));
        }
        rest = &rest[1..];
    }
    fault(rest, "fewer names joined by dots")
}

fn item(text: In<'_>) -> Res<'_, LinkItem<'_>> {
    let (rest, key) = name("PORT, CLOCK, UNIT, INFO or the like")(text)?;
    let is = |words: &[&str]| words.iter().any(|w| w.as_bytes().eq_ignore_ascii_case(key));
    let ports = || {
        delimited(
            mark(b'(', "`(` before the ports"),
            list(named),
            mark(b')', "`)` or a comma after a port"),
        )
    };
    if is(&["PORT", "PORTS"]) {
        return ports().map(LinkItem::Ports).parse(rest);
    }
    if is(&["CLOCK", "SYSCLOCK"]) {
        return ports().map(LinkItem::Clocks).parse(rest);
    }
    let (rest, text) = opt(nom::branch::alt((bracketed, tag))).parse(rest)?;
    Ok((rest, LinkItem::Other(key, text)))
}

fn starts_link(text: In<'_>) -> bool {
    path(text).is_ok_and(|(rest, _)| peek(rest, b':'))
}

/// True where an association may begin.
pub(crate) fn starts_association(text: In<'_>) -> bool {
    starts_link(text) || starts(text)
}

/// Name, length, lines of the table.
pub(crate) type Piece<'a> = (In<'a>, u32, Vec<(Line<'a>, In<'a>)>);

/// `SEGMENT [length] (line, …)`.
pub(crate) fn piece(text: In<'_>) -> Res<'_, Piece<'_>> {
    let line = |text| {
        let text = skip_blank(text);
        let (rest, line) = boundary::line(text)?;
        Ok((rest, (line, &text[..text.len() - rest.len()])))
    };
    let lines = delimited(
        mark(b'(', "`(` before the table"),
        list(line),
        mark(b')', "`)` or a comma after a line"),
    );
    (name("a segment name"), length, lines).parse(text)
}

/// True at a name with a length in square brackets behind it.
pub(crate) fn starts_piece(text: In<'_>) -> bool {
    let len = ident_len(text);
    len > 0 && text[0].is_ascii_alphabetic() && peek(&text[len..], b'[')
}

/// True at a name, perhaps with a length, and two brackets behind it.
pub(crate) fn starts(text: In<'_>) -> bool {
    let named = (name("a name"), opt(length), mark(b'(', "`(`")).parse(text);
    ident_len(text) > 0 && named.is_ok_and(|(rest, _)| peek(rest, b'('))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn registers_are_made_of_parts() {
        let (rest, (name, length, parts)) = assembly(
            b"INIT_DATA [12] ((USING Loom.Cards), (READER(0 to 1) IS CARD_T), (EDGE [2] RESETVAL(0b00)), \
              (SelectMux (READER) SelectField (EDGE) SelectValues ((READER : 0b01)))), NEXT",
        )
        .unwrap();
        assert_eq!(
            (rest, name, length),
            (&b", NEXT"[..], &b"INIT_DATA"[..], Some(12))
        );
        let [
            Part::Using(package),
            Part::Segment(reader),
            Part::Segment(edge),
            Part::Choice(word, said),
        ] = &parts[..]
        else {
            panic!("{parts:?}")
        };
        assert_eq!(
            (*package, *word, said.len()),
            (&b"Loom.Cards"[..], &b"SelectMux"[..], 3)
        );
        assert_eq!(
            (reader.range, reader.kind),
            (Some(Range { left: 0, right: 1 }), Some(&b"CARD_T"[..]))
        );
        assert_eq!(
            (edge.width, edge.properties[0]),
            (Some(2), (&b"RESETVAL"[..], Some(&b"0b00"[..])))
        );
        assert!(assembly(b"R (())").is_err() && assembly(b"R ((A IS").is_err());
    }

    #[test]
    fn limits_name_their_fields() {
        let (_, (register, limits)) = constraints(
            b"INIT_DATA ((HOLES < 3 AND Speed(FAST) /= EDGE) WARNING <too fast>, ((ONE_HOT(A.B, HOLES)) ERROR))",
        )
        .unwrap();
        assert_eq!((register, limits.len()), (&b"INIT_DATA"[..], 2));
        assert_eq!(
            (limits[0].gravity, limits[0].note),
            (Some(Gravity::Warning), Some(&b"too fast"[..]))
        );
        assert_eq!(
            (limits[1].expression, limits[1].gravity),
            (&b"ONE_HOT(A.B, HOLES)"[..], Some(Gravity::Error))
        );
        let is_group = |word: &[u8]| word == b"Speed";
        assert_eq!(
            fields_of(limits[0].expression, is_group),
            [&b"HOLES"[..], b"EDGE"]
        );
        assert_eq!(
            fields_of(limits[1].expression, is_group),
            [&b"A.B"[..], b"HOLES"]
        );
    }

    #[test]
    fn associations_in_both_forms() {
        let (rest, (register, links)) = association(
            b"INIT_DATA.HOLES : PORT (A, Q(0)), UNIT (mV), INFO <punched>, EDGE : CLOCK (CLK)",
        )
        .unwrap();
        assert_eq!((register, links.len(), links[0].items.len()), (None, 1, 3));
        assert!(rest.starts_with(b", EDGE") && starts_association(&rest[2..]));
        let (rest, (register, links)) =
            association(b"INIT_DATA ((HOLES : PORT (A)), EDGE(2) : USER(x), REST : INFO <z>)")
                .unwrap();
        assert_eq!(
            (rest, register, links.len()),
            (&b""[..], Some(&b"INIT_DATA"[..]), 3)
        );
        assert_eq!(links[1].path, b"EDGE(2)");
        assert!(association(b"HOLES").is_err());
    }

    #[test]
    fn segments_of_the_boundary_register() {
        let (_, (name, length, lines)) =
            piece(b"NEEDLES [2] (1 (BC_1, *, control, 1), 0 (BC_1, Q(0), output3, X, 1, 1, Z))")
                .unwrap();
        assert_eq!(
            (name, length, lines.len(), lines[0].0.number),
            (&b"NEEDLES"[..], 2, 2, 1)
        );
    }
}
