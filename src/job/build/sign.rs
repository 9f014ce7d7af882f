//! Records of sign.

use super::days::Slot;
use super::{Builder, SignDefaults};
use crate::files::RawFeature;
use crate::frame::{GroundPoint, Placed};
use crate::job::dates::ReadDay;
use crate::job::fields::Fields;
use crate::job::shapes::points_of;
use crate::record::{Animal, Occasion, Record, Sign};

/// What is read of a record.
const NAMES: [&str; 8] = ["sign", "animal", "date", "count", "accuracy_m", "observer", "season", "survey"];

impl Builder {
    /// A record of sign. A multi-point becomes a record a point.
    pub fn sign(&mut self, raw: RawFeature, defaults: &SignDefaults) {
        self.note_id(&raw.source);
        self.note_names(&raw, "sign", &NAMES);
        let places = points_of(&raw, &mut self.findings);
        let Some((record, day)) = self.record_of(&raw, defaults) else { return };
        let ground = GroundPoint::default();
        let first = self.records.len();
        self.records.extend(places.into_iter().map(|at| Placed { what: record.clone(), at, ground }));
        self.await_day(day, "date", Slot::Record, first..self.records.len());
    }

    fn record_of(&mut self, raw: &RawFeature, defaults: &SignDefaults) -> Option<(Record, Option<ReadDay>)> {
        let fields = self.fields("sign");
        let properties = &raw.properties;
        let source = &raw.source;
        let sign = fields.text(properties, "sign").map_or(Sign::Other, |word| {
            Sign::from_word(&word).unwrap_or_else(|| {
                self.findings.warn_at(source, format!("has the unknown sign \"{word}\"; it counts as other"));
                Sign::Other
            })
        });
        let animal = fields.text(properties, "animal").map(|word| match Animal::from_word(&word) {
            Animal::Named(name) => Animal::Named(self.words.share(&name)),
            known => known,
        });
        let count = self.count_of(&fields, raw)?;
        let accuracy_m = self.quantity(&fields, raw, "accuracy_m")?;
        let day = self.date_of(&fields, raw, "date");
        let date = day.and_then(ReadDay::known);
        let occasion = Occasion {
            observer: self.word(&fields, raw, "observer"),
            season: self
                .word(&fields, raw, "season")
                .or_else(|| defaults.season.as_ref().map(|s| self.words.share(s))),
            survey: self.word(&fields, raw, "survey"),
        };
        let occasion = self.occasions.share(occasion);
        Some((Record { sign, animal, date, count, accuracy_m, occasion, source: source.clone() }, day))
    }

    fn count_of(&mut self, fields: &Fields, raw: &RawFeature) -> Option<f64> {
        self.quantity(fields, raw, "count").map(|count| count.unwrap_or(1.0))
    }
}
