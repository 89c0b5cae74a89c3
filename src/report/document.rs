//! The frame of every JSON document.

use serde_json::{Map, Value, json};

/// Why a run could not do what was asked, for a document.
#[derive(Debug, Clone, Copy)]
pub struct Fault<'a> {
    /// One word.
    pub kind: &'a str,
    /// What went wrong, where.
    pub message: &'a str,
    /// What to do about it.
    pub help: Option<&'a str>,
}

/// The fields that every document begins with: `schema`, `taploom`, `ok`, `exit`.
fn head(command: &str, exit: u8) -> Map<String, Value> {
    let mut map = Map::new();
    map.insert("schema".into(), json!(format!("taploom.{command}.v1")));
    map.insert("taploom".into(), json!(env!("CARGO_PKG_VERSION")));
    map.insert("ok".into(), json!(exit == 0));
    map.insert("exit".into(), json!(exit));
    map
}

/// A document of a run that did what was asked.
///
/// # Panics
/// If `fields` is not an object: a defect of the caller.
pub fn document(command: &str, exit: u8, fields: Value) -> Value {
    let mut map = head(command, exit);
    let Value::Object(fields) = fields else {
        panic!("the fields of a document are an object")
    };
    map.extend(fields);
    Value::Object(map)
}

/// A document of a run that could not.
pub fn failure_document(command: &str, exit: u8, fault: Fault<'_>, fields: Value) -> Value {
    let mut map = head(command, exit);
    map.insert(
        "error".into(),
        json!({ "kind": fault.kind, "message": fault.message, "help": fault.help }),
    );
    if let Value::Object(fields) = fields {
        map.extend(fields);
    }
    Value::Object(map)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn documents_begin_with_their_schema() {
        let good = document("scan", 0, json!({ "devices": [] }));
        assert_eq!(
            good.to_string(),
            format!(
                r#"{{"schema":"taploom.scan.v1","taploom":"{}","ok":true,"exit":0,"devices":[]}}"#,
                env!("CARGO_PKG_VERSION")
            )
        );
        let fault = Fault {
            kind: "usage",
            message: "no such option",
            help: None,
        };
        let bad = failure_document("usage", 2, fault, json!({}));
        assert_eq!(bad["ok"], false);
        assert_eq!(bad["error"]["kind"], "usage");
        assert_eq!(bad["error"]["help"], Value::Null);
    }
}
