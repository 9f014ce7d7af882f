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
pub(super) const NAMES: [&str; 8] =
    ["sign", "animal", "date", "count", "accuracy_m", "observer", "season", "survey"];

impl Builder {
    /// A record of sign. A multi-point becomes a record a point, and a count that it carries is
    /// shared among them: it is that of the whole.
    pub fn sign(&mut self, raw: RawFeature, defaults: &SignDefaults) {
        self.note_id(&raw.source);
        self.note_names(&raw, "sign", &NAMES);
        let places = points_of(&raw, &mut self.findings);
        let Some((mut record, day)) = self.record_of(&raw, defaults) else { return };
        if places.len() > 1 && self.fields("sign").value(&raw.properties, "count").is_some() {
            record.count /= places.len() as f64;
            self.findings.warn_at(
                &raw.source,
                "has one count for several points; it is shared among them in equal parts",
            );
        }
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

#[cfg(test)]
mod tests {
    use geo_types::{Geometry, MultiPoint};
    use serde_json::json;

    use super::*;
    use crate::files::RawShape;
    use crate::record::SourcePlace;

    fn sign(builder: &mut Builder, index: usize, shape: Geometry<f64>, properties: serde_json::Value) {
        let file = std::sync::Arc::from(std::path::Path::new("sign.geojson"));
        let properties = properties.as_object().unwrap().clone().into();
        let source = SourcePlace { file, index, id: None };
        builder
            .sign(RawFeature { shape: RawShape::Shape(shape), properties, source }, &SignDefaults::default());
    }

    #[test]
    fn a_count_of_several_points_is_that_of_the_whole() {
        let points: Geometry<f64> = MultiPoint::from(vec![(148.0, -35.0), (148.1, -35.0)]).into();
        let mut builder = Builder::default();
        sign(&mut builder, 0, points.clone(), json!({"count": 7}));
        sign(&mut builder, 1, points, json!({}));
        let job = builder.finish(None).unwrap();
        let counts: f64 = job.records.iter().map(|r| r.what.count).sum();
        assert_eq!((job.records.len(), counts), (4, 9.0));
        assert!(job.findings.warnings().any(|w| w.what.contains("shared") && w.count == 1));
    }

    /// A file of which one day can only be month-first, read by the same code as check logs.
    #[test]
    fn the_days_of_a_file_are_settled_by_one_of_them() {
        let at: Geometry<f64> = geo_types::Point::new(148.0, -35.0).into();
        let days = |dates: &[&str]| {
            let mut builder = Builder::default();
            for (k, date) in dates.iter().enumerate() {
                sign(&mut builder, k, at.clone(), json!({ "date": date }));
            }
            let job = builder.finish(None).unwrap();
            let mut days: Vec<String> =
                job.records.iter().map(|r| r.what.date.map_or("-".into(), |d| d.to_string())).collect();
            days.sort();
            (days, job.findings.warnings().map(|w| (w.what.clone(), w.count)).collect::<Vec<_>>())
        };
        assert_eq!(days(&["04/13/2026", "01/04/2026"]).0, ["2026-01-04", "2026-04-13"]);
        let (undated, warnings) = days(&["01/04/2026", "02/04/2026"]);
        assert_eq!(undated, ["-", "-"]);
        assert!(warnings[0].0.contains("[place]") && warnings[0].1 == 2, "{warnings:?}");
        let (both, warnings) = days(&["13/04/2026", "04/14/2026", "01/04/2026"]);
        assert_eq!(both, ["-", "2026-04-13", "2026-04-14"]);
        assert!(warnings[0].0.contains("feature 2"), "{warnings:?}");
    }

    #[test]
    fn a_file_that_goes_against_the_order_of_the_plan_stops_the_run() {
        let at: Geometry<f64> = geo_types::Point::new(148.0, -35.0).into();
        let mut builder = Builder::default().with_dates(Some(crate::job::DateOrder::DayFirst));
        sign(&mut builder, 0, at.clone(), json!({"date": "01/04/2026"}));
        sign(&mut builder, 1, at, json!({"date": "04/13/2026"}));
        let Err(why) = builder.finish(None) else { panic!("read") };
        assert!(why.to_string().contains("can only be month-first"), "{why}");
    }
}
