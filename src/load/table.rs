//! Reading typed values from TOML tables while collecting every problem.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::error::{RecipeFault, RecipeProblem};

/// Collects problems with their places.
pub(super) struct Reader<'s> {
    source: &'s str,
    pub(super) problems: Vec<RecipeProblem>,
}

/// A table with the name that messages give it.
#[derive(Clone)]
pub(super) struct Table<'a> {
    pub(super) name: String,
    pub(super) span: Range<usize>,
    values: &'a DeTable<'a>,
}

impl<'a> Table<'a> {
    pub(super) fn new(
        name: impl Into<String>,
        span: Range<usize>,
        values: &'a DeTable<'a>,
    ) -> Self {
        Table {
            name: name.into(),
            span,
            values,
        }
    }

    /// A value by its key.
    pub(super) fn get(&self, key: &str) -> Option<&'a Spanned<DeValue<'a>>> {
        self.values
            .iter()
            .find(|(k, _)| k.get_ref() == key)
            .map(|(_, v)| v)
    }

    pub(super) fn has(&self, key: &str) -> bool {
        self.get(key).is_some()
    }

    /// The place of a key's value, or of the table.
    pub(super) fn span_of(&self, key: &str) -> Range<usize> {
        self.get(key).map_or(self.span.clone(), Spanned::span)
    }

    /// All keys with values.
    pub(super) fn entries(&self) -> impl Iterator<Item = (&'a str, &'a Spanned<DeValue<'a>>)> {
        self.values.iter().map(|(k, v)| (k.get_ref().as_ref(), v))
    }
}

impl<'s> Reader<'s> {
    pub(super) fn new(source: &'s str) -> Self {
        Reader {
            source,
            problems: Vec::new(),
        }
    }

    /// Notes a problem at a byte range.
    pub(super) fn fault(&mut self, span: Range<usize>, fault: RecipeFault) {
        let (line, column) = self.place(span.start);
        self.problems.push(RecipeProblem {
            line,
            column,
            fault,
        });
    }

    /// Line and column, from 1, of a byte offset.
    pub(super) fn place(&self, offset: usize) -> (usize, usize) {
        let mut end = offset.min(self.source.len());
        while !self.source.is_char_boundary(end) {
            end -= 1;
        }
        let before = &self.source[..end];
        let line_start = before.rfind('\n').map_or(0, |i| i + 1);
        (
            before.matches('\n').count() + 1,
            before[line_start..].chars().count() + 1,
        )
    }

