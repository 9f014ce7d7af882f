//! Reading the check log as people fill it in.

use std::collections::{HashMap, HashSet};
use std::sync::Arc;

use jiff::civil::Date;
use jiff::tz::TimeZone;

use crate::files::RawFeature;
use crate::frame::Placed;
use crate::job::{Fields, Findings};
use crate::record::{Animal, Check, Found, SourcePlace, Station};

/// Reads the rows of a check log. Nothing stops it: what cannot be used is left out or
/// taken as stated in a counted warning with its line.
///
/// A row without a station or a readable date is left out. A row of a station that is not
/// known, or from before the station was set, stays for the account of capsules only.
/// Several checks of a station on one day are all kept, in the order of the file. Dates are
/// ISO 8601; days written `31/5/2026` or `5/31/2026` are read where the file shows by some
/// day above 12 which of the two it means.
pub fn read_log(
    rows: &[RawFeature],
    fields: &Fields,
    zone: Option<&TimeZone>,
    stations: &[Placed<Station>],
    findings: &mut Findings,
) -> Vec<Check> {
    let order = SlashOrder::of(rows, fields);
    let mut reader = Reader { fields, zone, order, findings };
    let mut checks: Vec<Check> = rows.iter().filter_map(|row| reader.check(row)).collect();
    let known: HashMap<&str, &Station> = stations.iter().map(|s| (&*s.what.station_id, &s.what)).collect();
    let mut days = HashSet::new();
    for check in &checks {
        let place = line_of(&check.source);
        match known.get(&*check.station_id) {
            None => findings.warn_at(
                &place,
                "names a station that is not among the stations; it counts for the capsules only",
            ),
            Some(station) if station.set_on.is_some_and(|set| check.date < set) => {
                findings
                    .warn_at(&place, "is dated before its station was set; it counts for the capsules only");
            }
            Some(_) => {}
        }
        if !days.insert((check.station_id.clone(), check.date)) {
            findings.warn_at(
                &place,
                "is a second check of its station on that day; both are used, in the order of the file",
            );
        }
    }
    // The order of the file is kept for the checks of one station on one day, and only there.
    checks.sort_by(|a, b| a.date.cmp(&b.date).then_with(|| a.station_id.cmp(&b.station_id)));
    checks
}

/// The line of a row in a CSV file, or the feature of another.
pub fn line_of(source: &SourcePlace) -> String {
    let csv = source
        .file
        .extension()
        .is_some_and(|e| !e.eq_ignore_ascii_case("geojson") && !e.eq_ignore_ascii_case("json"));
    if csv {
        // The header is line 1.
        format!("{}: line {}", source.file.display(), source.index + 2)
    } else {
        source.to_string()
    }
}

/// Which comes first in dates written with slashes.
#[derive(Clone, Copy, PartialEq, Eq)]
enum SlashOrder {
    DayFirst,
    MonthFirst,
    Unknown,
}

impl SlashOrder {
    fn of(rows: &[RawFeature], fields: &Fields) -> Self {
        let texts = rows.iter().filter_map(|row| fields.text(&row.properties, "date"));
        let (mut day_first, mut month_first) = (false, false);
        for [a, b, _] in texts.filter_map(|text| slashed(&text)) {
            day_first |= a > 12;
            month_first |= b > 12;
        }
        match (day_first, month_first) {
            (true, false) => SlashOrder::DayFirst,
            (false, true) => SlashOrder::MonthFirst,
            _ => SlashOrder::Unknown,
        }
    }

    fn date(self, text: &str) -> Option<Date> {
        let [a, b, year] = slashed(text)?;
        let (day, month) = match self {
            SlashOrder::DayFirst => (a, b),
            SlashOrder::MonthFirst => (b, a),
            SlashOrder::Unknown => return None,
        };
        Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()
    }
}

