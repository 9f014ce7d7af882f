//! Stations in the ground.

use super::Builder;
use crate::files::RawFeature;
use crate::job::shapes::points_of;
use crate::record::{Station, StationState};

impl Builder {
    /// A station.
    pub fn station(&mut self, raw: RawFeature) {
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
                        Some(fields.name_of("state")),
                        format!("has the unknown state \"{word}\"; known are proposed, set and lifted"),
                    );
                    return;
                }
            },
        };
        let station = Station {
            station_id: self.words.share(&station_id),
            name: self.word(&fields, &raw, "name"),
            state,
            set_on: self.date_of(&fields, &raw, "set_on"),
            lifted_on: self.date_of(&fields, &raw, "lifted_on"),
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
        self.stations.extend(places.into_iter().take(1).map(|at| (station.clone(), at)));
    }
}
