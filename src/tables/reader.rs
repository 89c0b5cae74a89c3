//! Reading TOML tables so that everything wrong with them is reported, not only the first thing.

use std::ops::{Range, RangeInclusive};

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::fault::Fault;
use super::names::{hidden, nearest};
use super::problem::Problem;
use super::source::{Location, Source};

/// A table of the file.
pub(crate) struct Table<'a> {
    /// As it is written: `[guard]`, `[[device]]`.
    pub(crate) title: String,
    pub(crate) span: Range<usize>,
    map: &'a DeTable<'a>,
    root: bool,
    /// Misspelt keys, reported: what was meant, and what stands there. Their values are used, so that one slip is one
    /// message.
    meant: Vec<(&'static str, &'a str)>,
}

/// A text with its place.
#[derive(Debug, Clone)]
pub(crate) struct Text<'a> {
    pub(crate) text: &'a str,
    pub(crate) span: Range<usize>,
}

/// Reads tables of one file and collects what is wrong.
pub(crate) struct Reader<'a, C> {
    pub(crate) source: &'a Source,
    pub(crate) problems: Vec<Problem<C>>,
}

impl<'a, C: From<Fault>> Reader<'a, C> {
    pub(crate) fn report(&mut self, span: Range<usize>, cause: impl Into<C>) {
        let at = self.source.locate(span);
        let cause = cause.into();
        self.problems.push(Problem { at, cause });
    }

    pub(crate) fn locate(&self, span: Range<usize>) -> Location {
        self.source.locate(span)
    }

    /// Takes a value as a table and reports its unknown keys; `None`, reported, if it is none.
    pub(crate) fn table(
        &mut self,
        title: &str,
        value: &'a Spanned<DeValue<'a>>,
        known: &[&'static str],
    ) -> Option<Table<'a>> {
        let mut table = self.free(title, value)?;
        self.unknown_keys(&mut table, "key", known);
        Some(table)
    }

