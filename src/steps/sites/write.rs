//! The files of `sites`.

use geo_types::{Geometry, Point};
use serde_json::{Map, Value, json};

use super::Done;
use super::parts::written;
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, GpxPoint, round_to, write_csv, write_gpx};
use crate::frame::{GroundPoint, LonLat, Placed};
use crate::record::Record;
use crate::siting::wind::SideValue;
use crate::siting::{
    Bar, Candidate, Fate, Grounds, Heard, Near, SHORT_CAUTION, STEPS_TO_ONE, SignAround, Site, reason,
};
use crate::steps::StepError;
use crate::steps::written::counted;

/// Writes every file but the summary.
pub(super) fn write(done: &Done, set: &mut OutputSet) -> Result<(), StepError> {
    let written: Vec<(String, LonLat, Map<String, Value>)> = done
        .proposal
        .sites
        .iter()
        .enumerate()
        .map(|(rank, site)| site_properties(done, rank, site))
        .collect();
    let provenance = done.desk.provenance();
    // Candidates and sites name stations: what is to be done there goes with them.
    let stations = done.verdicts.to_json(&done.desk.job.stations);
    let opening = [("cautions", json!(done.cautions)), ("stations", json!(stations))];
    let opening = if stations.is_empty() { &opening[..1] } else { &opening[..] };
    set.write("sites.geojson", |out| {
        let mut features = GeoJsonWriter::begin_with(out, &provenance, opening)?;
        for (id, at, properties) in &written {
            features.feature(id, Some(&point(*at)), properties)?;
        }
        features.finish().map(drop)
    })?;
    set.write("candidates.geojson", |out| {
        let mut features = GeoJsonWriter::begin_with(out, &provenance, opening)?;
        for (i, candidate) in done.candidates.iter().enumerate() {
            let properties = candidate_properties(done, i, candidate);
            features.feature(&format!("C{:05}", i + 1), Some(&point(candidate.place)), &properties)?;
        }
        features.finish().map(drop)
    })?;
    set.write("sites.csv", |out| write_csv(out, &COLUMNS, written.iter().map(|(_, at, p)| csv_row(*at, p))))?;
    let waypoints: Vec<GpxPoint> = written.iter().map(|(id, at, p)| waypoint(id, *at, p)).collect();
    set.write("sites.gpx", |out| write_gpx(out, &done.cautions, &waypoints, &[]))?;
    Ok(())
}

fn point(at: LonLat) -> Geometry<f64> {
    Point::new(at.lon_deg(), at.lat_deg()).into()
}

fn score(done: &Done, candidate: usize) -> f64 {
    round_to(done.proposal.scores[candidate] as f64 / STEPS_TO_ONE, 6)
}

fn site_properties(done: &Done, rank: usize, site: &Site) -> (String, LonLat, Map<String, Value>) {
    let candidate = &done.candidates[site.candidate];
    let place = candidate.sides[site.side as usize].place;
    let id = done.ids[rank].clone();
    let mut p = Map::new();
    let mut put = |name: &str, value: Value| p.insert(name.to_string(), value);
    put("site_id", json!(id));
    put("state", json!("proposed"));
    put("rank", json!(rank + 1));
    put("score", json!(round_to(site.gain as f64 / STEPS_TO_ONE, 6)));
    put("parts", parts(done, site.candidate));
    put("reason", json!(reason_of(done, site)));
    stand(done, candidate, &mut put);
    put("side", json!(site.side.word()));
    put("offset_m", json!(done.settings.offset_m));
    put("bearing_deg", json!(round_to(candidate.bearing_deg, 2)));
    if let Some(target) = done.target_of(site.candidate) {
        put("target", json!(target.animal.word()));
        put("spacing_m", json!(target.spacing_m));
    }
    put("nearest_site_m", json!(site.nearest_site_m.map(|d| round_to(d, 2))));
    put("nearest_straight_m", json!(done.nearness.nearest_m[rank].map(|d| round_to(d, 2))));
    put("cluster_id", json!(site.cluster.map(|node| format!("n{}", node + 1))));
    if let Some(near) = site.keep_out {
        put("keep_out", keep_out(done, &near));
    }
    if let Some(value) = wind_at(done, site) {
        put("wind_day", json!(round_to(value.day, 4)));
        put("wind_night", json!(round_to(value.night, 4)));
    }
    if let Some(stability) = &site.stability {
        put("rank_stability", json!(round_to(stability.share, 4)));
        put("mean_rank", json!(round_to(stability.mean_rank, 2)));
    }
    put("cautions", json!(site_cautions(done, rank, site)));
    put("caution", json!(SHORT_CAUTION));
    (id, place, p)
}

