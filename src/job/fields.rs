//! Properties by name: the name as the design of the files has it, or the one that the plan
//! maps it to. Names are taken as written, so that a column that happens to be called
//! "Count" is not taken for a weight; one that differs by case alone is pointed out.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;
use serde_json::Value;

use crate::files::Properties;

/// The names that one layer's properties carry in its files.
#[derive(Clone, Debug, Default)]
pub struct Fields {
    names: BTreeMap<String, String>,
}

impl Fields {
    /// From the plan's `[fields]` table for one layer: property to name in the file.
    pub fn new(names: Option<&BTreeMap<String, String>>) -> Self {
        Self { names: names.cloned().unwrap_or_default() }
    }

    /// The value of a property that is neither missing, null nor an empty text.
    pub fn value<'p>(&self, properties: &'p Properties, property: &str) -> Option<&'p Value> {
        let name = self.names.get(property).map_or(property, String::as_str);
        let found = properties.get(name)?;
        match found {
            Value::Null => None,
            Value::String(text) if text.trim().is_empty() => None,
            value => Some(value),
        }
    }

    /// The name of a property that would be read but for its case, where none is read.
    pub fn missed_by_case<'p>(&self, properties: &'p Properties, property: &str) -> Option<&'p str> {
        if self.names.contains_key(property) || properties.contains_key(property) {
            return None;
        }
        properties.keys().find(|key| key.eq_ignore_ascii_case(property)).map(String::as_str)
    }

    /// A property as text; numbers and truth values are spelt out.
    pub fn text(&self, properties: &Properties, property: &str) -> Option<String> {
        match self.value(properties, property)? {
            Value::String(text) => Some(text.trim().to_string()),
            value @ (Value::Number(_) | Value::Bool(_)) => Some(value.to_string()),
            _ => None,
        }
    }

    /// A property as a number.
    ///
    /// # Errors
    /// The value as text, if it is there and no number.
    pub fn number(&self, properties: &Properties, property: &str) -> Result<Option<f64>, String> {
        match self.value(properties, property) {
            None => Ok(None),
            Some(Value::Number(n)) => n.as_f64().map(Some).ok_or_else(|| n.to_string()),
            Some(Value::String(text)) => {
                text.trim().parse().map(Some).map_err(|_| format!("\"{}\"", text.trim()))
            }
            Some(other) => Err(other.to_string()),
        }
    }

    /// A property as yes or no: true, yes, y, 1 and any other text but no, n, false, 0, none.
    pub fn is_set(&self, properties: &Properties, property: &str) -> bool {
        match self.value(properties, property) {
            None => false,
            Some(Value::Bool(set)) => *set,
            Some(Value::Number(n)) => n.as_f64() != Some(0.0),
            Some(Value::String(text)) => {
                !matches!(text.trim().to_lowercase().as_str(), "no" | "n" | "false" | "0" | "none")
            }
            Some(_) => true,
        }
    }

    /// A property as a local day.
    ///
    /// # Errors
    /// The value as text, if it is there and no day.
    pub fn date(
        &self,
        properties: &Properties,
        property: &str,
        zone: Option<&TimeZone>,
    ) -> Result<Option<Date>, String> {
        match self.text(properties, property) {
            None => Ok(None),
            Some(text) => local_day(&text, zone).map(Some).ok_or_else(|| format!("\"{text}\"")),
        }
    }
}

/// The local day of an ISO 8601 date, a local date and time, or an RFC 3339 time with its
/// offset. Such a time is turned to the zone, if there is one; without a zone the day it
/// names itself is taken.
fn local_day(text: &str, zone: Option<&TimeZone>) -> Option<Date> {
    if let (Some(zone), Ok(instant)) = (zone, text.parse::<Timestamp>()) {
        return Some(zone.to_datetime(instant).date());
    }
    text.parse::<Date>().ok().or_else(|| text.parse::<DateTime>().ok().map(|t| t.date())).or_else(|| {
        let day = text.get(..10)?;
        text.parse::<Timestamp>().ok()?;
        day.parse().ok()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_local() {
        let sydney = TimeZone::get("Australia/Sydney").unwrap();
        let day = |text: &str, zone| local_day(text, zone).map(|d| d.to_string());
        assert_eq!(day("2026-05-01", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("2026-05-01T18:30:00Z", Some(&sydney)).as_deref(), Some("2026-05-02"));
        assert_eq!(day("2026-05-01T18:30:00Z", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("2026-05-01T18:30:00+10:00", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("2026-05-01 18:30:00", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("1/5/2026", None), None);
        assert_eq!(day("2026-13-01", None), None);
    }

    #[test]
    fn names_are_taken_as_written_or_mapped_by_the_plan() {
        let properties: Properties = serde_json::from_str(r#"{"Sign":"scat","Anzahl":"3"}"#).unwrap();
        let fields = Fields::new(Some(&BTreeMap::from([("count".into(), "Anzahl".into())])));
        assert_eq!(fields.text(&properties, "sign"), None);
        assert_eq!(fields.missed_by_case(&properties, "sign"), Some("Sign"));
        assert_eq!(fields.missed_by_case(&properties, "count"), None);
        assert_eq!(fields.number(&properties, "count"), Ok(Some(3.0)));
    }
}
