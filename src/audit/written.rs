//! The layers of a set as they were written.

use std::collections::BTreeMap;

use geo_types::{Geometry, LineString};
use serde_json::Value;

use super::breach::{Breach, Promise};
use crate::files::{Properties, RawFeature, RawShape};
use crate::frame::LonLat;
use crate::record::{Animal, LineKind};

/// A file that holds sites.
pub const SITES: &str = "sites.geojson";
/// A file that holds the edges of the network.
pub const NETWORK: &str = "network.geojson";
/// A file that holds gaps.
pub const NEAR_MISSES: &str = "near-misses.geojson";

/// The layers of a set, filled feature by feature.
#[derive(Default)]
pub struct Written {
    pub(super) sites: Vec<WrittenSite>,
    pub(super) edges: Vec<WrittenEdge>,
    pub(super) gaps: Vec<WrittenGap>,
    /// What is said of each station.
    pub(super) stations: BTreeMap<String, Said>,
    /// What could not be read as a thing of its kind.
    pub(super) faults: Vec<Breach>,
}

/// What the files of a set say of a station.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Said {
    /// That it is fit to be served where it stands.
    Fit,
    /// That something else is to be done with it.
    Unfit,
    /// That it stands no longer, by the check log.
    Gone,
}

/// A proposed site as written.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct WrittenSite {
    /// Its number in the file, from 1.
    pub feature: usize,
    pub id: String,
    pub at: LonLat,
    /// Whether it is on the left of its line.
    pub left: Option<bool>,
    pub offset_m: Option<f64>,
    pub bearing_deg: Option<f64>,
    /// The input line: file and number of the feature in it, from 1.
    pub line_from: Option<(String, usize)>,
    pub target: Option<Animal>,
    pub cluster: Option<String>,
    /// What it says of the nearest other site or station by travel; `None` for no way.
    pub nearest_site_m: Option<f64>,
    /// Distance and limit of the keep-out that it names as the nearest, in metres.
    pub keep_out: Option<(f64, f64)>,
}

/// An edge of the network as written.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct WrittenEdge {
    /// Its number in the file, from 1.
    pub feature: usize,
    pub id: String,
    pub from: String,
    pub to: String,
    pub kinds: Vec<LineKind>,
    pub path: Vec<LonLat>,
    pub length_m: Option<f64>,
}

/// A gap between a line end and another line that is called closed.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct WrittenGap {
    /// Its number in the file, from 1.
    pub feature: usize,
    pub id: String,
    pub end: LonLat,
    pub foot: LonLat,
    pub gap_m: f64,
    /// The input line that ended: file and number of the feature in it, from 1.
    pub line: Option<(String, usize)>,
    /// The input line that it was joined to.
    pub other: Option<(String, usize)>,
}

impl Written {
    /// Takes a feature of `sites.geojson`.
    pub fn site(&mut self, raw: &RawFeature) {
        let feature = raw.source.index + 1;
        let p = &raw.properties;
        let own = text(p, "site_id").or_else(|| text(p, "station_id"));
        let id = own.or_else(|| raw.source.id.as_ref().map(ToString::to_string));
        let at = match &raw.shape {
            RawShape::Shape(Geometry::Point(point)) => LonLat::new(point.x(), point.y()).ok(),
            _ => None,
        };
        let fault = |about: &str, expected: &str, found: String| Breach {
            file: SITES.into(),
            feature: Some(feature),
            id: id.clone(),
            promise: Promise::Number,
            about: about.into(),
            expected: expected.into(),
            found,
        };
        let Some(at) = at else {
            self.faults.push(fault("its place", "a point in longitude and latitude", "none".into()));
            return;
        };
        let mut faults = Vec::new();
        let mut number = |name: &str, needed: bool| {
            let value = p.get(name).filter(|v| !v.is_null());
            let found = value.and_then(Value::as_f64);
            if found.is_none() && (needed || value.is_some()) {
                let what = value.map_or("nothing".to_string(), ToString::to_string);
                faults.push(fault(&format!("property \"{name}\""), "a number", what));
            }
            found
        };
        let (offset_m, bearing_deg) = (number("offset_m", true), number("bearing_deg", true));
        let nearest_site_m = number("nearest_site_m", false);
        let left = is_left(p);
        if left.is_none() {
            let found = text(p, "side").unwrap_or("nothing".into());
            faults.push(fault("property \"side\"", "left or right", found));
        }
        if id.is_none() {
            faults.push(fault("property \"site_id\"", "an id of its own", "nothing".into()));
        }
        self.sites.push(WrittenSite {
            feature,
            id: id.clone().unwrap_or_else(|| format!("feature {feature}")),
            at,
            left,
            offset_m,
            bearing_deg,
            line_from: text(p, "line_from").and_then(|t| line_from(&t)),
            target: text(p, "target").map(|t| Animal::from_word(&t)),
            cluster: text(p, "cluster_id"),
            nearest_site_m,
            keep_out: keep_out(p),
        });
        self.faults.append(&mut faults);
    }

