//! ISC_FLOW, ISC_PROCEDURE and ISC_ACTION of IEEE 1532 (from memory; every fault in them is a warning).

use nom::Parser;
use nom::combinator::opt;
use nom::sequence::delimited;

use super::execution::wait;
use super::tokens::{fault, ident_len, list, mark, name, number, peek, skip_blank, word};
use super::{In, Res};
use crate::model::{BlockKind, Wait};

/// A name, and the data's name in brackets.
pub(crate) type Named<'a> = (In<'a>, Option<In<'a>>);
/// Bits, and the data as written.
pub(crate) type Data<'a> = (Option<u32>, In<'a>);

/// `NAME` or `NAME (data)`.
fn named(text: In<'_>) -> Res<'_, Named<'_>> {
    let data = delimited(
        mark(b'(', "`(`"),
        name("the data's name"),
        mark(b')', "`)` after the data's name"),
    );
    (name("a name"), opt(data)).parse(text)
}

/// A flow: its name, words, blocks of steps.
pub(crate) type Flow<'a> = (Named<'a>, Vec<In<'a>>, Vec<(BlockKind, Vec<Step<'a>>)>);

/// `NAME [(data)] {word} {block}`, blocks being `initialize`, `repeat n` or `terminate` and steps in brackets.
pub(crate) fn flow(text: In<'_>) -> Res<'_, Flow<'_>> {
    let (mut text, named) = named(text)?;
    let (mut words, mut blocks) = (Vec::new(), Vec::new());
    loop {
        let at = skip_blank(text);
        if at.is_empty() || at[0] == b',' {
            return Ok((text, (named, words, blocks)));
        }
        if let Ok((rest, kind)) = block(at) {
            let (rest, steps) = steps(rest)?;
            blocks.push((kind, steps));
            text = rest;
        } else if blocks.is_empty() {
            let (rest, word) = name("a word, `initialize`, `repeat` or `terminate`")(at)?;
            words.push(word);
            text = rest;
        } else {
            return fault(at, "`initialize`, `repeat`, `terminate` or a comma");
        }
    }
}

/// The head of a block, with `=` if one is written.
fn block(text: In<'_>) -> Res<'_, BlockKind> {
    let repeat = (word("REPEAT", "repeat"), number("how many times"));
    let kind = nom::branch::alt((
        word("INITIALIZE", "initialize").map(|()| BlockKind::Initialize),
        word("TERMINATE", "terminate").map(|()| BlockKind::Terminate),
        repeat.map(|(_, n)| BlockKind::Repeat(n)),
    ));
    let (text, (kind, _)) = (kind, opt(mark(b'=', "`=`"))).parse(text)?;
    Ok((text, kind))
}

/// One or more steps, with or without commas between them; a comma that leads to no step is left.
fn steps(text: In<'_>) -> Res<'_, Vec<Step<'_>>> {
    let (mut text, first) = step(text)?;
    let mut all = vec![first];
    loop {
        let after = if peek(text, b',') {
            &skip_blank(text)[1..]
        } else {
            text
        };
        if !peek(after, b'(') {
            return Ok((text, all));
        }
        let (rest, next) = step(after)?;
        all.push(next);
        text = rest;
    }
}

/// One step.
#[derive(Debug)]
pub(crate) struct Step<'a> {
    pub(crate) instruction: In<'a>,
    pub(crate) updates: Vec<Data<'a>>,
    pub(crate) wait: Vec<Wait>,
    pub(crate) captures: Vec<Data<'a>>,
}

/// `(INSTRUCTION {data} [WAIT duration {, duration}] {data})`.
fn step(text: In<'_>) -> Res<'_, Step<'_>> {
    let (text, ()) = mark(b'(', "`(` before a step")(text)?;
    let (mut text, instruction) = name("an instruction")(text)?;
    let mut step = Step {
        instruction,
        updates: Vec::new(),
        wait: Vec::new(),
        captures: Vec::new(),
    };
    let mut waited = false;
    loop {
        let at = skip_blank(text);
        match at.first() {
            None => return fault(at, "`)` after the step"),
            Some(b')') => return Ok((&at[1..], step)),
            Some(b',') => text = &at[1..],
            Some(_) if !waited && at[..ident_len(at)].eq_ignore_ascii_case(b"WAIT") => {
                let (rest, first) = wait(&at[4..])?;
                step.wait.push(first.0);
                (text, waited) = (rest, true);
            }
            Some(_) => match wait(at) {
                // A number with a colon behind it is the width of a field.
                Ok((rest, (one, _))) if waited && step.captures.is_empty() && !peek(rest, b':') => {
                    step.wait.push(one);
                    text = rest;
                }
                _ => {
                    let (rest, field) = data(at)?;
                    let list = if waited {
                        &mut step.captures
                    } else {
                        &mut step.updates
                    };
                    list.push(field);
                    text = rest;
                }
            },
        }
    }
}

