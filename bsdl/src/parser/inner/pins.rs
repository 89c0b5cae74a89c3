//! PIN_MAP_STRING: `PORT : PIN` or `PORT : (PIN, PIN, …)`, separated by commas.

use super::tokens::{fault, ident_len, list, mark, name, peek, skip_blank};
use super::{In, Res};

/// One port with its pins.
#[derive(Debug)]
pub(crate) struct Entry<'a> {
    pub(crate) port: In<'a>,
    /// True if the pins stand in brackets.
    pub(crate) listed: bool,
    pub(crate) pins: Vec<In<'a>>,
}

pub(crate) fn entry(text: In<'_>) -> Res<'_, Entry<'_>> {
    let (text, port) = name("a port name")(text)?;
    let (text, ()) = mark(b':', "`:` after the port name")(text)?;
    if !peek(text, b'(') {
        let (text, pin) = pin(text)?;
        return Ok((
            text,
            Entry {
                port,
                listed: false,
                pins: vec![pin],
            },
        ));
    }
    let (text, ()) = mark(b'(', "`(`")(text)?;
    let (text, pins) = list(pin)(text)?;
    let (text, ()) = mark(b')', "`)` or a comma after a pin")(text)?;
    Ok((
        text,
        Entry {
            port,
            listed: true,
            pins,
        },
    ))
}

/// A pin name: letters, digits, underscores in the standard; dots, dashes and the like are let through.
fn pin(text: In<'_>) -> Res<'_, In<'_>> {
    let text = skip_blank(text);
    let len = text
        .iter()
        .position(|b| !b.is_ascii_graphic() || b"(),:;\"&".contains(b))
        .unwrap_or(text.len());
    if len == 0 {
        fault(text, "a pin name or number")
    } else {
        Ok((&text[len..], &text[..len]))
    }
}

/// True where an entry may begin: a name and a colon.
pub(crate) fn starts(text: In<'_>) -> bool {
    let len = ident_len(text);
    len > 0 && text[0].is_ascii_alphabetic() && peek(&text[len..], b':')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn single_pins_and_lists() {
        let (rest, e) = entry(b" CLK : 1 , Q:(2,A3, 4)").unwrap();
        assert_eq!(
            (e.port, e.listed, &e.pins[..]),
            (&b"CLK"[..], false, &[&b"1"[..]][..])
        );
        let (rest, e) = entry(&skip_blank(rest)[1..]).unwrap();
        assert_eq!(
            (e.listed, e.pins.len(), e.pins[1], rest),
            (true, 3, &b"A3"[..], &b""[..])
        );
        assert!(entry(b"CLK 1").is_err() && entry(b"CLK : (1 2)").is_err());
    }
}
