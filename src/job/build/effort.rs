//! Survey effort: legs that somebody searched, and nights that cameras stood.

use geo_types::Geometry;

use super::Builder;
use super::days::Slot;
use crate::files::{RawFeature, RawShape};
use crate::job::dates::ReadDay;
use crate::job::shapes::{points_of, ways_of};
use crate::record::{Deployment, SurveyLeg};

/// What is read of a leg or a camera.
pub(super) const NAMES: [&str; 8] =
    ["passes", "nights", "date", "until", "mode", "observer", "survey", "name"];

impl Builder {
    /// A survey leg.
    pub fn leg(&mut self, raw: RawFeature) {
        self.note_id(&raw.source);
        self.note_names(&raw, "survey", &NAMES);
        let is_point = matches!(&raw.shape, RawShape::Shape(Geometry::Point(_)));
        if is_point && self.fields("survey").value(&raw.properties, "nights").is_some() {
            return self.deployment(raw);
        }
        let ways = ways_of(&raw, false, &mut self.findings);
        let fields = self.fields("survey");
        let Some(passes) = self.quantity(&fields, &raw, "passes") else { return };
        let day = self.date_of(&fields, &raw, "date");
        let leg = SurveyLeg {
            date: day.and_then(ReadDay::known),
            passes: passes.unwrap_or(1.0),
            mode: self.word(&fields, &raw, "mode"),
            observer: self.word(&fields, &raw, "observer"),
            survey: self.word(&fields, &raw, "survey"),
            source: raw.source,
        };
        let first = self.legs.len();
        self.legs.extend(ways.into_iter().map(|way| (leg.clone(), way)));
        self.await_day(day, "date", Slot::Leg, first..self.legs.len());
    }

    /// A camera that stood somewhere for some nights.
    fn deployment(&mut self, raw: RawFeature) {
        let fields = self.fields("survey");
        let Some(nights) = self.quantity(&fields, &raw, "nights") else { return };
        let from = self.date_of(&fields, &raw, "date");
        let until = self.date_of(&fields, &raw, "until");
        let deployment = Deployment {
            name: self.word(&fields, &raw, "name"),
            survey: self.word(&fields, &raw, "survey"),
            from: from.and_then(ReadDay::known),
            until: until.and_then(ReadDay::known),
            nights: nights.unwrap_or(0.0),
            source: raw.source.clone(),
        };
        let places = points_of(&raw, &mut self.findings);
        let first = self.deployments.len();
        self.deployments.extend(places.into_iter().map(|at| (deployment.clone(), at)));
        let added = first..self.deployments.len();
        self.await_day(from, "date", Slot::CameraFrom, added.clone());
        self.await_day(until, "until", Slot::CameraUntil, added);
    }
}
