//! Candidates as the map shows them, in columns: a state has a million.

use std::collections::{BTreeMap, HashMap};

use serde::{Serialize, Serializer};
use serde_json::{Number, Value};

use super::Feature;
use super::map::pair;
use crate::files::write::round_to;

/// The features of `candidates.geojson`, as far as they are shown.
#[derive(Clone, PartialEq, Debug, Default, Serialize)]
pub struct Candidates {
    lon: Vec<f64>,
    lat: Vec<f64>,
    score: Vec<f64>,
    parts: BTreeMap<String, Vec<PartValue>>,
    line: Vec<usize>,
    lines: Words,
    why: Repeated,
    /// The input line that a candidate stands on, and where: names may be shared by lines.
    from: Vec<usize>,
    froms: Words,
    along: Vec<Option<f64>>,
}

/// What a part of a score is worth: a number, unless the file was made by hand.
#[derive(Clone, PartialEq, Debug, Serialize)]
#[serde(untagged)]
enum PartValue {
    Number(Number),
    Other(Box<Value>),
}

impl Candidates {
    /// Adds a feature; one that is no point is left out.
    pub fn push(&mut self, f: &Feature) {
        let Some(at) = f.place() else { return };
        let [x, y] = pair(at.lon_deg(), at.lat_deg());
        self.lon.push(x);
        self.lat.push(y);
        self.score.push(f.number("score").unwrap_or(0.0));
        self.line.push(self.lines.number(f.text("line").unwrap_or("")));
        self.from.push(self.froms.number(f.text("line_from").unwrap_or("")));
        self.along.push(f.number("chainage_m").map(|m| round_to(m, 1)));
        match (f.text("why_not"), f.text("site_id")) {
            (Some(why), _) => self.why.push(why),
            (None, Some(id)) => self.why.push(&format!("chosen: {id}")),
            (None, None) => self.why.push(""),
        }
        for (name, part) in f.properties.get("parts").and_then(Value::as_object).into_iter().flatten() {
            let value = match part {
                Value::Object(part) => part.get("value").cloned().unwrap_or_default(),
                other => other.clone(),
            };
            let value = match value {
                Value::Number(number) => PartValue::Number(number),
                other => PartValue::Other(Box::new(other)),
            };
            match self.parts.get_mut(name) {
                Some(column) => column.push(value),
                None => _ = self.parts.insert(name.clone(), vec![value]),
            }
        }
    }
}

impl FromIterator<Feature> for Candidates {
    fn from_iter<I: IntoIterator<Item = Feature>>(features: I) -> Self {
        let mut candidates = Self::default();
        features.into_iter().for_each(|f| candidates.push(&f));
        candidates
    }
}

/// Words in the order of their first use.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Words {
    words: Vec<String>,
    numbers: HashMap<String, usize>,
}

impl Words {
    /// The number of a word, a new one for a new word.
    pub(super) fn number(&mut self, word: &str) -> usize {
        if let Some(&known) = self.numbers.get(word) {
            return known;
        }
        let number = self.words.len();
        self.words.push(word.to_string());
        self.numbers.insert(word.to_string(), number);
        number
    }
}

impl Serialize for Words {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(&self.words)
    }
}

/// Texts of which many are the same; written out one by one.
#[derive(Clone, PartialEq, Debug, Default)]
struct Repeated {
    words: Words,
    texts: Vec<usize>,
}

impl Repeated {
    fn push(&mut self, text: &str) {
        self.texts.push(self.words.number(text));
    }
}

impl Serialize for Repeated {
    fn serialize<S: Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        to.collect_seq(self.texts.iter().map(|&number| &self.words.words[number]))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::{Geometry, LineString, Point};
    use serde_json::{from_str, json, to_string};

    #[test]
    fn columns_hold_what_the_features_say() {
        let feature = |x: f64, properties: Value| Feature {
            id: String::new(),
            geometry: Geometry::Point(Point::new(x, -35.0)),
            properties: properties.as_object().cloned().unwrap(),
        };
        let line = Geometry::LineString(LineString::from(vec![(0.0, 0.0), (1.0, 1.0)]));
        let candidates: Candidates = [
            feature(
                148.12345678,
                json!({ "score": 0.25, "line": "A", "line_from": "t#1", "chainage_m": 12.34, "why_not": "over budget",
                    "parts": { "activity": 0.5, "wind": null } }),
            ),
            Feature { id: String::new(), geometry: line, properties: serde_json::Map::new() },
            feature(
                149.0,
                json!({ "score": 1, "line": "A", "line_from": "t#2", "site_id": "S001",
                    "parts": { "activity": { "value": 1, "raw": 7 } } }),
            ),
            feature(150.0, json!({ "why_not": "over budget" })),
        ]
        .into_iter()
        .collect();
        let told: Value = from_str(&to_string(&candidates).unwrap()).unwrap();
        let wanted = json!({
            "lon": [148.123457, 149.0, 150.0], "lat": [-35.0, -35.0, -35.0], "score": [0.25, 1.0, 0.0],
            "parts": { "activity": [0.5, 1], "wind": [null] },
            "line": [0, 0, 1], "lines": ["A", ""],
            "why": ["over budget", "chosen: S001", "over budget"],
            "from": [0, 1, 2], "froms": ["t#1", "t#2", ""], "along": [12.3, null, null],
        });
        assert_eq!(told, wanted);
    }
}
