//! `nodes`: the noded network, its nodes with their convergence, and near misses.

use std::io;
use std::time::Instant;

use geo_types::{Coord, Geometry, LineString, Point};
use jiff::civil::Date;
use rayon::prelude::*;
use serde_json::{Map, Value, json};

use super::sign::chosen_sign;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::frame::{Frame, GroundPoint, path_length_geodesic_m};
use crate::network::{
    Components, Convergence, ConvergenceSettings, KindSet, NearMissKind, Network, NetworkSettings, SignOnLine,
};
use crate::record::{Animal, LineKind};

/// A network with its convergence, for the steps that build on it.
pub struct NetworkDone {
    /// The network of all lines of the job.
    pub network: Network,
    /// Its places.
    pub convergence: Convergence,
    /// Records of sign that lie farther from every travel line than the reach; `None` where
    /// there is no sign.
    pub sign_off_lines: Option<usize>,
    seconds: f64,
}

/// Builds the network of the job's lines and scores its convergence.
///
/// # Errors
/// [`StepError::Request`] where there is no line, or no network can be made of them.
pub fn compute(desk: &Desk, outcome: &mut Outcome) -> Result<NetworkDone, StepError> {
    let started = Instant::now();
    let network = build(desk, outcome)?;
    let (sign, sign_off_lines) = sign_on_lines(desk, &network, outcome);
    let convergence = network.convergence(sign.as_deref(), &convergence_settings(desk));
    Ok(NetworkDone { network, convergence, sign_off_lines, seconds: started.elapsed().as_secs_f64() })
}

/// Builds the network of the job's lines.
///
/// # Errors
/// As [`compute`].
pub(super) fn build(desk: &Desk, outcome: &mut Outcome) -> Result<Network, StepError> {
    let request = |what: String| StepError::Request { files: desk.files_of(&["line"]), what };
    if desk.job.lines.is_empty() {
        return Err(request("no usable line; a network needs at least one".to_string()));
    }
    desk.progress.stage("building the line network", None);
    let settings = settings_of(desk);
    let network =
        Network::build(&desk.job.lines, &desk.job.gates, &settings).map_err(|e| request(e.to_string()))?;
    if !network.report().vanished.is_empty() {
        outcome.warn(format!(
            "{}: {} lines are shorter than {} m and carry nothing",
            desk.files_of(&["line"]),
            network.report().vanished.len(),
            network.report().lattice_step_m
        ));
    }
    Ok(network)
}

/// Builds the network, writes its files and says what it did.
///
/// # Errors
/// [`StepError::Setting`], [`StepError::Request`] and [`StepError::Output`].
pub fn nodes(desk: &Desk, set: &mut OutputSet) -> Result<(Outcome, NetworkDone), StepError> {
    let mut outcome = desk.outcome();
    let done = compute(desk, &mut outcome)?;
    let started = Instant::now();
    desk.progress.stage("writing the network", None);
    write_network(desk, &done.network, set)?;
    write_nodes(desk, &done, set)?;
    write_near_misses(desk, &done.network, set)?;
    summarise(desk, &done, started.elapsed().as_secs_f64(), set, &mut outcome)?;
    Ok((outcome, done))
}

pub(super) fn settings_of(desk: &Desk) -> NetworkSettings {
    let (table, default) = (&desk.plan.nodes, NetworkSettings::default());
    let snap_m = table.snap_m.map_or(default.snap_m, |v| v.get());
    NetworkSettings {
        snap_m,
        merge_m: table.merge_m.map_or(snap_m, |v| v.get()),
        reach_m: table.reach_m.map_or(default.reach_m, |v| v.get()),
        ..default
    }
}

/// Values of kinds for the animal that the run is about; those for dogs where it is about
/// several.
fn convergence_settings(desk: &Desk) -> ConvergenceSettings {
    let animals: Vec<Animal> = desk.plan.select.animals.iter().map(|word| Animal::from_word(word)).collect();
    if animals == [Animal::Fox] { ConvergenceSettings::for_foxes() } else { ConvergenceSettings::default() }
}

/// The chosen sign at its feet on travel lines, and how many records are too far from any.
/// Ages are counted from the last day asked for, or else the newest record.
fn sign_on_lines(
    desk: &Desk,
    network: &Network,
    outcome: &mut Outcome,
) -> (Option<Vec<SignOnLine>>, Option<usize>) {
    if desk.job.records.is_empty() {
        return (None, None);
    }
    let chosen = chosen_sign(desk, outcome);
    let newest = chosen.records.iter().filter_map(|r| r.what.date).max();
    let today = desk.plan.select.to.map(|d| d.0).or(newest);
    let settings = network.settings();
    let feet: Vec<Option<SignOnLine>> = chosen
        .records
        .par_iter()
        .map(|r| {
            let foot =
                network.nearest_foot(r.ground, settings.reach_m, |e| e.kinds.meets(settings.travel))?;
            Some(SignOnLine { foot, count: r.what.count, age_days: age_days(r.what.date, today) })
        })
        .collect();
    let off = feet.iter().filter(|f| f.is_none()).count();
    (Some(feet.into_iter().flatten().collect()), Some(off))
}

fn age_days(date: Option<Date>, today: Option<Date>) -> Option<f64> {
    let days = date?.until(today?).ok()?.get_days();
    Some(f64::from(days.max(0)))
}

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