    /// Takes a value as a table whose keys are free; `None`, reported, if it is none.
    pub(crate) fn free(
        &mut self,
        title: &str,
        value: &'a Spanned<DeValue<'a>>,
    ) -> Option<Table<'a>> {
        let Some(map) = value.get_ref().as_table() else {
            self.wrong_type(
                title,
                value,
                "a table",
                "its keys on lines of their own under the title",
            );
            return None;
        };
        Some(Table {
            title: title.to_string(),
            span: value.span(),
            map,
            root: false,
            meant: vec![],
        })
    }

    /// Any whole file as a table.
    pub(crate) fn whole_file(
        &mut self,
        title: &str,
        root: &'a Spanned<DeTable<'a>>,
        known: &[&'static str],
    ) -> Table<'a> {
        let mut table = Table {
            title: title.into(),
            span: root.span(),
            map: root.get_ref(),
            root: true,
            meant: vec![],
        };
        self.unknown_keys(&mut table, "table", known);
        table
    }

    fn unknown_keys(&mut self, table: &mut Table<'a>, what: &'static str, known: &[&'static str]) {
        for (key, _) in in_order(table.map) {
            if !known.contains(&&**key.get_ref()) {
                let near = nearest(key.get_ref(), known.iter().copied());
                if let Some(near) = near.filter(|near| !table.has(near)) {
                    table.meant.push((near, key.get_ref()));
                }
                let near = near.map(str::to_string);
                let cause = Fault::UnknownKey {
                    what,
                    table: table.title.clone(),
                    key: key.get_ref().to_string(),
                    near,
                    known: known.to_vec(),
                };
                self.report(key.span(), cause);
            }
        }
    }

    pub(crate) fn missing(&mut self, table: &Table<'a>, key: &'static str, example: &'static str) {
        let cause = Fault::MissingKey {
            table: table.title.clone(),
            key,
            example,
        };
        // The file itself has no place to point at.
        let at = if table.root {
            self.source.whole()
        } else {
            self.locate(table.span.clone())
        };
        self.problems.push(Problem {
            at,
            cause: cause.into(),
        });
    }

    pub(crate) fn wrong_type(
        &mut self,
        key: &str,
        value: &Spanned<DeValue<'a>>,
        expected: &'static str,
        example: &'static str,
    ) {
        let cause = Fault::WrongType {
            key: key.into(),
            found: type_of(value.get_ref()),
            expected,
            example,
        };
        self.report(value.span(), cause);
    }

    /// Reports a value that is none of those allowed.
    pub(crate) fn bad(
        &mut self,
        key: &str,
        value: &Spanned<DeValue<'a>>,
        expected: impl Into<String>,
    ) {
        // As it is written, if that is short.
        let found = match self.source.text.get(value.span()) {
            Some(text) if text.len() <= 60 && !text.contains('\n') => text.to_owned(),
            _ => type_of(value.get_ref()).to_owned(),
        };
        let cause = Fault::BadValue {
            key: key.to_owned(),
            found,
            expected: expected.into(),
            near: None,
        };
        self.report(value.span(), cause);
    }

    /// A text.
    pub(crate) fn text(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
    ) -> Option<Text<'a>> {
        self.as_text(key, table.get(key)?, example)
    }

    /// A value as a text.
    pub(crate) fn as_text(
        &mut self,
        key: &str,
        value: &'a Spanned<DeValue<'a>>,
        example: &'static str,
    ) -> Option<Text<'a>> {
        let text = value.get_ref().as_str();
        if text.is_none() {
            self.wrong_type(key, value, "a string", example);
        }
        let text = Text {
            text: text?,
            span: value.span(),
        };
        self.shown(key, &text);
        Some(text)
    }

    /// Reports a character that is not shown.
    fn shown(&mut self, key: &str, text: &Text<'a>) {
        if let Some(character) = hidden(text.text) {
            let key = key.to_owned();
            self.report(text.span.clone(), Fault::Hidden { key, character });
        }
    }

    /// A text that has to be there and not be blank.
    pub(crate) fn need(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
    ) -> Option<Text<'a>> {
        if !table.has(key) {
            self.missing(table, key, example);
        }
        let text = self.text(table, key, example)?;
        if text.text.trim().is_empty() {
            let (found, expected) = (
                format!("\"{}\"", text.text),
                "a text that is not blank".to_string(),
            );
            self.report(
                text.span,
                Fault::BadValue {
                    key: key.into(),
                    found,
                    expected,
                    near: None,
                },
            );
            return None;
        }
        Some(text)
    }

    /// A whole number within bounds that fit 32 bits.
    pub(crate) fn whole(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        bounds: RangeInclusive<u32>,
        example: &'static str,
    ) -> Option<u32> {
        let (from, to) = bounds.into_inner();
        let number = self.number(table, key, from.into()..=to.into(), example)?;
        u32::try_from(number).ok()
    }

    /// A whole number within bounds.
    pub(crate) fn number(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        bounds: RangeInclusive<u64>,
        example: &'static str,
    ) -> Option<u64> {
        let value = table.get(key)?;
        let Some(integer) = value.get_ref().as_integer() else {
            self.wrong_type(key, value, "a whole number", example);
            return None;
        };
        let number = u64::from_str_radix(integer.as_str(), integer.radix())
            .ok()
            .filter(|n| bounds.contains(n));
        if number.is_none() {
            let cause = Fault::BadValue {
                key: key.into(),
                found: integer.to_string(),
                expected: match bounds.into_inner() {
                    (from, to) if from == to => from.to_string(),
                    (from, to) => format!("a whole number from {from} to {to}"),
                },
                near: None,
            };
            self.report(value.span(), cause);
        }
        number
    }

    /// `true` or `false`.
    pub(crate) fn flag(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
    ) -> Option<bool> {
        let value = table.get(key)?;
        let flag = value.get_ref().as_bool();
        if flag.is_none() {
            self.wrong_type(key, value, "true or false", example);
        }
        flag
    }

    /// An array of texts; one text alone counts as an array of one.
    pub(crate) fn texts(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
    ) -> Vec<Text<'a>> {
        let Some(value) = table.get(key) else {
            return vec![];
        };
        if value.get_ref().as_str().is_some() {
            return self.as_text(key, value, example).into_iter().collect();
        }
        let Some(array) = value.get_ref().as_array() else {
            self.wrong_type(key, value, "an array of strings", example);
            return vec![];
        };
        let mut texts = Vec::new();
        for item in array.iter() {
            match item.get_ref().as_str() {
                Some(_) => texts.extend(self.as_text(key, item, example)),
                None => self.wrong_type(key, item, "an array of strings", example),
            }
        }
        texts
    }

    /// The values of an array; one value alone counts as an array of one.
    pub(crate) fn values(table: &Table<'a>, key: &str) -> Vec<&'a Spanned<DeValue<'a>>> {
        match table.get(key).map(|value| (value, value.get_ref())) {
            None => vec![],
            Some((_, DeValue::Array(array))) => array.iter().collect(),
            Some((value, _)) => vec![value],
        }
    }

    /// A table of texts whose keys are free, in the order of the file: key and value.
    pub(crate) fn pairs(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
    ) -> Vec<(Text<'a>, Text<'a>)> {
        let Some(value) = table.get(key) else {
            return vec![];
        };
        let Some(map) = value.get_ref().as_table() else {
            self.wrong_type(key, value, "a table", example);
            return vec![];
        };
        let mut pairs = Vec::new();
        for (name, value) in in_order(map) {
            match value.get_ref().as_str() {
                Some(text) => pairs.push((
                    Text {
                        text: name.get_ref(),
                        span: name.span(),
                    },
                    Text {
                        text,
                        span: value.span(),
                    },
                )),
                None => self.wrong_type(name.get_ref(), value, "a string", example),
            }
        }
        pairs
    }

    /// A table inside a table.
    pub(crate) fn inner(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        known: &[&'static str],
    ) -> Option<Table<'a>> {
        let value = table.get(key)?;
        self.table(key, value, known)
    }

    /// The tables of an array of tables, `[[title]]`.
    pub(crate) fn each(
        &mut self,
        root: &Table<'a>,
        key: &'static str,
        known: &[&'static str],
    ) -> Vec<Table<'a>> {
        let Some(value) = root.get(key) else {
            return vec![];
        };
        let title = format!("[[{key}]]");
        match value.get_ref().as_array() {
            Some(array) => array
                .iter()
                .filter_map(|item| self.table(&title, item, known))
                .collect(),
            None => {
                let cause = Fault::WrongType {
                    key: key.into(),
                    found: type_of(value.get_ref()),
                    expected: "an array of tables",
                    example: "the title in double brackets",
                };
                self.report(value.span(), cause);
                vec![]
            }
        }
    }

    /// One of a few words, case ignored.
    pub(crate) fn word<T: Copy>(
        &mut self,
        key: &'static str,
        text: &Text<'a>,
        words: &[(&'static str, T)],
    ) -> Option<T> {
        let found = words
            .iter()
            .find(|(w, _)| w.eq_ignore_ascii_case(text.text.trim()));
        if found.is_none() {
            self.report(
                text.span.clone(),
                not_a_word(key, text.text, words.iter().map(|(w, _)| *w)),
            );
        }
        found.map(|(_, value)| *value)
    }

    /// One of a few words under a key, case ignored; the first one where there is none or a wrong one, which is reported.
    pub(crate) fn word_or_first<T: Copy>(
        &mut self,
        table: &Table<'a>,
        key: &'static str,
        example: &'static str,
        words: &[(&'static str, T)],
    ) -> T {
        let text = self.text(table, key, example);
        text.and_then(|text| self.word(key, &text, words))
            .unwrap_or(words[0].1)
    }
}

/// The problem of a word that is not among the allowed ones.
pub(crate) fn not_a_word(
    key: &str,
    found: &str,
    words: impl Iterator<Item = &'static str> + Clone,
) -> Fault {
    let all: Vec<_> = words.clone().collect();
    let expected = match all.as_slice() {
        [first @ .., last] if !first.is_empty() => format!("{} or {last}", first.join(", ")),
        _ => all.concat(),
    };
    let near = nearest(found, words).map(str::to_string);
    Fault::BadValue {
        key: key.into(),
        found: format!("\"{found}\""),
        expected,
        near,
    }
}

impl<'a> Table<'a> {
    pub(crate) fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    pub(crate) fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.map.get(self.written(key))
    }

    /// Where a key's value stands, else where the table does.
    pub(crate) fn span_of(&self, key: &str) -> Range<usize> {
        self.get(key).map_or(self.span.clone(), Spanned::span)
    }

    /// All keys with their values, in the order of the file.
    pub(crate) fn entries(
        &self,
    ) -> impl Iterator<Item = (&'a str, &'a Spanned<DeValue<'a>>)> + use<'a> {
        in_order(self.map)
            .into_iter()
            .map(|(key, value)| (key.get_ref().as_ref(), value))
    }

    /// Where a key stands.
    pub(crate) fn key_span(&self, key: &str) -> Option<Range<usize>> {
        let (key, _) = self.map.get_key_value(self.written(key))?;
        Some(key.span())
    }

    /// The key as it stands in the file: itself, or the misspelt one that means it.
    fn written<'k>(&self, key: &'k str) -> &'k str
    where
        'a: 'k,
    {
        let meant = self.meant.iter().find(|(meant, _)| *meant == key);
        meant.map_or(key, |(_, written)| written)
    }
}

/// Entries in the order of the file.
fn in_order<'a>(
    map: &'a DeTable<'a>,
) -> Vec<(
    &'a Spanned<std::borrow::Cow<'a, str>>,
    &'a Spanned<DeValue<'a>>,
)> {
    let mut entries: Vec<_> = map.iter().collect();
    entries.sort_by_key(|(key, _)| key.span().start);
    entries
}

pub(crate) fn type_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a string",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(_) => "a decimal number",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "an array",
        DeValue::Table(_) => "a table",
    }
}
