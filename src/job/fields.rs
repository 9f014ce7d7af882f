//! Properties by name: the name as the design of the files has it, or the one that the plan
//! maps it to. A name that differs only by case, spaces or signs ("DISTANCE_M", "Station ID",
//! "distance (m)") is understood too, and said, since a keep-out whose distance is passed over
//! is a keep-out too small. A weight alone is taken as written: a column that happens to be
//! called "Count" is pointed out and not used.

use std::collections::BTreeMap;

use jiff::Timestamp;
use jiff::tz::TimeZone;
use serde_json::Value;

use super::dates::{ReadDay, civil_day, local_day};
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

    /// The name that a property has in the files.
    pub fn name_of<'n>(&'n self, property: &'n str) -> &'n str {
        self.names.get(property).map_or(property, String::as_str)
    }

    /// The name under which a feature has a property, for messages about it.
    pub fn name_in<'n>(&'n self, properties: &'n Properties, property: &'n str) -> &'n str {
        self.found(properties, property).map_or_else(|| self.name_of(property), |(name, _)| name)
    }

    /// The value of a property that is neither missing, null nor an empty text. The name as
    /// written goes before those that differ by case, spaces or signs.
    pub fn value<'p>(&self, properties: &'p Properties, property: &str) -> Option<&'p Value> {
        self.found(properties, property).map(|(_, value)| value)
    }

    fn found<'p>(&self, properties: &'p Properties, property: &str) -> Option<(&'p str, &'p Value)> {
        let own = self.name_of(property);
        let exact = properties.get_key_value(own).filter(|(_, value)| is_said(value));
        exact.or_else(|| self.near_names(properties, property).next().filter(|_| property != WEIGHT))
    }

    /// The properties that would bear this name but for case, spaces and signs, and say
    /// something. A property that the plan maps has none.
    pub fn near_names<'p>(
        &self,
        properties: &'p Properties,
        property: &str,
    ) -> impl Iterator<Item = (&'p str, &'p Value)> {
        let mapped = self.names.contains_key(property);
        properties
            .iter()
            .filter(move |(name, _)| !mapped && *name != property && is_near(name, property))
            .filter(|(_, value)| is_said(value))
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

    /// A property as a local day, which may still wait for the order of day and month.
    ///
    /// # Errors
    /// The value as text, if it is there and no day.
    pub fn date(
        &self,
        properties: &Properties,
        property: &str,
        zone: Option<&TimeZone>,
    ) -> Result<Option<ReadDay>, String> {
        let Some(text) = self.text(properties, property) else { return Ok(None) };
        let Some(day) = local_day(&text, zone).map(ReadDay::Plain).or_else(|| civil_day(&text)) else {
            return Err(format!("\"{text}\""));
        };
        // Where the time of day has a column of its own, its offset may move the day.
        let has_offset = text.parse::<Timestamp>().is_ok();
        let time = self.text(properties, "time").filter(|_| property == "date" && !has_offset);
        Ok(Some(match zone.zip(time) {
            Some((zone, time)) => day.map(|day| match format!("{day}T{time}").parse::<Timestamp>() {
                Ok(instant) => zone.to_datetime(instant).date(),
                Err(_) => day,
            }),
            None => day,
        }))
    }
}

/// The one property that is taken only under the name as written.
pub(super) const WEIGHT: &str = "count";

fn is_said(value: &Value) -> bool {
    match value {
        Value::Null => false,
        Value::String(text) => !text.trim().is_empty(),
        _ => true,
    }
}

/// Whether two names are the same but for case and for whatever is neither letter nor digit.
fn is_near(a: &str, b: &str) -> bool {
    fn plain(text: &str) -> impl Iterator<Item = char> {
        text.chars().filter(|c| c.is_alphanumeric()).flat_map(char::to_lowercase)
    }
    plain(a).eq(plain(b))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn properties(json: &str) -> Properties {
        serde_json::from_str::<serde_json::Map<String, Value>>(json).unwrap().into()
    }

    #[test]
    fn a_time_in_its_own_column_moves_the_day() {
        let sydney = TimeZone::get("Australia/Sydney").unwrap();
        let row = properties(r#"{"date":"1-May-26","time":"18:30:00Z"}"#);
        let day = |zone| {
            Fields::default().date(&row, "date", zone).unwrap().and_then(|d| d.known()).map(|d| d.to_string())
        };
        assert_eq!(day(Some(&sydney)).as_deref(), Some("2026-05-02"));
        assert_eq!(day(None).as_deref(), Some("2026-05-01"));
        // A time that has its offset itself is not moved once more.
        let whole = properties(r#"{"date":"2026-05-01T18:30:00Z","time":"18:30:00Z"}"#);
        let day = Fields::default().date(&whole, "date", Some(&sydney)).unwrap().and_then(|d| d.known());
        assert_eq!(day.unwrap().to_string(), "2026-05-02");
    }

    #[test]
    fn names_are_understood_without_case_spaces_and_signs_or_mapped_by_the_plan() {
        let fields = Fields::default();
        for name in ["DISTANCE_M", "Distance m", "distance (m)", "distanceM", " distance-m "] {
            let row: Properties = [(name.to_string(), Value::from(1500))].into_iter().collect();
            assert_eq!(fields.number(&row, "distance_m"), Ok(Some(1500.0)), "{name}");
            assert_eq!(fields.name_in(&row, "distance_m"), name);
        }
        let row = properties(r#"{"distance_m":null,"DISTANCE_M":7,"distances_m":1,"Anzahl":"3","Count":9}"#);
        assert_eq!(fields.number(&row, "distance_m"), Ok(Some(7.0)));
        assert_eq!(fields.number(&row, "distance"), Ok(None));
        let row = properties(r#"{"Distance_M":7,"distance_m":8}"#);
        assert_eq!(fields.number(&row, "distance_m"), Ok(Some(8.0)));
        let mapped = Fields::new(Some(&BTreeMap::from([("distance_m".into(), "buffer".into())])));
        assert_eq!(mapped.number(&row, "distance_m"), Ok(None));
    }

    #[test]
    fn a_weight_is_taken_only_as_written_or_mapped() {
        let properties = properties(r#"{"Sign":"scat","Anzahl":"3","Count":9}"#);
        let plain = Fields::default();
        assert_eq!(plain.number(&properties, "count"), Ok(None));
        assert_eq!(plain.near_names(&properties, "count").next().map(|(name, _)| name), Some("Count"));
        let fields = Fields::new(Some(&BTreeMap::from([("count".into(), "Anzahl".into())])));
        assert_eq!(fields.near_names(&properties, "count").next(), None);
        assert_eq!(fields.number(&properties, "count"), Ok(Some(3.0)));
    }
}
