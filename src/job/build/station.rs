//! Stations in the ground.

use super::Builder;
use super::days::Slot;
use crate::files::RawFeature;
use crate::job::dates::ReadDay;
use crate::job::shapes::points_of;
use crate::record::{Station, StationState};

/// What is read of a station.
pub(super) const NAMES: [&str; 8] =
    ["station_id", "site_id", "name", "state", "set_on", "lifted_on", "set_by", "batch"];

impl Builder {
    /// A station.
    pub fn station(&mut self, raw: RawFeature) {
        self.note_names(&raw, "station", &NAMES);
        let fields = self.fields("station");
        let places = points_of(&raw, &mut self.findings);
        let properties = &raw.properties;
        let id = fields.text(properties, "station_id").or_else(|| fields.text(properties, "site_id"));
        let Some(station_id) = id.or_else(|| raw.source.id.as_deref().map(str::to_string)) else {
            self.findings.fault_of(&raw.source, None, "is a station without a station_id");
            return;
        };
        let state = match fields.text(properties, "state") {
            None => StationState::Set,
            Some(word) => match StationState::from_word(&word) {
                Some(state) => state,
                None => {
                    self.findings.fault_of(
                        &raw.source,
                        Some(fields.name_in(properties, "state")),
                        format!("has the unknown state \"{word}\"; known are proposed, set and lifted"),
                    );
                    return;
                }
            },
        };
        let set_on = self.date_of(&fields, &raw, "set_on");
        let lifted_on = self.date_of(&fields, &raw, "lifted_on");
        let station = Station {
            station_id: self.words.share(&station_id),
            name: self.word(&fields, &raw, "name"),
            state,
            set_on: set_on.and_then(ReadDay::known),
            lifted_on: lifted_on.and_then(ReadDay::known),
            set_by: self.word(&fields, &raw, "set_by"),
            batch: self.word(&fields, &raw, "batch"),
            source: raw.source.clone(),
        };
        if self.station_properties.contains_key(&station.station_id) {
            self.findings
                .warn_at(&station.source, format!("repeats the station {station_id}; the first is used"));
            return;
        }
        self.station_properties.insert(station.station_id.clone(), raw.properties);
        let first = self.stations.len();
        self.stations.extend(places.into_iter().take(1).map(|at| (station.clone(), at)));
        let added = first..self.stations.len();
        self.await_day(set_on, "set_on", Slot::StationSet, added.clone());
        self.await_day(lifted_on, "lifted_on", Slot::StationLifted, added);
    }
}
