//! How ranges of pins are read.

/// `12-31`, `A1-A20`, `A1-20`, `31-12`: the names of a range in its own order, or the text itself when it is none.
///
/// `None` if it looks like a range but is not one that makes sense (`A1-B4`) or has more than 4,096 pins.
pub(super) fn expand(text: &str) -> Option<Vec<String>> {
    let text = text.trim();
    let Some((from, to)) = text.split_once('-') else {
        return Some(vec![text.to_string()]);
    };
    let (prefix, from) = split_number(from.trim())?;
    let (prefix_to, to) = split_number(to.trim())?;
    if !(prefix_to.is_empty() || prefix_to.eq_ignore_ascii_case(prefix))
        || from.abs_diff(to) >= 4096
    {
        return None;
    }
    let name = |n: u32| format!("{prefix}{n}");
    Some(if from <= to {
        (from..=to).map(name).collect()
    } else {
        (to..=from).rev().map(name).collect()
    })
}

/// `A12` as `A` and 12.
fn split_number(text: &str) -> Option<(&str, u32)> {
    let at = text.trim_end_matches(|c: char| c.is_ascii_digit()).len();
    Some((&text[..at], text[at..].parse().ok()?))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ranges_keep_their_direction() {
        let text = |s| expand(s).map(|v| v.join(" "));
        assert_eq!(text("4").unwrap(), "4");
        assert_eq!(text("8-11").unwrap(), "8 9 10 11");
        assert_eq!(text("11 - 8").unwrap(), "11 10 9 8");
        assert_eq!(text("A1-A3").unwrap(), "A1 A2 A3");
        assert_eq!(text("a1-3").unwrap(), "a1 a2 a3");
        assert_eq!(text("A1-B3"), None);
        assert_eq!(text("1-"), None);
        assert_eq!(text("-"), None);
        assert_eq!(text("1-5000"), None);
        assert_eq!(text("1-99999999999"), None);
    }
}