    /// Reports every key that is not known.
    pub(super) fn only(&mut self, table: &Table<'_>, known: &[&'static str]) {
        for (key, _) in table.values.iter() {
            let name = key.get_ref().as_ref();
            if known.contains(&name) {
                continue;
            }
            let near = known
                .iter()
                .map(|k| (strsim::damerau_levenshtein(k, name), *k))
                .filter(|(distance, k)| *distance <= 1 + k.len() / 4 && *distance < k.len())
                .min()
                .map(|(_, k)| k);
            self.fault(
                key.span(),
                RecipeFault::UnknownKey {
                    table: table.name.clone(),
                    key: name.chars().take(60).collect(),
                    near,
                    known: known.to_vec(),
                },
            );
        }
    }

    /// Notes that a needed key is missing.
    pub(super) fn missing(&mut self, table: &Table<'_>, key: &'static str) {
        self.fault(
            table.span.clone(),
            RecipeFault::MissingKey {
                table: table.name.clone(),
                key,
            },
        );
    }

    /// Notes a value that is of another type or out of range.
    pub(super) fn bad(
        &mut self,
        key: &str,
        value: &Spanned<DeValue<'_>>,
        expected: impl Into<String>,
    ) {
        self.fault(
            value.span(),
            RecipeFault::BadValue {
                key: key.to_string(),
                found: shown(value.get_ref()),
                expected: expected.into(),
            },
        );
    }

    pub(super) fn text(&mut self, table: &Table<'_>, key: &str) -> Option<String> {
        let value = table.get(key)?;
        match value.get_ref() {
            DeValue::String(text) => Some(text.to_string()),
            _ => {
                self.bad(key, value, "a string");
                None
            }
        }
    }

    pub(super) fn needed_text(&mut self, table: &Table<'_>, key: &'static str) -> String {
        if !table.has(key) {
            self.missing(table, key);
        }
        self.text(table, key).unwrap_or_default()
    }

    /// One of several words; the first is the default.
    pub(super) fn word<T: Copy>(
        &mut self,
        table: &Table<'_>,
        key: &str,
        words: &[(&'static str, T)],
    ) -> T {
        let Some(text) = self.text(table, key) else {
            return words[0].1;
        };
        if let Some((_, meaning)) = words.iter().find(|(w, _)| w.eq_ignore_ascii_case(&text)) {
            return *meaning;
        }
        let all: Vec<String> = words.iter().map(|(w, _)| format!("\"{w}\"")).collect();
        if let Some(value) = table.get(key) {
            self.bad(key, value, all.join(" or "));
        }
        words[0].1
    }

    /// A whole number within limits.
    pub(super) fn number(
        &mut self,
        table: &Table<'_>,
        key: &str,
        least: u64,
        most: u64,
    ) -> Option<u64> {
        let value = table.get(key)?;
        if let DeValue::Integer(integer) = value.get_ref()
            && let Ok(number) = u64::from_str_radix(integer.as_str(), integer.radix())
            && (least..=most).contains(&number)
        {
            return Some(number);
        }
        self.bad(key, value, format!("a whole number from {least} to {most}"));
        None
    }

    pub(super) fn flag(&mut self, table: &Table<'_>, key: &str) -> bool {
        match table.get(key) {
            None => false,
            Some(value) => match value.get_ref() {
                DeValue::Boolean(flag) => *flag,
                _ => {
                    self.bad(key, value, "true or false");
                    false
                }
            },
        }
    }

    /// A table under a key.
    pub(super) fn table<'a>(
        &mut self,
        table: &Table<'a>,
        key: &str,
        name: &str,
    ) -> Option<Table<'a>> {
        let value = table.get(key)?;
        match value.get_ref() {
            DeValue::Table(inner) => Some(Table::new(name, value.span(), inner)),
            _ => {
                self.bad(key, value, "a table");
                None
            }
        }
    }

    /// A list of tables under a key; none if the key is missing.
    pub(super) fn tables<'a>(
        &mut self,
        table: &Table<'a>,
        key: &str,
        name: &str,
    ) -> Vec<Table<'a>> {
        let Some(value) = table.get(key) else {
            return vec![];
        };
        let DeValue::Array(items) = value.get_ref() else {
            self.bad(key, value, "a list of tables");
            return vec![];
        };
        let mut tables = Vec::new();
        for item in items.iter() {
            match item.get_ref() {
                DeValue::Table(inner) => tables.push(Table::new(name, item.span(), inner)),
                _ => self.bad(key, item, "a list of tables"),
            }
        }
        tables
    }

    /// A list of strings under a key.
    pub(super) fn texts(&mut self, table: &Table<'_>, key: &str) -> Vec<String> {
        let Some(value) = table.get(key) else {
            return vec![];
        };
        let DeValue::Array(items) = value.get_ref() else {
            self.bad(key, value, "a list of strings");
            return vec![];
        };
        let mut texts = Vec::new();
        for item in items.iter() {
            match item.get_ref() {
                DeValue::String(text) => texts.push(text.to_string()),
                _ => self.bad(key, item, "a list of strings"),
            }
        }
        texts
    }
}

/// A value as messages show it.
fn shown(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) if text.chars().count() <= 40 => format!("\"{text}\""),
        DeValue::String(_) => "a long string".into(),
        DeValue::Integer(number) => number.to_string(),
        DeValue::Float(_) => "a number with a point".into(),
        DeValue::Boolean(flag) => flag.to_string(),
        DeValue::Datetime(_) => "a date".into(),
        DeValue::Array(_) => "a list".into(),
        DeValue::Table(_) => "a table".into(),
    }
}
