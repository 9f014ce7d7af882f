//! What `checks` writes of single stations. Wherever one is named, so is what is to be done there.

use geo_types::{Geometry, Point};
use serde_json::{Map, Value, json};

use super::View;
use super::words::rate_json;
use crate::checks::{OpenItem, Quiet, Rate};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::round::Due;
use crate::siting::SHORT_CAUTION;
use crate::steps::StepError;
use crate::steps::written::{members, said_first};
use crate::verdict::Task;

impl View<'_> {
    /// Properties of a station with what is to be done there.
    pub(super) fn with_task(&self, station_id: &str, of: Value) -> Map<String, Value> {
        let mut properties = members(of);
        self.verdicts.put(station_id, &mut properties);
        properties
    }

    pub(super) fn open_items(&self) -> Vec<Value> {
        let item = |i: &OpenItem| {
            let own = json!({
                "station_id": &*i.station_id,
                "since": i.since.to_string(),
                "by": i.by.as_deref(),
                "batch": i.batch.as_deref(),
                "capsules": i.capsules,
            });
            Value::Object(self.with_task(&i.station_id, own))
        };
        self.books.open_items.iter().map(item).collect()
    }

    pub(super) fn due_json(&self, due: &Due) -> Value {
        let own = json!({
            "station_id": &*due.station_id,
            "urgency": due.urgency.word(),
            "due_on": due.due_on.map(|d| d.to_string()),
            "days_over": due.days_over,
            "checked_on": due.checked_on.map(|d| d.to_string()),
            "every_days": due.every_days,
            "reason": due.reason,
        });
        Value::Object(self.with_task(&due.station_id, own))
    }

    pub(super) fn quiet_json(&self, q: &Quiet) -> Value {
        let own = json!({
            "station_id": self.id(q.station),
            "visited_on": q.visited_on.map(|d| d.to_string()),
            "nights": q.nights,
            "chance": round_to(q.chance, 6),
            "advice": self.advice(q),
        });
        Value::Object(self.with_task(self.id(q.station), own))
    }

    /// The task, but for a station that is served: whether it is refreshed or left as it is.
    fn advice(&self, q: &Quiet) -> &'static str {
        match self.verdicts.task(self.id(q.station)) {
            Task::Serve => q.advice.word(),
            task => task.word(),
        }
    }

    pub(super) fn write_geojson(&self, set: &mut OutputSet) -> Result<(), StepError> {
        let provenance = self.desk.provenance();
        let opening = [("cautions", json!(said_first(self.desk)))];
        Ok(set.write("checks.geojson", |out| {
            let mut writer = GeoJsonWriter::begin_with(out, &provenance, &opening)?;
            for (k, station) in self.desk.job.stations.iter().enumerate() {
                let at = Geometry::Point(Point::new(station.at.lon_deg(), station.at.lat_deg()));
                writer.feature(&station.what.station_id, Some(&at), &self.station_json(k))?;
            }
            writer.finish().map(drop)
        })?)
    }

    fn station_json(&self, k: usize) -> Map<String, Value> {
        let station = &self.desk.job.stations[k].what;
        let rate = Rate::of(self.history.intervals.iter().filter(|i| i.station == k));
        let due = self.due.iter().find(|d| d.station_id == station.station_id);
        let quiet = self.quiet.iter().find(|q| q.station == k);
        let own = json!({
            "station_id": &*station.station_id,
            "name": station.name.as_deref(),
            "state": station.state.word(),
            "set_on": station.set_on.map(|d| d.to_string()),
        });
        let mut properties = self.with_task(&station.station_id, own);
        properties.extend(members(rate_json(&rate)));
        properties.extend(members(json!({
            "checked_on": due.and_then(|d| d.checked_on).map(|d| d.to_string()),
            "due_on": due.and_then(|d| d.due_on).map(|d| d.to_string()),
            "days_over": due.and_then(|d| d.days_over),
            "urgency": due.map(|d| d.urgency.word()),
            "quiet_nights": quiet.map(|q| q.nights),
            "advice": quiet.map(|q| self.advice(q)),
            "open_items": self.books.open_items.iter().filter(|i| i.station_id == station.station_id).count(),
            "caution": SHORT_CAUTION,
        })));
        properties
    }
}
