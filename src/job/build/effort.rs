//! Survey effort: legs that somebody searched, and nights that cameras stood.

use geo_types::Geometry;

use super::Builder;
use crate::files::{RawFeature, RawShape};
use crate::job::shapes::{points_of, ways_of};
use crate::record::{Deployment, SurveyLeg};

impl Builder {
    /// A survey leg.
    pub fn leg(&mut self, raw: RawFeature) {
        self.note_id(&raw.source);
        if matches!(&raw.shape, RawShape::Shape(Geometry::Point(_))) && raw.properties.contains_key("nights")
        {
            return self.deployment(raw);
        }
        let ways = ways_of(&raw, false, &mut self.findings);
        let fields = self.fields("survey");
        let Some(passes) = self.quantity(&fields, &raw, "passes") else { return };
        let leg = SurveyLeg {
            date: self.date_of(&fields, &raw, "date"),
            passes: passes.unwrap_or(1.0),
            mode: self.word(&fields, &raw, "mode"),
            observer: self.word(&fields, &raw, "observer"),
            survey: self.word(&fields, &raw, "survey"),
            source: raw.source,
        };
        self.legs.extend(ways.into_iter().map(|way| (leg.clone(), way)));
    }

    /// A camera that stood somewhere for some nights.
    fn deployment(&mut self, raw: RawFeature) {
        let fields = self.fields("survey");
        let Some(nights) = self.quantity(&fields, &raw, "nights") else { return };
        let deployment = Deployment {
            name: self.word(&fields, &raw, "name"),
            survey: self.word(&fields, &raw, "survey"),
            from: self.date_of(&fields, &raw, "date"),
            until: self.date_of(&fields, &raw, "until"),
            nights: nights.unwrap_or(0.0),
            source: raw.source.clone(),
        };
        let places = points_of(&raw, &mut self.findings);
        self.deployments.extend(places.into_iter().map(|at| (deployment.clone(), at)));
    }
}
