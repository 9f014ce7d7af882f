//! Lines, and the gates that stand among them.

use super::Builder;
use crate::files::{RawFeature, RawShape};
use crate::job::fields::Fields;
use crate::job::shapes::{points_of, ways_of};
use crate::record::{Access, Gate, Line, LineKind, OneWay};

/// What is read of a line.
pub(super) const NAMES: [&str; 8] =
    ["kind", "name", "bridge", "tunnel", "access", "closed", "locked", "oneway"];

impl Builder {
    /// A line, or a gate that stands among lines as a point.
    pub fn line(&mut self, raw: RawFeature, kind: LineKind) {
        self.note_id(&raw.source);
        self.note_names(&raw, "line", &NAMES);
        let fields = self.fields("line");
        self.access.extend(access_of(&fields, &raw));
        if self.take_gate(&raw, &fields) {
            return;
        }
        let kind = match fields.text(&raw.properties, "kind") {
            None => kind,
            Some(word) => LineKind::from_word(&word).unwrap_or_else(|| {
                self.findings
                    .warn_at(&raw.source, format!("has the unknown kind \"{word}\"; it counts as other"));
                LineKind::Other
            }),
        };
        let ways = ways_of(&raw, true, &mut self.findings);
        let line = Line {
            kind,
            name: self.word(&fields, &raw, "name"),
            bridge: fields.is_set(&raw.properties, "bridge"),
            tunnel: fields.is_set(&raw.properties, "tunnel"),
            layer: layer_of(&fields, &raw),
            source: raw.source,
        };
        self.lines.extend(ways.into_iter().map(|way| (line.clone(), way)));
    }

    fn take_gate(&mut self, raw: &RawFeature, fields: &Fields) -> bool {
        if !matches!(&raw.shape, RawShape::Shape(geo_types::Geometry::Point(_))) {
            return false;
        }
        let is_gate = ["kind", "barrier", "type"].iter().any(|property| {
            fields.text(&raw.properties, property).is_some_and(|word| {
                let word = word.to_lowercase();
                word.contains("gate") || word.replace('_', " ") == "cattle grid"
            })
        });
        if is_gate {
            let name = self.word(fields, raw, "name");
            for at in points_of(raw, &mut self.findings) {
                self.gates.push((Gate { name: name.clone(), source: raw.source.clone() }, at));
            }
        }
        is_gate
    }
}

/// What a line or gate says about passing it, if it says anything.
fn access_of(fields: &Fields, raw: &RawFeature) -> Option<Access> {
    let properties = &raw.properties;
    let word = fields.text(properties, "access").unwrap_or_default().to_lowercase();
    let closed = fields.is_set(properties, "closed") || matches!(word.as_str(), "no" | "closed");
    let locked = fields.is_set(properties, "locked") || word == "locked";
    let one_way = fields.text(properties, "oneway").and_then(|word| OneWay::from_word(&word));
    (closed || locked || one_way.is_some()).then(|| Access {
        source: raw.source.clone(),
        closed,
        locked,
        one_way,
    })
}

fn layer_of(fields: &Fields, raw: &RawFeature) -> i32 {
    let whole = |property| match fields.number(&raw.properties, property) {
        Ok(Some(value)) if value.fract() == 0.0 && value.abs() < 100.0 => Some(value as i32),
        _ => None,
    };
    whole("osm_layer").or_else(|| whole("layer")).unwrap_or(0)
}
