//! What is said of properties whose names are spelt otherwise than the design of the files has it.

use serde_json::Value;

use super::Findings;
use super::fields::{Fields, WEIGHT};
use crate::files::RawFeature;
use crate::record::SourcePlace;

/// Properties of which two different values stop the run: what keeps people safe hangs on them.
const KEPT_STRICT: [&str; 8] =
    ["distance_m", "within_m", "station_id", "state", "capsules_out", "capsules_back", "found", "lifted"];

/// How the names of one feature are spelt.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Spellings {
    /// "NAME" as property, for those taken under another spelling.
    taken: Vec<String>,
    faults: Vec<(String, String)>,
    warnings: Vec<String>,
}

impl Spellings {
    /// Looks at the named properties of a feature of a layer of the plan.
    pub fn of(fields: &Fields, raw: &RawFeature, layer: &str, properties: &[&str]) -> Self {
        let mut found = Self::default();
        for property in properties {
            let mut near = fields.near_names(&raw.properties, property).peekable();
            let Some(first) = near.peek().map(|(name, _)| *name) else { continue };
            if *property == WEIGHT {
                found.warnings.push(format!(
                    "has a property \"{first}\", which is not read as {property}; if it means that, map it \
                     in the plan: [fields.{layer}] {property} = \"{first}\""
                ));
                continue;
            }
            let Some(value) = fields.value(&raw.properties, property) else { continue };
            let name = fields.name_in(&raw.properties, property);
            match near.find(|(_, other)| *other != value) {
                Some((second, other)) if name != second => {
                    found.differs(property, (name, value), (second, other), layer)
                }
                _ if name != *property => found.taken.push(format!("\"{name}\" as {property}")),
                _ => {}
            }
        }
        found
    }

    fn differs(&mut self, property: &str, one: (&str, &Value), two: (&str, &Value), layer: &str) {
        let twice = format!(
            "has two values for {property}: \"{}\" is {} and \"{}\" is {}",
            one.0, one.1, two.0, two.1
        );
        let way = format!("say which counts in the plan: [fields.{layer}] {property} = \"{}\"", one.0);
        if KEPT_STRICT.contains(&property) {
            self.faults.push((one.0.to_string(), format!("{twice}; take one of them out, or {way}")));
        } else {
            self.warnings.push(format!("{twice}; the first is used; to be sure, {way}"));
        }
    }

    /// Adds what was found to the findings; `place` is how messages call the feature.
    pub fn tell(&self, source: &SourcePlace, place: impl std::fmt::Display, findings: &mut Findings) {
        if !self.taken.is_empty() {
            let taken = self.taken.join(", ");
            findings.warn_at(&place, format!("has names that differ by case or signs; read are {taken}"));
        }
        for warning in &self.warnings {
            findings.warn_at(&place, warning);
        }
        for (name, fault) in &self.faults {
            findings.fault_of(source, Some(name), fault);
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use serde_json::json;

    use super::*;
    use crate::files::RawShape;

    fn told(properties: Value) -> (Vec<String>, Option<Vec<String>>) {
        let source = SourcePlace { file: Arc::from(Path::new("keep.geojson")), index: 0, id: None };
        let properties = properties.as_object().unwrap().clone().into();
        let raw = RawFeature { shape: RawShape::Null, properties, source: source.clone() };
        let mut findings = Findings::default();
        Spellings::of(&Fields::default(), &raw, "keep_out", &["distance_m", "name", "count"]).tell(
            &source,
            &source,
            &mut findings,
        );
        let warnings = findings.warnings().map(|warning| warning.what.clone()).collect();
        (warnings, findings.faults(Path::new("")))
    }

    #[test]
    fn another_spelling_is_said_and_two_distances_stop_the_run() {
        let (warnings, faults) = told(json!({"DISTANCE_M": 1500, "Name": "farm"}));
        assert_eq!(faults, None);
        assert!(warnings[0].contains("\"DISTANCE_M\" as distance_m, \"Name\" as name"), "{warnings:?}");
        let (_, faults) = told(json!({"distance_m": 200, "Distance m": 1500}));
        assert!(faults.unwrap()[0].contains("\"distance_m\" is 200 and \"Distance m\" is 1500"));
        assert_eq!(told(json!({"distance_m": 200, "Distance m": 200, "name": "a"})), (Vec::new(), None));
        let (warnings, faults) = told(json!({"name": "a", "NAME": "b", "Count": 3}));
        assert_eq!((warnings.len(), faults), (2, None), "{warnings:?}");
    }
}
