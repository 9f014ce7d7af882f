//! The files of the network: its edges, its nodes, its near misses.

use std::io;

use geo_types::{Geometry, Point};
use serde_json::{Value, json};

use super::super::{Desk, StepError};
use super::NetworkDone;
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::network::{KindSet, Network, Place};
use crate::record::LineKind;
use crate::steps::written::{members, way_lonlat};

/// Writes `network.geojson`.
///
/// # Errors
/// [`StepError::Output`].
pub fn write_network(desk: &Desk, network: &Network, set: &mut OutputSet) -> Result<(), StepError> {
    let provenance = desk.provenance();
    Ok(set.write("network.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (k, edge) in network.edges().iter().enumerate() {
            let stretches = network.stretches(k as u32);
            let names =
                stretches.iter().filter_map(|s| desk.job.lines.get(s.line as usize)?.what.name.as_deref());
            let mut distinct: Vec<&str> = Vec::new();
            for name in names {
                if !distinct.contains(&name) {
                    distinct.push(name);
                }
            }
            let properties = members(json!({
                "edge_id": edge_id(k as u32),
                "kind": edge.kind.word(),
                "kinds": words(edge.kinds),
                "name": distinct.first(),
                "names": distinct,
                "from_node": node_id(edge.from),
                "to_node": node_id(edge.to),
                "length_m": round_to(edge.length_m, 2),
                "connector": stretches.is_empty(),
            }));
            let path = way_lonlat(&desk.job.frame, network.path(k as u32))?;
            writer.feature(&edge_id(k as u32), Some(&Geometry::LineString(path)), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

pub(super) fn write_nodes(desk: &Desk, done: &NetworkDone, set: &mut OutputSet) -> Result<(), StepError> {
    let provenance = desk.provenance();
    let frame = &desk.job.frame;
    Ok(set.write("nodes.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (k, node) in done.network.nodes().iter().enumerate() {
            let k = k as u32;
            let place = done.convergence.place(k);
            let to_true_deg = frame.convergence_deg(node.at).map_err(io::Error::other)?;
            let ways_deg = done.network.ways_deg(k);
            let bearings: Vec<f64> = ways_deg.iter().map(|w| true_bearing(*w, to_true_deg)).collect();
            let properties = members(json!({
                "node_id": node_id(k),
                "node_kind": done.network.node_kind(k).word(),
                "degree": node.degree,
                "ways": ways_deg.len(),
                "kinds": words(node.kinds),
                "bearings_deg": bearings,
                "gate": node.gate,
                "convergence": place.map_or(0.0, |p| round_to(p.score, 4)),
                "convergence_parts": place.map(|p| json!({
                    "ways": round_to(p.parts.ways, 4),
                    "variety": round_to(p.parts.variety, 4),
                    "sign": p.parts.sign.map(|s| round_to(s, 4)),
                })),
                "place": place.map(|p| node_id(p.centre)),
                "place_ways": place.map(|p| p.ways_deg.len()),
                "place_kinds": place.map(|p| words(p.kinds)),
                "place_sign_by_way": place.map(|p| sign_by_way(p, to_true_deg, done.sign_off_lines.is_some())),
            }));
            let at = frame.to_lonlat(node.at).map_err(io::Error::other)?;
            let at = Geometry::Point(Point::new(at.lon_deg(), at.lat_deg()));
            writer.feature(&node_id(k), Some(&at), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

/// Bearing and sign of each way of a place; `null` sign where none was given.
fn sign_by_way(place: &Place, to_true_deg: f64, known: bool) -> Vec<Value> {
    let ways = place.ways_deg.iter().zip(&place.sign_by_way);
    ways.map(|(w, s)| {
        let sign = known.then(|| round_to(*s, 4));
        json!({ "bearing_deg": true_bearing(*w, to_true_deg), "sign": sign })
    })
    .collect()
}

pub(super) fn write_near_misses(
    desk: &Desk,
    network: &Network,
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let provenance = desk.provenance();
    let source = |line: u32| desk.job.lines.get(line as usize).map(|l| l.what.source.to_string());
    let name = |line: u32| desk.job.lines.get(line as usize).and_then(|l| l.what.name.as_deref());
    Ok(set.write("near-misses.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (k, miss) in network.near_misses().iter().enumerate() {
            let properties = members(json!({
                "near_miss": miss.kind.word(),
                "gap_m": round_to(miss.gap_m, 3),
                "closed": miss.closed,
                "line": name(miss.line),
                "other_line": name(miss.other),
                "source": source(miss.line),
                "other_source": source(miss.other),
            }));
            let ends = way_lonlat(&desk.job.frame, &[miss.at, miss.foot])?;
            writer.feature(&format!("m{}", k + 1), Some(&Geometry::LineString(ends)), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

fn true_bearing(grid_deg: f64, to_true_deg: f64) -> f64 {
    let bearing = round_to((grid_deg + to_true_deg).rem_euclid(360.0), 1);
    if bearing >= 360.0 { 0.0 } else { bearing }
}

/// The id of a node in files.
pub fn node_id(node: u32) -> String {
    format!("n{}", node + 1)
}

/// The id of an edge in files.
pub fn edge_id(edge: u32) -> String {
    format!("e{}", edge + 1)
}

pub(super) fn words(kinds: KindSet) -> Vec<&'static str> {
    kinds.kinds().map(LineKind::word).collect()
}
