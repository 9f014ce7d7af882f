//! Takes raw features of every role and makes the job of them: one file a role.

mod days;
mod effort;
mod finish;
mod keep_out;
mod line;
mod mapped;
mod names;
mod order;
mod place;
mod sign;
mod station;
mod whereabouts;

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};
use std::path::PathBuf;
use std::sync::Arc;

use geo_types::MultiPolygon;
use jiff::tz::TimeZone;
use serde_json::Value;

use super::dates::{DateColumn, DateOrder};
use super::fields::Fields;
use super::intern::{Occasions, Words};
use super::places::PlaceRows;
use super::shapes::points_of;
use super::wind::WindRows;
use super::{Findings, Query};
use days::Awaited;
pub use mapped::CHECK_NAMES;

use crate::files::write::InputFile;
use crate::files::{Properties, RawFeature, RawShape};
use crate::frame::{LonLat, Placed};
use crate::record::{Access, Deployment, Gate, KeepOut, Line, Record, SourcePlace, Station, SurveyLeg};

/// What the plan says for sign or legs that do not say it themselves.
#[derive(Clone, Debug, Default)]
pub struct SignDefaults {
    /// The season.
    pub season: Option<String>,
}

/// Collects the domain objects of a job while files are read.
#[derive(Default)]
pub struct Builder {
    fields: BTreeMap<String, BTreeMap<String, String>>,
    /// What the files have of the columns that `[fields]` maps, by layer.
    mapped: BTreeMap<String, mapped::Columns>,
    zone: Option<TimeZone>,
    dates: Option<DateOrder>,
    /// The columns of days of the file being read, by property.
    columns: BTreeMap<&'static str, DateColumn>,
    awaited: Vec<Awaited>,
    words: Words,
    occasions: Occasions,
    ids: HashSet<Arc<str>>,
    /// Held as the job will hold them, for there may be millions: their places in the frame are
    /// filled in when it is chosen.
    records: Vec<Placed<Record>>,
    legs: Vec<(SurveyLeg, Vec<LonLat>)>,
    deployments: Vec<(Deployment, LonLat)>,
    lines: Vec<(Line, Vec<LonLat>)>,
    gates: Vec<(Gate, LonLat)>,
    access: Vec<Access>,
    keep_outs: Vec<KeepOut>,
    area: Option<MultiPolygon<f64>>,
    /// Where each polygon of the area came from.
    area_sources: Vec<SourcePlace>,
    untreated: Option<MultiPolygon<f64>>,
    stations: Vec<(Station, LonLat)>,
    station_properties: HashMap<Arc<str>, Properties>,
    check_rows: Vec<RawFeature>,
    queries: Vec<(Query, LonLat)>,
    wind: WindRows,
    places: PlaceRows,
    inputs: Vec<InputFile>,
    site_ids: BTreeSet<Arc<str>>,
    findings: Findings,
    base: PathBuf,
    far_apart: bool,
    far_records: bool,
}

impl Builder {
    /// A builder with the plan's `[fields]` table and the zone in which days are counted.
    pub fn new(fields: &BTreeMap<String, BTreeMap<String, String>>, zone: Option<TimeZone>) -> Self {
        Self { fields: fields.clone(), zone, ..Self::default() }
    }

    /// The same builder, reading days written 1/5/2026 in this order. Without an order a file
    /// shows its own by any day that can be meant in one way only; such days of a file that
    /// shows none are no days.
    pub fn with_dates(self, dates: Option<DateOrder>) -> Self {
        Self { dates, ..self }
    }

    /// The same builder, for files whose names are relative to a folder; messages show the place
    /// in them that they are about.
    pub fn with_base(self, base: impl Into<PathBuf>) -> Self {
        Self { base: base.into(), ..self }
    }

    /// The same builder, for layers that are meant to lie far apart, or records that are to be used
    /// however far they lie from everything else.
    pub fn with_far(self, far_apart: bool, far_records: bool) -> Self {
        Self { far_apart, far_records, ..self }
    }

    /// The findings so far, to add to.
    pub fn findings(&mut self) -> &mut Findings {
        &mut self.findings
    }

    /// Notes that an input was read to its end.
    pub fn input(&mut self, input: InputFile) {
        self.settle_days();
        self.inputs.push(input);
        self.ids.clear();
    }

    /// Notes every id of a site or station that a feature of a role carries, so that no new site gets
    /// it: the properties `site_id` and `station_id` in any case or under their mapped names, and
    /// in layers of such places the feature's own id and name.
    pub fn note_site_ids(&mut self, role: &str, raw: &RawFeature) {
        let of_places = matches!(role, "station" | "check" | "must" | "never");
        let mapped = self.fields.get(role);
        let is_id = |key: &str| {
            ["site_id", "station_id"].iter().any(|id| {
                key.eq_ignore_ascii_case(id)
                    || mapped.and_then(|names| names.get(*id)).is_some_and(|n| n == key)
            }) || (of_places && key.eq_ignore_ascii_case("name"))
        };
        for (_, value) in raw.properties.iter().filter(|(key, _)| is_id(key)) {
            let text = match value {
                Value::String(text) => text.trim().to_string(),
                Value::Number(number) => number.to_string(),
                _ => continue,
            };
            self.site_ids.insert(text.into());
        }
        if of_places {
            self.site_ids.extend(raw.source.id.clone());
        }
    }

    fn fields(&self, layer: &str) -> Fields {
        Fields::new(self.fields.get(layer))
    }

    fn note_id(&mut self, source: &SourcePlace) {
        if let Some(id) = &source.id
            && !self.ids.insert(id.clone())
        {
            self.findings.warn_at(source, "has an id that an earlier feature of the file has; both are used");
        }
    }

    /// A number of 0 or more; `None` after a fault.
    fn quantity(&mut self, fields: &Fields, raw: &RawFeature, property: &str) -> Option<Option<f64>> {
        let why = match fields.number(&raw.properties, property) {
            Ok(Some(value)) if !(value.is_finite() && value >= 0.0) => {
                format!("has the {property} {value}, where a number of 0 or more is wanted")
            }
            Ok(value) => return Some(value),
            Err(text) => format!("has the {property} {text}, where a number is wanted"),
        };
        self.findings.fault_of(&raw.source, Some(fields.name_in(&raw.properties, property)), why);
        None
    }

    fn word(&mut self, fields: &Fields, raw: &RawFeature, property: &str) -> Option<Arc<str>> {
        fields.text(&raw.properties, property).map(|text| self.words.share(&text))
    }

    /// A row of a check log, kept as it is.
    pub fn check_row(&mut self, raw: RawFeature) {
        if let RawShape::Broken(why) = &raw.shape {
            return self.findings.fault_of(&raw.source, None, why);
        }
        self.check_rows.push(raw);
    }

    /// A row of a wind file.
    pub fn wind_row(&mut self, raw: RawFeature) {
        let fields = self.fields("wind");
        self.note_names(&raw, "wind", &["time", "from_deg", "speed_m_s", "day", "night"]);
        self.wind.take(&raw, &fields, self.zone.as_ref(), &mut self.findings);
    }

    /// A point at which a surface is asked for.
    pub fn query(&mut self, raw: RawFeature) {
        let own_id = raw.source.id.as_deref().map(str::to_string);
        for at in points_of(&raw, &mut self.findings) {
            let id = own_id.clone().unwrap_or_else(|| (self.queries.len() + 1).to_string());
            let query = Query { id, properties: raw.properties.clone(), source: raw.source.clone() };
            self.queries.push((query, at));
        }
    }
}
