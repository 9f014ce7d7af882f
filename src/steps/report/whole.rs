//! What a layer of a run must say of each feature, so that nothing is drawn that it does not say.

use serde_json::Value;

use crate::record::SourcePlace;
use crate::report::Feature;

/// What a property holds.
#[derive(Clone, Copy)]
enum Kind {
    Text,
    Number,
    Flag,
    Parts,
    Side,
    Point,
}

/// So many faults of a layer are told one by one.
const TOLD: usize = 20;

/// What is drawn from each layer, by its file.
fn required(layer: &str) -> &'static [(&'static str, Kind)] {
    use Kind::{Flag, Number, Parts, Point, Side, Text};
    match layer {
        "sites.geojson" => &[
            ("geometry", Point),
            ("site_id", Text),
            ("rank", Number),
            ("score", Number),
            ("parts", Parts),
            ("reason", Text),
            ("line", Text),
            ("line_from", Text),
            ("kind", Text),
            ("chainage_m", Number),
            ("side", Side),
            ("offset_m", Number),
            ("bearing_deg", Number),
        ],
        "candidates.geojson" => &[
            ("geometry", Point),
            ("score", Number),
            ("parts", Parts),
            ("line", Text),
            ("line_from", Text),
            ("chainage_m", Number),
        ],
        "nodes.geojson" => &[
            ("geometry", Point),
            ("node_id", Text),
            ("node_kind", Text),
            ("ways", Number),
            ("convergence", Number),
        ],
        "network.geojson" => &[("kind", Text), ("from_node", Text), ("to_node", Text), ("length_m", Number)],
        "near-misses.geojson" => &[("gap_m", Number), ("closed", Flag)],
        "hot-areas.geojson" => &[("mass_percent", Number), ("area_ha", Number)],
        "change-areas.geojson" => &[("direction", Text), ("area_ha", Number)],
        "checks.geojson" => &[("geometry", Point), ("station_id", Text)],
        _ => &[],
    }
}

/// The faults of the features of a layer, all that are found.
pub(super) struct Whole {
    layer: &'static str,
    faults: Vec<String>,
    count: usize,
}

impl Whole {
    /// Nothing looked at yet.
    pub(super) fn new(layer: &'static str) -> Self {
        Self { layer, faults: Vec::new(), count: 0 }
    }

    /// Looks at a feature.
    pub(super) fn look(&mut self, source: &SourcePlace, feature: &Feature) {
        for (name, kind) in required(self.layer) {
            let expected = match expected(feature, name, *kind) {
                Some(expected) => expected,
                None => continue,
            };
            self.count += 1;
            if self.faults.len() < TOLD {
                let found = feature.properties.get(*name).map_or("nothing".to_string(), short);
                let what = match kind {
                    Kind::Point => format!("{name}: expected {expected}"),
                    _ => format!("property \"{name}\": expected {expected}, found {found}"),
                };
                self.faults.push(format!("{source}: {what}"));
            }
        }
    }

    /// A feature has no geometry, or none that is whole.
    pub(super) fn no_shape(&mut self, source: &SourcePlace) {
        self.count += 1;
        if self.faults.len() < TOLD {
            self.faults.push(format!("{source}: geometry: expected one that is whole"));
        }
    }

    /// The faults, one a line.
    pub(super) fn faults(self) -> Vec<String> {
        let mut faults = self.faults;
        if self.count > faults.len() {
            faults.push(format!("{}: and {} more of its kind", self.layer, self.count - faults.len()));
        }
        faults
    }
}

/// What was expected of a property, where it is not so.
fn expected(feature: &Feature, name: &str, kind: Kind) -> Option<&'static str> {
    let value = feature.properties.get(name);
    let (holds, expected) = match kind {
        Kind::Text => (value.is_some_and(Value::is_string), "a text"),
        Kind::Number => (value.and_then(Value::as_f64).is_some(), "a number"),
        Kind::Flag => (value.is_some_and(Value::is_boolean), "true or false"),
        Kind::Parts => (value.is_some_and(Value::is_object), "the parts of the score"),
        Kind::Side => (matches!(feature.text(name), Some("left" | "right")), "\"left\" or \"right\""),
        Kind::Point => (feature.place().is_some(), "a point"),
    };
    (!holds).then_some(expected)
}

/// A value as a message shows it.
fn short(value: &Value) -> String {
    let text = value.to_string();
    match text.char_indices().nth(40) {
        Some((end, _)) => format!("{}…", text.get(..end).unwrap_or_default()),
        None => text,
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use geo_types::{Geometry, Point};
    use serde_json::json;

    use super::*;

    #[test]
    fn each_property_that_is_missing_is_told_with_its_feature() {
        let site = |properties: Value| Feature {
            id: "S001".into(),
            geometry: Geometry::Point(Point::new(148.0, -35.0)),
            properties: properties.as_object().cloned().unwrap(),
        };
        let whole = json!({ "site_id": "S001", "rank": 1, "score": 0.5, "parts": {}, "reason": "", "line": "A",
            "line_from": "t#1", "kind": "track", "chainage_m": 0.0, "side": "left", "offset_m": 5.0,
            "bearing_deg": 90.0 });
        let source = |index| SourcePlace {
            file: Arc::from(Path::new("out/sites.geojson")),
            index,
            id: Some(Arc::from("S001")),
        };
        let mut look = Whole::new("sites.geojson");
        look.look(&source(0), &site(whole.clone()));
        let (mut no_side, mut wrong) = (whole.clone(), whole);
        no_side.as_object_mut().unwrap().remove("side");
        wrong["side"] = json!("Left");
        wrong["offset_m"] = json!("5 m");
        look.look(&source(1), &site(no_side));
        look.look(&source(2), &site(wrong));
        let faults = look.faults();
        assert_eq!(faults.len(), 3);
        let first = "out/sites.geojson: feature 2 (id S001): property \"side\": expected \"left\" or \"right\", found nothing";
        assert_eq!(faults[0], first);
        assert!(faults[1].contains("feature 3") && faults[1].ends_with("found \"Left\""), "{faults:?}");
        assert!(faults[2].contains("\"offset_m\": expected a number, found \"5 m\""), "{faults:?}");
    }
}
