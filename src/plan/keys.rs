//! Unknown keys and misplaced values of a plan, with line, column and the nearest known key.

use serde_json::Value;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

use super::pointed_at;

/// How far a key may be from a known one to be taken for a slip: Jaro–Winkler similarity.
const SIMILAR: f64 = 0.75;

/// Checks every key of the text against the schema; all faults, one a line.
pub(super) fn check(text: &str, schema: &Value) -> Result<(), String> {
    let table = DeTable::parse(text).map_err(|e| describe(text, &e))?;
    let mut faults = Vec::new();
    check_table(text, table.get_ref(), schema, "", &mut faults);
    if faults.is_empty() { Ok(()) } else { Err(faults.join("\n")) }
}

/// A TOML error with its place.
pub(super) fn describe(text: &str, error: &toml::de::Error) -> String {
    let message = error.message().trim();
    match error.span() {
        Some(span) => format!("{}: {message}{}", place(text, span.start), shown(text, span.start)),
        None => message.to_string(),
    }
}

fn check_table(text: &str, table: &DeTable, schema: &Value, path: &str, faults: &mut Vec<String>) {
    let known = schema.get("properties").and_then(Value::as_object);
    let any = schema.get("additionalProperties").filter(|s| s.is_object());
    for (key, value) in table {
        let name = key.get_ref().as_ref();
        let inner = known.and_then(|known| known.get(name)).or(any);
        match (inner, known) {
            (Some(inner), _) => check_value(text, value, inner, &format!("{path}{name}."), faults),
            (None, Some(known)) => faults.push(unknown(text, key.span().start, path, name, known)),
            (None, None) => {}
        }
    }
}

fn check_value(text: &str, value: &Spanned<DeValue>, schema: &Value, path: &str, faults: &mut Vec<String>) {
    let schema = branch(value.get_ref(), schema);
    match value.get_ref() {
        DeValue::Table(table) => check_table(text, table, schema, path, faults),
        DeValue::Array(list) => {
            let items = schema.get("items").unwrap_or(&Value::Null);
            for item in list.iter() {
                check_value(text, item, items, path, faults);
            }
        }
        _ => {}
    }
}

/// Of the forms that a value may have, the one that it has.
fn branch<'s>(value: &DeValue, schema: &'s Value) -> &'s Value {
    let mark = match value {
        DeValue::Table(_) => "properties",
        DeValue::Array(_) => "items",
        _ => return schema,
    };
    let forms = schema.get("anyOf").and_then(Value::as_array);
    forms.and_then(|forms| forms.iter().find(|form| form.get(mark).is_some())).unwrap_or(schema)
}

fn unknown(text: &str, at: usize, path: &str, name: &str, known: &serde_json::Map<String, Value>) -> String {
    let nearest = known
        .keys()
        .map(|k| (strsim::jaro_winkler(&name.to_lowercase(), k), k))
        .filter(|(similarity, _)| *similarity >= SIMILAR)
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(a.1)));
    let hint = match nearest {
        Some((_, key)) => format!("did you mean \"{key}\"?"),
        None => format!("known here: {}", known.keys().cloned().collect::<Vec<_>>().join(", ")),
    };
    format!("{}: unknown key \"{path}{name}\"; {hint}{}", place(text, at), shown(text, at))
}

/// The line of a place, with a caret under it.
fn shown(text: &str, at: usize) -> String {
    let before = text.get(..at).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |end| end + 1);
    let line = text.get(start..).unwrap_or("").lines().next().unwrap_or("");
    pointed_at(line, before.matches('\n').count() + 1, at - start + 1)
}

fn place(text: &str, at: usize) -> String {
    let before = text.get(..at).unwrap_or(text);
    let line = before.matches('\n').count() + 1;
    let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
    format!("line {line}, column {column}")
}