/// The three numbers of a date such as `31/5/2026` or `31.5.2026`, the last a year.
fn slashed(text: &str) -> Option<[u32; 3]> {
    let parts: Vec<u32> = text
        .split_whitespace()
        .next()?
        .split(['/', '.'])
        .map(|part| part.parse().ok())
        .collect::<Option<_>>()?;
    match parts[..] {
        [a, b, year] if year >= 1000 => Some([a, b, year]),
        _ => None,
    }
}

struct Reader<'a> {
    fields: &'a Fields,
    zone: Option<&'a TimeZone>,
    order: SlashOrder,
    findings: &'a mut Findings,
}

impl Reader<'_> {
    fn check(&mut self, row: &RawFeature) -> Option<Check> {
        let text = |property: &str| self.fields.text(&row.properties, property);
        let place = line_of(&row.source);
        let Some(station_id) = text("station_id").or_else(|| text("site_id")) else {
            self.findings.warn_at(&place, "has no station_id; it is left out, its capsules too");
            return None;
        };
        let date = self.date(row, &place)?;
        let found = self.found(row, &place);
        Some(Check {
            station_id: Arc::from(station_id),
            date,
            by: self.word(row, "by"),
            found,
            reason: self.word(row, "reason"),
            animal: self.fields.text(&row.properties, "animal").map(|word| Animal::from_word(&word)),
            head_replaced: self.yes(row, "head_replaced", &place).unwrap_or(false),
            capsules_out: self.count(row, "capsules_out", &place),
            capsules_back: self.count(row, "capsules_back", &place),
            serviced: self.yes(row, "serviced", &place),
            lifted: self.yes(row, "lifted", &place).unwrap_or(false),
            batch: self.word(row, "batch"),
            closed: self.yes(row, "closed", &place).unwrap_or(false),
            note: self.word(row, "note"),
            source: row.source.clone(),
        })
    }

    fn word(&self, row: &RawFeature, property: &str) -> Option<Arc<str>> {
        self.fields.text(&row.properties, property).map(Arc::from)
    }

    fn date(&mut self, row: &RawFeature, place: &str) -> Option<Date> {
        match self.fields.date(&row.properties, "date", self.zone) {
            Ok(Some(date)) => Some(date),
            Ok(None) => {
                self.findings.warn_at(place, "has no date; it is left out, its capsules too");
                None
            }
            Err(text) => {
                let date = self.order.date(text.trim_matches('"'));
                if date.is_none() {
                    self.findings.warn_at(
                        place,
                        "has a date that cannot be read for certain (write 2026-05-31); it is left out, its capsules too",
                    );
                }
                date
            }
        }
    }

    fn found(&mut self, row: &RawFeature, place: &str) -> Found {
        match self.fields.text(&row.properties, "found") {
            None => {
                self.findings.warn_at(place, "does not say what was found; it counts as not checked");
                Found::NotChecked
            }
            Some(word) => Found::from_word(&word).unwrap_or_else(|| {
                let known = Found::ALL.map(Found::word).join(", ");
                self.findings.warn_at(
                    place,
                    format!(
                        "has the unknown finding \"{word}\" (known are {known}); it counts as not checked"
                    ),
                );
                Found::NotChecked
            }),
        }
    }

    fn yes(&mut self, row: &RawFeature, property: &str, place: &str) -> Option<bool> {
        let word = self.fields.text(&row.properties, property)?.to_lowercase();
        match word.as_str() {
            "yes" | "y" | "true" | "1" | "x" => Some(true),
            "no" | "n" | "false" | "0" | "-" => Some(false),
            _ => {
                self.findings.warn_at(
                    place,
                    format!("has a {property} that is neither yes nor no; it counts as not said"),
                );
                None
            }
        }
    }

    fn count(&mut self, row: &RawFeature, property: &str, place: &str) -> Option<u32> {
        match self.fields.number(&row.properties, property) {
            Ok(None) => None,
            Ok(Some(n)) if n >= 0.0 && n.fract() == 0.0 && n <= 10_000.0 => Some(n as u32),
            _ => {
                self.findings.warn_at(
                    place,
                    format!("has a {property} that is no whole number; it counts as not said"),
                );
                None
            }
        }
    }
}
