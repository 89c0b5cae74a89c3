//! How names are compared, told, and near ones found.

/// The form in which names are compared: case and zero padding ignored, so that `W1` equals `W01` and `u1.012` equals
/// `U1.12`. Spaces at the ends go, spaces within become one.
pub fn natural_key(name: &str) -> String {
    let mut key = String::with_capacity(name.len());
    let mut chars = name.trim().chars().peekable();
    let mut in_number = false;
    while let Some(c) = chars.next() {
        let next = chars.peek().copied();
        if c == '0' && !in_number && next.is_some_and(|n| n.is_ascii_digit()) {
            continue;
        }
        if c.is_whitespace() {
            if next.is_some_and(|n| !n.is_whitespace()) {
                key.push(' ');
            }
        } else {
            key.extend(c.to_uppercase());
        }
        in_number = c.is_ascii_digit();
    }
    key
}

/// The first character of a text that is not shown, or that turns round what stands beside it: controls other than tab and
/// the end of a line, and the marks of Unicode's bidirectional algorithm.
pub(crate) fn hidden(text: &str) -> Option<char> {
    text.chars().find(|c| is_hidden(*c))
}

/// The text with a mark in place of each such character.
pub(crate) fn visible(text: &str) -> String {
    let shown = |c| if is_hidden(c) { '\u{fffd}' } else { c };
    text.chars().map(shown).collect()
}

fn is_hidden(c: char) -> bool {
    match c {
        '\t' | '\n' | '\r' => false,
        '\u{200b}'..='\u{200f}'
        | '\u{202a}'..='\u{202e}'
        | '\u{2066}'..='\u{2069}'
        | '\u{feff}' => true,
        c => c.is_control(),
    }
}

/// The name nearest to what was written, if one is near enough to have been meant.
pub(crate) fn nearest<'a>(
    written: &str,
    names: impl IntoIterator<Item = &'a str>,
) -> Option<&'a str> {
    let written = natural_key(written);
    names
        .into_iter()
        .map(|name| {
            (
                strsim::damerau_levenshtein(&written, &natural_key(name)),
                name,
            )
        })
        .filter(|(distance, name)| {
            let shorter = name.chars().count().min(written.chars().count());
            *distance * 2 < shorter && *distance <= 1 + shorter / 4
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, name)| name)
}

/// `a, b and c`, at most `most` names and how many more.
pub(crate) fn list<'a>(names: impl IntoIterator<Item = &'a str>, most: usize) -> String {
    let names: Vec<_> = names.into_iter().collect();
    let more = names.len().saturating_sub(most);
    match (names.as_slice(), more) {
        ([], _) => "none".into(),
        ([only], _) => (*only).into(),
        ([first @ .., last], 0) => format!("{} and {last}", first.join(", ")),
        _ => format!("{} and {more} more", names[..most].join(", ")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn zero_padding_and_case_do_not_count() {
        for (a, b) in [
            ("W1", "w01"),
            ("U1.12", "u1.012"),
            ("U01.A01", "u1.a1"),
            ("0", "00"),
            ("Pattern  Memory.010", " pattern memory.10"),
        ] {
            assert_eq!(natural_key(a), natural_key(b), "{a} {b}");
        }
        for (a, b) in [
            ("W1", "W10"),
            ("W10", "W100"),
            ("U1.1", "U11"),
            ("A1B", "AB1"),
        ] {
            assert_ne!(natural_key(a), natural_key(b), "{a} {b}");
        }
    }

    #[test]
    fn near_names_are_offered_and_far_ones_not() {
        let keys = ["entity", "pin_map", "recipe", "ir_length"];
        assert_eq!(nearest("entitty", keys), Some("entity"));
        assert_eq!(nearest("irlength", keys), Some("ir_length"));
        assert_eq!(nearest("colour", keys), None);
        assert_eq!(nearest("x", ["y"]), None);
    }

    #[test]
    fn lists_read_well() {
        assert_eq!(list([], 3), "none");
        assert_eq!(list(["a"], 3), "a");
        assert_eq!(list(["a", "b", "c"], 3), "a, b and c");
        assert_eq!(list(["a", "b", "c", "d"], 3), "a, b, c and 1 more");
    }
}
