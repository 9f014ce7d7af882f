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
    dates: Option<DateOrder>,
}

/// Which comes first in a day written 1/5/2026.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum DateOrder {
    /// The day: 1 May.
    DayFirst,
    /// The month: 5 January.
    MonthFirst,
}

impl Fields {
    /// From the plan's `[fields]` table for one layer: property to name in the file.
    pub fn new(names: Option<&BTreeMap<String, String>>) -> Self {
        Self { names: names.cloned().unwrap_or_default(), dates: None }
    }

    /// The same names, with days written 1/5/2026 read in this order.
    pub fn with_dates(self, dates: Option<DateOrder>) -> Self {
        Self { dates, ..self }
    }

    /// What to do about a day that cannot be read.
    pub fn date_hint(&self) -> &'static str {
        match self.dates {
            None => "write 2026-05-31, or say dates = \"day-first\" or \"month-first\" in [place]",
            Some(_) => "write 2026-05-31",
        }
    }

    /// The name that a property has in the files.
    pub fn name_of<'n>(&'n self, property: &'n str) -> &'n str {
        self.names.get(property).map_or(property, String::as_str)
    }

    /// The value of a property that is neither missing, null nor an empty text.
    pub fn value<'p>(&self, properties: &'p Properties, property: &str) -> Option<&'p Value> {
        let found = properties.get(self.name_of(property))?;
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
        properties.keys().find(|key| key.eq_ignore_ascii_case(property))
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
        let Some(text) = self.text(properties, property) else { return Ok(None) };
        let unread = || format!("\"{text}\"");
        // Where the time of day has a column of its own, its offset may move the day.
        if property == "date"
            && let (Some(zone), Some(time)) = (zone, self.text(properties, "time"))
            && let Some(day) = civil_day(&text, self.dates)
            && let Ok(instant) = format!("{day}T{time}").parse::<Timestamp>()
        {
            return Ok(Some(zone.to_datetime(instant).date()));
        }
        local_day(&text, zone).or_else(|| civil_day(&text, self.dates)).map(Some).ok_or_else(unread)
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

/// A day as people and spreadsheets write it, with or without a time after it: 31/12/2026,
/// 31.12.26, 27-Dec-04, 27 December 2004, 2026/12/31. Years of two digits are 1969 to 2068, as
/// POSIX has it. A day that can be meant in two ways is read only in a known order.
fn civil_day(text: &str, order: Option<DateOrder>) -> Option<Date> {
    let mut parts = text.split(['/', '-', '.', ' ', ',']).filter(|part| !part.is_empty());
    let (a, b, c) = (parts.next()?, parts.next()?, parts.next()?);
    let whole = |text: &str| text.parse::<u16>().ok().filter(|_| text.bytes().all(|b| b.is_ascii_digit()));
    let year = |text: &str| match (text.len(), whole(text)?) {
        (4, year) => Some(year),
        (2, short) => Some(if short < 69 { 2000 + short } else { 1900 + short }),
        _ => None,
    };
    let day = |year: u16, month: u16, day: u16| {
        Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()
    };
    if let Some(month) = month_named(b) {
        return day(year(c)?, month, whole(a)?);
    }
    if a.len() == 4 {
        return day(whole(a)?, whole(b)?, whole(c.get(..2).unwrap_or(c))?);
    }
    let (first, second, year) = (whole(a)?, whole(b)?, year(c)?);
    match (order, first > 12, second > 12) {
        (Some(DateOrder::DayFirst), ..) | (None, true, false) => day(year, second, first),
        (Some(DateOrder::MonthFirst), ..) | (None, false, true) => day(year, first, second),
        _ if first == second => day(year, first, second),
        _ => None,
    }
}

/// The number of a month by its English name or the first three letters of it.
fn month_named(text: &str) -> Option<u16> {
    const NAMES: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    let text = text.to_lowercase();
    let found = NAMES.iter().position(|name| text.len() >= 3 && name.starts_with(&text))?;
    u16::try_from(found + 1).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn properties(json: &str) -> Properties {
        serde_json::from_str::<serde_json::Map<String, Value>>(json).unwrap().into()
    }

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
    fn days_are_read_as_people_write_them() {
        let day = |text: &str, order| civil_day(text, order).map(|d| d.to_string());
        for text in [
            "27-Dec-04",
            "27 December 2004",
            "27/12/2004",
            "27.12.04",
            "12/27/2004",
            "2004/12/27",
            "27/12/2004 12:01",
        ] {
            assert_eq!(day(text, None).as_deref(), Some("2004-12-27"), "{text}");
        }
        assert_eq!(day("1/5/2026", None), None);
        assert_eq!(day("1/5/2026", Some(DateOrder::DayFirst)).as_deref(), Some("2026-05-01"));
        assert_eq!(day("1/5/2026", Some(DateOrder::MonthFirst)).as_deref(), Some("2026-01-05"));
        assert_eq!(day("5/5/2026", None).as_deref(), Some("2026-05-05"));
        assert_eq!(day("31/2/2026", None), None);
        assert_eq!(day("spring", None), None);
    }

    #[test]
    fn a_time_in_its_own_column_moves_the_day() {
        let sydney = TimeZone::get("Australia/Sydney").unwrap();
        let row = properties(r#"{"date":"1-May-26","time":"18:30:00Z"}"#);
        let day = |zone| Fields::default().date(&row, "date", zone).unwrap().map(|d| d.to_string());
        assert_eq!(day(Some(&sydney)).as_deref(), Some("2026-05-02"));
        assert_eq!(day(None).as_deref(), Some("2026-05-01"));
    }

    #[test]
    fn names_are_taken_as_written_or_mapped_by_the_plan() {
        let properties = properties(r#"{"Sign":"scat","Anzahl":"3"}"#);
        let fields = Fields::new(Some(&BTreeMap::from([("count".into(), "Anzahl".into())])));
        assert_eq!(fields.text(&properties, "sign"), None);
        assert_eq!(fields.missed_by_case(&properties, "sign"), Some("Sign"));
        assert_eq!(fields.missed_by_case(&properties, "count"), None);
        assert_eq!(fields.number(&properties, "count"), Ok(Some(3.0)));
    }
}
