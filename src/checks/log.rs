//! Reading the check log as people fill it in.

use std::collections::{BTreeMap, HashMap, HashSet};
use std::fmt::Display;
use std::path::Path;
use std::sync::Arc;

use jiff::civil::Date;
use jiff::tz::TimeZone;
use serde_json::Value;

use crate::files::RawFeature;
use crate::frame::Placed;
use crate::job::{CHECK_NAMES, DateColumn, DateOrder, Fields, Findings, Spellings};
use crate::record::{Animal, Check, Found, SourcePlace, Station};

/// Reads the rows of a check log. The account of doses rests on every row: one that is not
/// understood is a fault, and no account may be given then. Odd but usable rows are warnings.
///
/// A row of a station that is not known, or from before the station was set, stays for the
/// account of capsules only. Several checks of a station on one day are all kept, in the order
/// of the file. A row without any value is passed over. Dates are ISO 8601; days written
/// `31/5/2026` or `5/31/2026` are read in the order that the plan says or that the file shows
/// by some day that can be meant in one way only.
pub fn read_log(
    rows: &[RawFeature],
    fields: &Fields,
    zone: Option<&TimeZone>,
    dates: Option<DateOrder>,
    stations: &[Placed<Station>],
    findings: &mut Findings,
) -> Vec<Check> {
    let mut reader = Reader { fields, zone, dates, columns: BTreeMap::new(), findings };
    let rows: Vec<&RawFeature> = rows.iter().filter(|row| reader.says_something(row)).collect();
    reader.note_days(&rows);
    let mut checks: Vec<Check> = rows.into_iter().filter_map(|row| reader.check(row)).collect();
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

struct Reader<'a> {
    fields: &'a Fields,
    zone: Option<&'a TimeZone>,
    /// The order of day and month that the plan says.
    dates: Option<DateOrder>,
    /// What the days of each log show of their order.
    columns: BTreeMap<Arc<Path>, DateColumn>,
    findings: &'a mut Findings,
}

impl Reader<'_> {
    /// Whether a row holds anything; spreadsheets end in rows that do not.
    fn says_something(&mut self, row: &RawFeature) -> bool {
        let said = row.properties.iter().any(|(_, value)| match value {
            Value::Null => false,
            Value::String(text) => !text.trim().is_empty(),
            _ => true,
        });
        if !said {
            self.findings.warn_at(line_of(&row.source), "is a row without any value; it is passed over");
        }
        said
    }

    fn note_days(&mut self, rows: &[&RawFeature]) {
        for row in rows {
            let column = self.columns.entry(row.source.file.clone()).or_default();
            if let Ok(Some(day)) = self.fields.date(&row.properties, "date", self.zone) {
                let text = self.fields.text(&row.properties, "date").unwrap_or_default();
                column.note(line_of(&row.source), &text, day);
            }
        }
        for column in self.columns.values() {
            if let Some(trouble) = column.trouble(self.dates) {
                self.findings.fault(trouble.place, trouble.what);
            }
        }
    }

    /// A fault of a row, which no account may pass over.
    fn fault(&mut self, place: &str, what: impl Display) {
        self.findings
            .fault(place, format!("{what}; mend the row: no account is given while one is not understood"));
    }

    fn check(&mut self, row: &RawFeature) -> Option<Check> {
        let place = line_of(&row.source);
        Spellings::of(self.fields, row, "check", &CHECK_NAMES).tell(&row.source, &place, self.findings);
        let text = |property: &str| self.fields.text(&row.properties, property);
        let Some(station_id) = text("station_id").or_else(|| text("site_id")) else {
            self.fault(&place, "has no station_id");
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
            // A day that no order is known for is told once, with its column.
            Ok(Some(day)) => day.under(self.columns.get(&row.source.file)?.order(self.dates)),
            Ok(None) => {
                self.fault(place, "has no date");
                None
            }
            Err(text) => {
                self.fault(place, format!("has the date {text}, which is no day (write 2026-05-31)"));
                None
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
                self.fault(place, format!("has the unknown finding \"{word}\" (known are {known})"));
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
                self.fault(place, format!("has the {property} \"{word}\", which is neither yes nor no"));
                None
            }
        }
    }

    fn count(&mut self, row: &RawFeature, property: &str, place: &str) -> Option<u32> {
        match self.fields.number(&row.properties, property) {
            Ok(None) => None,
            Ok(Some(n)) if n >= 0.0 && n.fract() == 0.0 && n <= 10_000.0 => Some(n as u32),
            Ok(Some(n)) => {
                self.fault(place, format!("has the {property} {n}, which is no whole number"));
                None
            }
            Err(text) => {
                self.fault(place, format!("has the {property} {text}, which is no whole number"));
                None
            }
        }
    }
}
