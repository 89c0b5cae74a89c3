//! Values of a script as plain data, for records.

use rhai::Dynamic;

/// A value that a script hands over.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// No value.
    Nothing,
    /// True or false.
    Bool(bool),
    /// A whole number.
    Int(i64),
    /// Any other number.
    Float(f64),
    /// A text.
    Text(String),
    /// A list.
    List(Vec<Value>),
    /// Named values, in the order of their names.
    Map(Vec<(String, Value)>),
}

/// Lists and maps within each other; deeper ones are cut off (the language's own limits keep sizes bounded).
const DEEPEST: usize = 16;

impl Value {
    pub(super) fn of(value: &Dynamic) -> Self {
        Self::within(value, DEEPEST)
    }

    fn within(value: &Dynamic, deep: usize) -> Self {
        if deep == 0 {
            return Value::Text("…".into());
        }
        if value.is_unit() {
            return Value::Nothing;
        }
        if let Ok(b) = value.as_bool() {
            return Value::Bool(b);
        }
        if let Ok(n) = value.as_int() {
            return Value::Int(n);
        }
        if let Ok(x) = value.as_float() {
            return Value::Float(x);
        }
        if let Ok(list) = value.as_array_ref() {
            return Value::List(list.iter().map(|v| Self::within(v, deep - 1)).collect());
        }
        if let Ok(map) = value.as_map_ref() {
            let entries = map
                .iter()
                .map(|(k, v)| (k.to_string(), Self::within(v, deep - 1)));
            return Value::Map(entries.collect());
        }
        Value::Text(value.to_string())
    }
}

impl std::fmt::Display for Value {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Value::Nothing => Ok(()),
            Value::Bool(b) => b.fmt(f),
            Value::Int(n) => n.fmt(f),
            Value::Float(x) => x.fmt(f),
            Value::Text(text) => text.fmt(f),
            Value::List(list) => {
                let parts: Vec<String> = list.iter().map(ToString::to_string).collect();
                f.write_str(&parts.join(", "))
            }
            Value::Map(map) => {
                let parts: Vec<String> = map.iter().map(|(k, v)| format!("{k} {v}")).collect();
                f.write_str(&parts.join(", "))
            }
        }
    }
}
