//! Places and areas that only the choice of sites heeds.

use super::Builder;
use crate::files::RawFeature;

impl Builder {
    /// A place where a site must be.
    pub fn must(&mut self, raw: RawFeature) {
        self.note_names(&raw, "must", &["name", "site_id", "station_id"]);
        self.places.must(&raw, &self.fields("must"), &mut self.findings);
    }

    /// The same, given in the plan itself as longitude and latitude.
    pub fn must_at(&mut self, at: [f64; 2], name: Option<&str>) {
        self.places.must_at(at, name, &mut self.findings);
    }

    /// A feature near which no site may be.
    pub fn never(&mut self, raw: RawFeature) {
        self.note_names(&raw, "never", &["within_m", "name", "reason"]);
        self.places.never(&raw, &self.fields("never"), &mut self.findings);
    }

    /// The same, given in the plan itself as longitude and latitude.
    pub fn never_at(&mut self, at: [f64; 2], within_m: f64, name: Option<&str>) {
        self.places.never_at(at, within_m, name, &mut self.findings);
    }

    /// A polygon of cover.
    pub fn cover(&mut self, raw: RawFeature) {
        self.places.cover(&raw, &mut self.findings);
    }

    /// One more layer of numbers.
    pub fn number_layer(&mut self) {
        self.places.layers.push(Vec::new());
    }

    /// A polygon with a number, of the plan's layer of that number.
    pub fn number(&mut self, raw: RawFeature, layer: usize, property: &str) {
        self.places.number(&raw, layer, property, &mut self.findings);
    }
}
