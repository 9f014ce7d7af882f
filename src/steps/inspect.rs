//! `inspect`: what the inputs hold, without computing anything.

use std::collections::BTreeMap;

use serde_json::{Value, json};

use super::written::counted;
use super::{Desk, Outcome};
use crate::files::write::round_to;
use crate::frame::{LonLat, path_length_geodesic_m};
use crate::job::Whereabouts;

/// Counts, extents, dates, kinds and problems of every input.
pub fn inspect(desk: &Desk) -> Outcome {
    let mut outcome = desk.outcome();
    let job = &desk.job;
    outcome.say(format!("frame: EPSG:{}", job.frame.epsg()));
    outcome.set("epsg", job.frame.epsg());
    let files: Vec<Value> =
        job.inputs.iter().map(|i| json!({ "role": i.role, "file": i.file, "sha256": i.sha256 })).collect();
    outcome.set("inputs", files);
    sign(desk, &mut outcome);
    lines(desk, &mut outcome);
    rest(desk, &mut outcome);
    places(&desk.job.whereabouts, &mut outcome);
    outcome
}

/// Where every layer lies against the others, and what a step would refuse.
fn places(found: &Whereabouts, outcome: &mut Outcome) {
    if found.layers.is_empty() {
        return;
    }
    outcome.say("where the layers lie (degrees west, south, east, north; km from the rest):");
    let width = found.layers.iter().map(|l| l.file.chars().count()).max().unwrap_or(0);
    for layer in &found.layers {
        let [west, south, east, north] = layer.extent_deg.map(|deg| format!("{deg:.4}"));
        let odd = match (layer.apart, &layer.likely) {
            (0, _) => String::new(),
            (n, None) => format!("; {n} far from the rest"),
            (n, Some(words)) => format!("; {n} far from the rest, would fit {words}"),
        };
        outcome.say(format!(
            "  {:<9} {:<width$} {:>6}  {west} {south} {east} {north}  {:.1} km across, {:.1} to {:.1} km off{odd}",
            layer.role.replace('_', "-"),
            layer.file,
            layer.features,
            layer.across_m / 1000.0,
            layer.nearest_m / 1000.0,
            layer.farthest_m / 1000.0,
        ));
    }
    if found.set_aside > 0 {
        outcome.say(format!("{} far from everything else, not used", counted(found.set_aside, "record")));
    }
    for refusal in &found.refusals {
        outcome.warn(format!("{refusal} (a run would stop here)"));
    }
    let layers: Vec<Value> = found.layers.iter().map(|l| json!({
        "role": l.role, "file": l.file, "features": l.features, "extent": l.extent_deg.map(|deg| round_to(deg, 7)),
        "across_m": round_to(l.across_m, 1), "nearest_m": round_to(l.nearest_m, 1),
        "farthest_m": round_to(l.farthest_m, 1), "apart": l.apart, "likely": l.likely,
    })).collect();
    outcome
        .set("places", json!({ "layers": layers, "set_aside": found.set_aside, "refused": found.refusals }));
}

fn sign(desk: &Desk, outcome: &mut Outcome) {
    let records = &desk.job.records;
    let mut by_sign = BTreeMap::new();
    let mut by_animal = BTreeMap::new();
    for record in records {
        *by_sign.entry(record.what.sign.word()).or_insert(0_usize) += 1;
        let animal = record.what.animal.as_ref().map_or("not said", |a| a.word());
        *by_animal.entry(animal).or_insert(0_usize) += 1;
    }
    let total: f64 = records.iter().map(|r| r.what.count).sum();
    let days = records.iter().filter_map(|r| r.what.date);
    let (first, last) = (days.clone().min(), days.clone().max());
    let undated = records.len() - days.count();
    outcome.say(format!("sign: {}, {total} pieces; {}", counted(records.len(), "record"), listed(&by_sign)));
    if !by_animal.is_empty() {
        outcome.say(format!("animals: {}", listed(&by_animal)));
    }
    if let (Some(first), Some(last)) = (first, last) {
        outcome.say(format!("days: {first} to {last}; {} undated", counted(undated, "record")));
    }
    outcome.set(
        "sign",
        json!({
            "records": records.len(), "pieces": total, "kinds": by_sign, "animals": by_animal,
            "first_day": first.map(|d| d.to_string()), "last_day": last.map(|d| d.to_string()),
            "undated": undated, "extent": extent(records.iter().map(|r| r.at)),
        }),
    );
}

fn lines(desk: &Desk, outcome: &mut Outcome) {
    let lines = &desk.job.lines;
    let mut by_kind: BTreeMap<&str, (usize, f64)> = BTreeMap::new();
    for line in lines {
        let entry = by_kind.entry(line.what.kind.word()).or_default();
        entry.0 += 1;
        entry.1 += path_length_geodesic_m(&line.path) / 1000.0;
    }
    for (kind, (count, km)) in &by_kind {
        outcome.say(format!("{kind}: {count} lines, {km:.3} km"));
    }
    let kinds: BTreeMap<&str, Value> = by_kind
        .iter()
        .map(|(kind, (count, km))| (*kind, json!({ "lines": count, "length_km": round_to(*km, 6) })))
        .collect();
    outcome.set(
        "lines",
        json!({
            "lines": lines.len(), "kinds": kinds, "gates": desk.job.gates.len(),
            "extent": extent(lines.iter().flat_map(|l| l.path.iter().copied())),
        }),
    );
}

fn rest(desk: &Desk, outcome: &mut Outcome) {
    let job = &desk.job;
    let legs_km: f64 = job.legs.iter().map(|l| path_length_geodesic_m(&l.path) / 1000.0).sum();
    let area_ha = job.area.as_ref().map(|a| crate::frame::polygons_area_m2(&a.lonlat.polygons) / 10_000.0);
    if !job.legs.is_empty() {
        outcome.say(format!("survey: {} legs, {legs_km:.3} km", job.legs.len()));
    }
    if !job.deployments.is_empty() {
        let nights: f64 = job.deployments.iter().map(|d| d.what.nights).sum();
        outcome.say(format!("cameras: {} deployments, {nights} nights", job.deployments.len()));
        outcome.set("cameras", json!({ "deployments": job.deployments.len(), "nights": nights }));
    }
    outcome.say(format!("keep-outs: {}; stations: {}", job.keep_outs.len(), job.stations.len()));
    outcome.say(match area_ha {
        Some(ha) => format!("area: {ha:.1} ha"),
        None => "area: none given".to_string(),
    });
    outcome.set("survey", json!({ "legs": job.legs.len(), "length_km": round_to(legs_km, 6) }));
    outcome.set("keep_outs", job.keep_outs.len());
    outcome.set("stations", job.stations.len());
    outcome.set("area_ha", area_ha.map(|ha| round_to(ha, 3)));
}

fn listed(counts: &BTreeMap<&str, usize>) -> String {
    counts.iter().map(|(word, n)| format!("{n} {word}")).collect::<Vec<_>>().join(", ")
}

/// West, south, east, north in degrees.
fn extent(places: impl Iterator<Item = LonLat>) -> Option<[f64; 4]> {
    places.fold(None, |seen, at| {
        let (lon, lat) = (at.lon_deg(), at.lat_deg());
        let [w, s, e, n] = seen.unwrap_or([lon, lat, lon, lat]);
        Some([w.min(lon), s.min(lat), e.max(lon), n.max(lat)])
    })
}