/// The line that a foot stands on, and where on it.
fn stand(done: &Done, candidate: &Candidate, put: &mut impl FnMut(&str, Value) -> Option<Value>) {
    let line = &done.desk.job.lines[candidate.line as usize].what;
    let file = line.source.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let from = format!("{file}#{}", line.source.index + 1);
    put("line", json!(line.name.as_ref().map_or(from.clone(), ToString::to_string)));
    put("line_from", json!(from));
    put("kind", json!(candidate.kind.word()));
    put("chainage_m", json!(round_to(candidate.chainage_m, 2)));
}

fn parts(done: &Done, i: usize) -> Value {
    let part = |p: &crate::siting::Part| {
        let mut value = json!({
            "raw": written(p.raw[i]),
            "value": round_to(p.value[i], 6),
            "weight": p.weight,
            "unit": p.unit,
            "from": p.from,
        });
        if let Some(by) = p.by.get(i) {
            value["by"] = json!(by);
        }
        (p.name.clone(), value)
    };
    Value::Object(done.parts.iter().map(part).collect())
}

fn reason_of(done: &Done, site: &Site) -> String {
    let candidate = &done.candidates[site.candidate];
    reason(&Grounds {
        candidate,
        index: site.candidate,
        parts: &done.parts,
        network: done.network,
        meeting: done.meetings[site.candidate],
        heard: &heard_at(done, candidate.foot.at),
        wind: wind_at(done, site),
    })
}

/// The sign around a foot behind each part that counts sign.
fn heard_at(done: &Done, foot: GroundPoint) -> Vec<Heard> {
    let heard = |(part, sign, reach_m): &(String, SignAround, f64)| Heard {
        part: part.clone(),
        sign: sign.near(foot, *reach_m),
        reach_m: *reach_m,
        old_before: done.old_before,
    };
    done.heard.iter().map(heard).collect()
}

fn keep_out(done: &Done, near: &Near) -> Value {
    let feature = &done.desk.job.keep_outs[near.keep_out];
    let file = feature.source.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let from = format!("{file}#{}", feature.source.index + 1);
    json!({
        "name": feature.name.as_ref().map_or(from.clone(), ToString::to_string),
        "reason": feature.reason.as_ref().map(ToString::to_string),
        "from": from,
        "distance_m": round_to(near.distance_m, 2),
        "limit_m": near.limit_m,
        "limit_with_error_m": near.limit_m + done.settings.placement_error_m,
    })
}

fn wind_at(done: &Done, site: &Site) -> Option<SideValue> {
    done.side_values.as_ref().map(|values| values[site.candidate][site.side as usize])
}

fn site_cautions(done: &Done, rank: usize, site: &Site) -> Vec<String> {
    let mut said = done.nearness.cautions[rank].clone();
    if let Some(why) = &site.same_side_because {
        said.push(format!("same side as the site before it: {why}"));
    }
    if site.cluster.is_some() {
        said.push("one of several together at a hot node: some guides forbid that".to_string());
    }
    let reach_m = done.settings.reach_m;
    let foot = done.candidates[site.candidate].foot.at;
    let latest = done.sign.within(foot, reach_m).filter_map(|r| r.what.date).max();
    if let (Some(old), Some(until)) = (done.old_before, latest)
        && until < old
    {
        said.push(format!("the sign within {reach_m:.0} m is old: none after {until}"));
    }
    for animal in super::settings::non_target_of(done.desk.plan) {
        let of = |r: &&Placed<Record>| r.what.animal.as_ref() == Some(&animal);
        let near = || done.non_target.within(foot, reach_m).filter(of);
        let count: f64 = near().map(|r| r.what.count).sum();
        if count > 0.0 {
            let latest = near().filter_map(|r| r.what.date).max();
            let latest = latest.map_or(String::new(), |day| format!(", the latest on {day}"));
            let records = counted(count as usize, "record");
            said.push(format!("{records} of {animal} (non-target) within {reach_m:.0} m{latest}"));
        }
    }
    said
}