fn write_nodes(desk: &Desk, done: &NetworkDone, set: &mut OutputSet) -> Result<(), StepError> {
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
                "node_kind": node.kind.word(),
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
fn sign_by_way(place: &crate::network::Place, to_true_deg: f64, known: bool) -> Vec<Value> {
    let ways = place.ways_deg.iter().zip(&place.sign_by_way);
    ways.map(|(w, s)| {
        let sign = known.then(|| round_to(*s, 4));
        json!({ "bearing_deg": true_bearing(*w, to_true_deg), "sign": sign })
    })
    .collect()
}

fn write_near_misses(desk: &Desk, network: &Network, set: &mut OutputSet) -> Result<(), StepError> {
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

fn summarise(
    desk: &Desk,
    done: &NetworkDone,
    write_seconds: f64,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let network = &done.network;
    let report = network.report();
    let length_m: f64 =
        desk.job.lines.par_iter().map(|l| path_length_geodesic_m(&l.path)).collect::<Vec<_>>().iter().sum();
    let travel = network.components(network.settings().travel);
    let misses =
        |kind, closed| network.near_misses().iter().filter(|m| m.kind == kind && m.closed == closed).count();
    let histogram: Map<String, Value> = network
        .degree_histogram()
        .into_iter()
        .enumerate()
        .filter(|&(_, count)| count > 0)
        .map(|(degree, count)| (degree.to_string(), json!(count)))
        .collect();
    let kinds: Map<String, Value> = network
        .node_kind_counts()
        .into_iter()
        .map(|(k, count)| (k.word().to_string(), json!(count)))
        .collect();
    let (closed, open) = (misses(NearMissKind::Gap, true), misses(NearMissKind::Gap, false));
    let cut = misses(NearMissKind::Overshoot, true);
    let summary = json!({
        "lines": report.lines,
        "length_km": round_to(length_m / 1000.0, 6),
        "noded_length_km": round_to(network.length_m() / 1000.0, 6),
        "edges": network.edges().len(),
        "nodes": network.nodes().len(),
        "crossings": report.crossings,
        "passes_at_other_level": report.parted.len(),
        "node_kinds": kinds,
        "degree_histogram": histogram,
        "components": network.components_in_plan(),
        "travel_components": travel.count,
        "near_misses": {
            "gaps_closed": closed,
            "gaps_not_closed": open,
            "overshoots_cut": cut,
            "cut_m": round_to(report.cut_m, 3),
        },
        "merged_passes": report.merged.len(),
        "lines_too_short": report.vanished.len(),
        "places": done.convergence.places.len(),
        "sign_off_lines": done.sign_off_lines,
        "snap_m": network.settings().snap_m,
        "merge_m": network.settings().merge_m,
        "reach_m": network.settings().reach_m,
        "grid_m": report.lattice_step_m,
        "epsg": desk.job.frame.epsg(),
        "seconds": { "read": desk.read_seconds, "network": done.seconds, "write": write_seconds },
    });
    set.write_summary("nodes.json", &summary)?;
    say(network, length_m, (closed, open, cut), &travel, outcome);
    if let Some(off) = done.sign_off_lines.filter(|&n| n > 0) {
        outcome.say(format!(
            "{off} records lie more than {} m from any travel line and count at no node",
            network.settings().reach_m
        ));
    }
    if let Some(best) = done.convergence.places.first() {
        outcome.say(format!(
            "{} places where lines converge; the best, at node {}, scores {:.2}",
            done.convergence.places.len(),
            node_id(best.centre),
            best.score
        ));
    }
    outcome.set("nodes", summary);
    Ok(())
}

fn say(
    network: &Network,
    length_m: f64,
    (closed, open, cut): (usize, usize, usize),
    travel: &Components,
    outcome: &mut Outcome,
) {
    let report = network.report();
    outcome.say(format!(
        "network of {} lines, {:.3} km: {} edges, {} nodes",
        report.lines,
        length_m / 1000.0,
        network.edges().len(),
        network.nodes().len()
    ));
    let kinds: Vec<String> =
        network.node_kind_counts().iter().map(|(kind, n)| format!("{n} {}", kind.word())).collect();
    outcome.say(format!("nodes by kind: {}", kinds.join(", ")));
    if closed + open + cut > 0 {
        outcome.say(format!(
            "line ends that almost meet a line: {closed} gaps closed, {open} left open, {cut} overshoots cut"
        ));
    }
    if !report.merged.is_empty() {
        outcome.say(format!(
            "{} lines are further GPS passes of another and were merged with it",
            report.merged.len()
        ));
    }
    if !report.parted.is_empty() {
        outcome.say(format!(
            "{} places where lines pass at different levels (bridge, tunnel, layer) without joining",
            report.parted.len()
        ));
    }
    if travel.count > 1 {
        outcome.say(format!(
            "travel lines fall into {} parts that no line joins; no distance is measured between them",
            travel.count
        ));
    }
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

fn words(kinds: KindSet) -> Vec<&'static str> {
    kinds.kinds().map(LineKind::word).collect()
}

pub(super) fn way_lonlat(frame: &Frame, path: &[GroundPoint]) -> io::Result<LineString<f64>> {
    path.iter()
        .map(|&p| frame.to_lonlat(p).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() }))
        .collect::<Result<Vec<_>, _>>()
        .map(LineString::new)
        .map_err(io::Error::other)
}

/// The members of a JSON object.
pub(super) fn members(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(members) => members,
        _ => Map::new(),
    }
}
