//! Holds the plan's `[fields]` against what is read of each layer and against the columns that its
//! files have: a name that maps nothing would leave a distance or a count unread without a word.

use std::collections::{BTreeMap, BTreeSet};

use super::{Builder, effort, line, sign, station};
use crate::files::RawFeature;

/// What is read of a row of a check log.
pub const CHECK_NAMES: [&str; 15] = [
    "station_id",
    "site_id",
    "date",
    "by",
    "found",
    "reason",
    "animal",
    "head_replaced",
    "capsules_out",
    "capsules_back",
    "serviced",
    "lifted",
    "batch",
    "closed",
    "note",
];

/// How near a name must be to a known one to be taken for a slip: Jaro–Winkler similarity.
const SIMILAR: f64 = 0.7;

/// How many columns of a layer are named.
const COLUMNS_NAMED: usize = 30;

/// What is read of a layer, by its name in `[fields]`.
fn known_layers() -> BTreeMap<&'static str, Vec<&'static str>> {
    let with = |names: &[&'static str], more: &[&'static str]| [names, more].concat();
    BTreeMap::from([
        ("sign", with(&sign::NAMES, &["time"])),
        ("survey", with(&effort::NAMES, &["time"])),
        ("line", with(&line::NAMES, &["barrier", "type", "layer", "osm_layer"])),
        ("keep_out", vec!["distance_m", "reason", "name"]),
        ("station", with(&station::NAMES, &[])),
        ("check", with(&CHECK_NAMES, &["time"])),
        ("must", vec!["name", "site_id", "station_id"]),
        ("never", vec!["within_m", "name", "reason"]),
        ("wind", vec!["time", "from_deg", "speed_m_s", "day", "night"]),
    ])
}

/// The columns of a layer, for as long as one that the plan maps was not seen.
#[derive(Default)]
pub(super) struct Columns {
    /// Mapped columns that no feature has had.
    missing: BTreeSet<String>,
    there: BTreeSet<String>,
}

impl Builder {
    /// Notes which columns a feature of a layer has, for the plan's `[fields]`.
    pub fn note_columns(&mut self, role: &str, raw: &RawFeature) {
        let Some(mapped) = self.fields.get(role) else { return };
        if !self.mapped.contains_key(role) {
            let missing = mapped.values().cloned().collect();
            self.mapped.insert(role.to_string(), Columns { missing, ..Columns::default() });
        }
        let Some(columns) = self.mapped.get_mut(role).filter(|columns| !columns.missing.is_empty()) else {
            return;
        };
        for (name, _) in raw.properties.iter() {
            columns.missing.remove(name);
            if !columns.there.contains(name) {
                columns.there.insert(name.to_string());
            }
        }
    }

    /// Finds the layers and properties of `[fields]` that are not known, and the mapped columns
    /// that no feature of their layer has. A layer that the plan does not read has no columns.
    pub fn hold_fields(&mut self) {
        let known = known_layers();
        for (layer, properties) in &self.fields {
            let place = format!("plan: [fields.{layer}]");
            let Some(names) = known.get(layer.as_str()) else {
                let hint = nearest(layer, known.keys().copied());
                self.findings
                    .fault(place, format!("there is no layer \"{layer}\" whose columns are read; {hint}"));
                continue;
            };
            for (property, column) in properties {
                if !names.contains(&property.as_str()) {
                    let hint = nearest(property, names.iter().copied());
                    self.findings.fault(&place, format!("\"{property}\" is not read of this layer; {hint}"));
                } else if let Some(columns) = self.mapped.get(layer).filter(|c| c.missing.contains(column)) {
                    let there = columns.named();
                    self.findings.fault(
                        &place,
                        format!(
                            "{property} = \"{column}\": no feature of the layer has this column; {there}"
                        ),
                    );
                }
            }
        }
    }
}

impl Columns {
    fn named(&self) -> String {
        let named: Vec<&str> = self.there.iter().take(COLUMNS_NAMED).map(String::as_str).collect();
        match self.there.len().saturating_sub(COLUMNS_NAMED) {
            0 if named.is_empty() => "it has none".to_string(),
            0 => format!("it has {}", named.join(", ")),
            more => format!("it has {} and {more} more", named.join(", ")),
        }
    }
}

fn nearest<'k>(name: &str, known: impl Iterator<Item = &'k str> + Clone) -> String {
    let near = known
        .clone()
        .map(|k| (strsim::jaro_winkler(&name.to_lowercase(), k), k))
        .filter(|(similarity, _)| *similarity >= SIMILAR)
        .max_by(|a, b| a.0.total_cmp(&b.0).then(b.1.cmp(a.1)));
    match near {
        Some((_, key)) => format!("did you mean \"{key}\"?"),
        None => format!("known are {}", known.collect::<Vec<_>>().join(", ")),
    }
}