fn candidate_properties(done: &Done, i: usize, candidate: &Candidate) -> Map<String, Value> {
    let fate = &done.proposal.fates[i];
    let mut p = Map::new();
    let mut put = |name: &str, value: Value| p.insert(name.to_string(), value);
    put("score", json!(score(done, i)));
    let parts: Map<String, Value> =
        done.parts.iter().map(|part| (part.name.clone(), json!(round_to(part.value[i], 6)))).collect();
    put("parts", Value::Object(parts));
    stand(done, candidate, &mut put);
    put("bearing_deg", json!(round_to(candidate.bearing_deg, 2)));
    put("chosen", json!(matches!(fate, Fate::Chosen(_))));
    match fate {
        Fate::Chosen(rank) => put("site_id", json!(done.ids[*rank])),
        other => put("why_not", json!(why_not(done, other))),
    };
    p
}

fn why_not(done: &Done, fate: &Fate) -> String {
    match fate {
        Fate::WithinSpacing(site) => format!("within the spacing of site {}", done.ids[*site]),
        Fate::NearStation(s) => {
            format!("within the spacing of station {}", done.stations[*s].what.station_id)
        }
        Fate::Barred([left, right]) => match (left, right) {
            (Some(Bar::KeepOut(near)), _) | (_, Some(Bar::KeepOut(near))) => {
                let feature = &done.desk.job.keep_outs[near.keep_out];
                let name = feature.name.as_ref().or(feature.reason.as_ref());
                let name = name.map_or_else(|| feature.source.to_string(), ToString::to_string);
                format!("keep-out {name} at {:.1} m, limit {} m", near.distance_m, near.limit_m)
            }
            (Some(Bar::Never(near)), _) | (_, Some(Bar::Never(near))) => {
                let name = done.desk.job.never[near.keep_out].name.as_deref().unwrap_or_default();
                format!("barred by the plan: {name}")
            }
            _ => fate.reason().to_string(),
        },
        other => other.reason().to_string(),
    }
}

const COLUMNS: [&str; 19] = [
    "site_id",
    "rank",
    "lon",
    "lat",
    "score",
    "line",
    "kind",
    "chainage_m",
    "side",
    "offset_m",
    "bearing_deg",
    "nearest_site_m",
    "cluster_id",
    "wind_day",
    "wind_night",
    "rank_stability",
    "reason",
    "cautions",
    "caution",
];

fn csv_row(at: LonLat, properties: &Map<String, Value>) -> Vec<String> {
    let cell = |column: &&str| match *column {
        "lon" => format!("{:.7}", at.lon_deg()),
        "lat" => format!("{:.7}", at.lat_deg()),
        name => match properties.get(name) {
            None | Some(Value::Null) => String::new(),
            Some(Value::String(text)) => text.clone(),
            Some(Value::Array(texts)) => {
                texts.iter().filter_map(Value::as_str).collect::<Vec<_>>().join("; ")
            }
            Some(other) => other.to_string(),
        },
    };
    COLUMNS.iter().map(cell).collect()
}

fn waypoint(id: &str, at: LonLat, properties: &Map<String, Value>) -> GpxPoint {
    let text = |name: &str| properties.get(name).and_then(Value::as_str).unwrap_or_default();
    let offset = properties.get("offset_m").and_then(Value::as_f64).unwrap_or_default();
    let description =
        format!("{offset} m {} of {}. {}. {SHORT_CAUTION}", text("side"), text("line"), text("reason"));
    GpxPoint { at, name: id.to_string(), description }
}