    /// Takes a feature of `network.geojson`.
    pub fn edge(&mut self, raw: &RawFeature) {
        let feature = raw.source.index + 1;
        let p = &raw.properties;
        let id = text(p, "edge_id").unwrap_or_default();
        let words = p.get("kinds").and_then(Value::as_array).into_iter().flatten();
        let kinds: Vec<LineKind> = words.filter_map(|w| LineKind::from_word(w.as_str()?)).collect();
        let path = line(&raw.shape);
        match (text(p, "from_node"), text(p, "to_node"), path) {
            (Some(from), Some(to), Some(path)) if !kinds.is_empty() => {
                let length_m = p.get("length_m").and_then(Value::as_f64);
                self.edges.push(WrittenEdge { feature, id, from, to, kinds, path, length_m });
            }
            _ => self.faults.push(Breach {
                file: NETWORK.into(),
                feature: Some(feature),
                id: Some(id),
                promise: Promise::Gap,
                about: "the edge".into(),
                expected: "a line with from_node, to_node and kinds".into(),
                found: "something else".into(),
            }),
        }
    }

    /// Takes a feature of `near-misses.geojson`; only gaps that are called closed matter.
    pub fn near_miss(&mut self, raw: &RawFeature) {
        let feature = raw.source.index + 1;
        let p = &raw.properties;
        let is_gap = text(p, "near_miss").is_none_or(|kind| kind == "gap");
        if !is_gap || p.get("closed").and_then(Value::as_bool) != Some(true) {
            return;
        }
        let id = raw.source.id.as_ref().map(ToString::to_string).unwrap_or_default();
        let ends = line(&raw.shape);
        let gap_m = p.get("gap_m").and_then(Value::as_f64);
        match (ends.as_deref(), gap_m) {
            (Some([end, .., foot]), Some(gap_m)) => {
                let source = |name: &str| text(p, name).and_then(|t| source(&t));
                let (line, other) = (source("source"), source("other_source"));
                self.gaps.push(WrittenGap { feature, id, end: *end, foot: *foot, gap_m, line, other });
            }
            _ => self.faults.push(Breach {
                file: NEAR_MISSES.into(),
                feature: Some(feature),
                id: Some(id),
                promise: Promise::Gap,
                about: "the gap".into(),
                expected: "a line from end to foot with gap_m".into(),
                found: "something else".into(),
            }),
        }
    }

    /// Takes what is said of a station. One of which nothing is said is held to be fit.
    pub fn station(&mut self, id: &str, said: Said) {
        self.stations.insert(id.to_string(), said);
    }

    /// How many sites there are.
    pub fn sites(&self) -> usize {
        self.sites.len()
    }
}

fn text(properties: &Properties, name: &str) -> Option<String> {
    match properties.get(name)? {
        Value::String(text) if !text.trim().is_empty() => Some(text.clone()),
        Value::Number(number) => Some(number.to_string()),
        _ => None,
    }
}

fn is_left(properties: &Properties) -> Option<bool> {
    match text(properties, "side")?.as_str() {
        "left" => Some(true),
        "right" => Some(false),
        _ => None,
    }
}

/// Distance and limit of the keep-out that a site names.
fn keep_out(properties: &Properties) -> Option<(f64, f64)> {
    let said = properties.get("keep_out")?;
    Some((said.get("distance_m")?.as_f64()?, said.get("limit_m")?.as_f64()?))
}

/// `tracks.geojson#3` as file and number.
fn line_from(text: &str) -> Option<(String, usize)> {
    let (file, number) = text.rsplit_once('#')?;
    Some((file.to_string(), number.parse().ok()?))
}

/// `lines/tracks.geojson: feature 3 (id t3)` as file and number.
fn source(text: &str) -> Option<(String, usize)> {
    let (file, rest) = text.split_once(": feature ")?;
    let number: String = rest.chars().take_while(char::is_ascii_digit).collect();
    let file = file.rsplit(['/', '\\']).next()?;
    Some((file.to_string(), number.parse().ok()?))
}

fn line(shape: &RawShape) -> Option<Vec<LonLat>> {
    let RawShape::Shape(Geometry::LineString(LineString(path))) = shape else { return None };
    let path: Vec<LonLat> = path.iter().map(|c| LonLat::new(c.x, c.y).ok()).collect::<Option<_>>()?;
    (path.len() > 1).then_some(path)
}