/// `bits : data`, or data alone.
fn data(text: In<'_>) -> Res<'_, Data<'_>> {
    let width = (number("a number of bits"), mark(b':', "`:`"));
    let (text, width) = opt(width).parse(text)?;
    let text = skip_blank(text);
    let len = text
        .iter()
        .position(|b| !b.is_ascii_graphic() || b"(),\"&".contains(b))
        .unwrap_or(text.len());
    if len == 0 {
        return fault(text, "data such as 8:3F, 16:? or 16:$address");
    }
    Ok((&text[len..], (width.map(|(n, ())| n), &text[..len])))
}

/// `NAME [(data)] = (FLOW [(data)], …)`.
pub(crate) fn procedure(text: In<'_>) -> Res<'_, (Named<'_>, Vec<Named<'_>>)> {
    let flows = delimited(
        mark(b'(', "`(` before the flows"),
        list(named),
        mark(b')', "`)` or a comma after a flow"),
    );
    let (text, (named, _, flows)) = (named, opt(mark(b'=', "`=`")), flows).parse(text)?;
    Ok((text, (named, flows)))
}

/// An action: its name, words, procedures each with words.
pub(crate) type Action<'a> = (Named<'a>, Vec<In<'a>>, Vec<(Named<'a>, Vec<In<'a>>)>);

/// `NAME [(data)] {word} = (PROCEDURE [(data)] {word}, …)`.
pub(crate) fn action(text: In<'_>) -> Res<'_, Action<'_>> {
    let procedures = delimited(
        mark(b'(', "`(` before the procedures"),
        list((named, words)),
        mark(b')', "`)` or a comma after a procedure"),
    );
    let (text, (named, words, _, procedures)) =
        (named, words, opt(mark(b'=', "`=`")), procedures).parse(text)?;
    Ok((text, (named, words, procedures)))
}

/// Words, as many as follow each other.
fn words(mut text: In<'_>) -> Res<'_, Vec<In<'_>>> {
    let mut all = Vec::new();
    while let Ok((rest, word)) = name("a word")(text) {
        all.push(word);
        text = rest;
    }
    Ok((text, all))
}

/// True where a flow may begin: a name, perhaps data, words, and a block.
pub(crate) fn starts_flow(text: In<'_>) -> bool {
    const WORDS: usize = 8;
    let Ok((mut rest, _)) = named(text) else {
        return false;
    };
    for _ in 0..WORDS {
        if block(rest).is_ok() {
            return true;
        }
        match name("a word")(rest) {
            Ok((after, _)) => rest = after,
            Err(_) => return false,
        }
    }
    false
}

/// True at any name.
pub(crate) fn starts(text: In<'_>) -> bool {
    ident_len(text) > 0 && text[0].is_ascii_alphabetic()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn flows_are_blocks_of_steps() {
        let (rest, (name, words, blocks)) = flow(
            b"flow_program(array) exit_on_error initialize (ISC_ADDRESS_SHIFT 16:$adr=0 WAIT TCK 1), \
              (ISC_DATA_SHIFT 8:? WAIT 1.0e-3, TCK 3 8:5A*FF, OST) repeat 511 (ISC_PROGRAM wait 14.0e-3), flow_verify",
        )
        .unwrap();
        assert_eq!(
            (name, words.len(), blocks.len()),
            ((&b"flow_program"[..], Some(&b"array"[..])), 1, 2)
        );
        assert_eq!(rest, b", flow_verify");
        let step = &blocks[0].1[1];
        assert_eq!(step.updates, [(Some(8), &b"?"[..])]);
        assert_eq!(
            step.wait,
            [
                Wait::Seconds(1.0e-3),
                Wait::Cycles {
                    port: "TCK".into(),
                    count: 3
                }
            ]
        );
        assert_eq!(
            step.captures,
            [(Some(8), &b"5A*FF"[..]), (None, &b"OST"[..])]
        );
        assert_eq!(
            (blocks[1].0, blocks[1].1[0].instruction),
            (BlockKind::Repeat(511), &b"ISC_PROGRAM"[..])
        );
        assert!(flow(b"f initialize (A").is_err() && flow(b"f initialize (A) again").is_err());
    }

    #[test]
    fn procedures_and_actions_name_what_they_run() {
        let (_, (name, flows)) =
            procedure(b"proc_program(array) = (flow_program(array), flow_done)").unwrap();
        assert_eq!(
            (name.1, flows.len(), flows[1]),
            (Some(&b"array"[..]), 2, (&b"flow_done"[..], None))
        );
        let (_, (name, words, procedures)) =
            action(b"program proprietary = (proc_erase recommended, proc_program(array) optional)")
                .unwrap();
        assert_eq!(
            (name.0, words.len(), procedures.len()),
            (&b"program"[..], 1, 2)
        );
        assert_eq!(
            procedures[1],
            (
                (&b"proc_program"[..], Some(&b"array"[..])),
                vec![&b"optional"[..]]
            )
        );
    }
}
