//! The promises of a run, each held against the written files.

use std::collections::{BTreeMap, BTreeSet};
use std::fs;
use std::path::Path;

use serde_json::Value;
use stakeline::frame::{Frame, GroundPoint, LonLat};

use crate::property::Property;
use crate::support::manifest::assert_whole;
use crate::support::number;
use crate::support::promises::{
    Foot, Outputs, ROUNDING_M, Roads, check_keep_outs, check_parts, check_rfc_7946, check_side, inside,
    nearest_m, place, positions,
};

/// Lengths along noded lines against ours: both are sums over coordinates rounded to a centimetre.
const TRAVEL_M: f64 = 0.1;

/// Everything that was promised.
pub fn check(property: &Property, out: &Path) {
    let outputs = Outputs { folder: out.to_path_buf(), frame: Frame::from_epsg(property.epsg).unwrap() };
    assert_whole(out, &[]);
    check_rfc_7946(out);
    check_sites(property, &outputs);
    check_ground(property, &outputs);
    check_sums(&outputs);
    if out.join("activity.json").exists() && !property.along_lines {
        check_mass(property, &outputs);
    }
    if out.join("round.json").exists() {
        check_round(property, &outputs);
    }
    if out.join("checks.json").exists() {
        check_balance(property, &outputs);
    }
    check_other_files(&outputs);
}

struct Stand {
    id: String,
    at: GroundPoint,
    /// Where lines are drawn twice, more than one.
    feet: Vec<Foot>,
    cluster: Option<String>,
}

/// Ranks, scores, sides, budget and spacing.
fn check_sites(property: &Property, outputs: &Outputs) {
    let sites = outputs.features("sites.geojson");
    assert!(sites.len() <= property.budget, "{} sites", sites.len());
    let roads = Roads::read(outputs);
    let staying = staying(property, outputs);
    let mut stands = Vec::new();
    for (i, site) in sites.iter().enumerate() {
        let p = &site["properties"];
        assert_eq!(p["rank"], i + 1);
        let at = outputs.ground(&site["geometry"]["coordinates"]);
        let foot = roads.foot_of(outputs, p, at);
        let (id, offset_m) = (p["site_id"].to_string(), number(p, "/offset_m"));
        for off_m in [foot.off_m, roads.foot(at).off_m] {
            assert!((off_m - offset_m).abs() < 0.1 + ROUNDING_M, "{id}: {off_m} against {offset_m}");
        }
        check_side(outputs, p, foot.at, at);
        // What a site adds to coverage, and what a further one adds to a cluster, is less than
        // the sum of its parts.
        if p["cluster_id"].is_null() && property.objective == "score" {
            check_parts(p);
        }
        let feet = roads.feet(Roads::on_line(outputs, p, at));
        stands.push(Stand { id, at, feet, cluster: p["cluster_id"].as_str().map(String::from) });
    }
    for (i, a) in stands.iter().enumerate() {
        let far: Vec<Vec<f64>> = a.feet.iter().map(|&foot| roads.far_m(foot)).collect();
        // The promise is kept if it is on the lines that the two stand on, whichever those are.
        let travel_m = |b: &Stand| {
            let from = a.feet.iter().zip(&far);
            let ways = from.flat_map(|(&p, far)| b.feet.iter().map(move |&q| (far, p, q)));
            ways.map(|(far, p, q)| roads.travel_m(far, p, q)).fold(0.0, f64::max)
        };
        for b in &stands[..i] {
            check_apart(property, a, b, travel_m(b));
        }
        for (id, at) in &staying {
            let station = outputs.frame.to_ground(LonLat::new(at[0], at[1]).unwrap()).unwrap();
            let b = Stand { id: id.clone(), at: station, feet: roads.feet(station), cluster: None };
            check_apart(property, a, &b, travel_m(&b));
        }
    }
    let total: f64 = sites.iter().map(|s| number(s, "/properties/score")).sum();
    let summary = outputs.read("sites.json");
    assert!((number(&summary, "/total") - total).abs() < 1e-4);
    let bound = number(&summary, "/upper_bound");
    assert!(bound >= total - 1e-6, "{total} is above the bound {bound}");
    let gap = if bound > 0.0 { (bound - number(&summary, "/total")) / bound } else { 0.0 };
    assert!((number(&summary, "/gap") - gap).abs() < 1e-5);
}

/// The stations that may stay where they are: the others, of which the summary says that they must
/// go, do stand within a distance or outside the area.
fn staying(property: &Property, outputs: &Outputs) -> Vec<(String, [f64; 2])> {
    let summary = outputs.read("sites.json");
    let reviews = summary["stations"].as_array().cloned().unwrap_or_default();
    let told = |id: &str| reviews.iter().find(|r| r["station_id"] == id);
    let must_go =
        |id: &str| told(id).is_some_and(|r| r["because"].as_str().unwrap().starts_with("it stands"));
    let (gone, staying): (Vec<_>, Vec<_>) =
        property.stations.iter().cloned().partition(|(id, _)| must_go(id));
    for (id, at) in gone {
        let at = LonLat::new(at[0], at[1]).unwrap();
        let near = |(keep_out, limit_m): &(Value, f64)| {
            nearest_m(keep_out, at) < limit_m + ROUNDING_M || in_polygon(keep_out, at)
        };
        let outside = property.area.as_ref().is_some_and(|ring| !inside(at, &places(ring)));
        assert!(outside || property.keep_outs.iter().any(near), "{id} may stay where it is");
    }
    assert_eq!(number(&summary, "/stations_respected"), staying.len() as f64);
    staying
}

fn places(ring: &[[f64; 2]]) -> Vec<LonLat> {
    ring.iter().map(|c| LonLat::new(c[0], c[1]).unwrap()).collect()
}

fn in_polygon(keep_out: &Value, at: LonLat) -> bool {
    keep_out["geometry"]["type"] == "Polygon" && inside(at, &positions(&keep_out["geometry"]))
}

/// Two sites, or a site and a station in the ground, are as far apart as was asked. Spacing to a
/// cluster is measured from its node, up to a sixth of the spacing away.
fn check_apart(property: &Property, a: &Stand, b: &Stand, travel_m: f64) {
    let straight_m = a.at.distance_m(b.at);
    let names = format!("{} and {}", a.id, b.id);
    if a.cluster.is_some() && a.cluster == b.cluster {
        assert!(
            straight_m >= 50.0_f64.min(property.spacing_m / 6.0) - ROUNDING_M,
            "{names}: {straight_m} m in a cluster"
        );
        return;
    }
    let of_clusters = f64::from(u8::from(a.cluster.is_some()) + u8::from(b.cluster.is_some()));
    let spacing_m = property.spacing_m * (1.0 - of_clusters / 6.0);
    assert!(travel_m >= spacing_m - TRAVEL_M, "{names} are {travel_m} m apart");
    // Between the sites themselves, of clusters too.
    assert!(
        straight_m >= property.min_straight_m - ROUNDING_M,
        "{names} are {straight_m} m apart in a straight line"
    );
}

/// No site inside a keep-out or its distance, none outside the area.
pub fn check_ground(property: &Property, outputs: &Outputs) {
    for (keep_out, distance_m) in &property.keep_outs {
        let one = [keep_out.clone()];
        check_keep_outs(outputs, &one, |_| *distance_m, property.placement_error_m);
    }
    for site in outputs.features("sites.geojson") {
        let at = place(&site["geometry"]["coordinates"]);
        if let Some(ring) = &property.area {
            assert!(inside(at, &places(ring)), "{} is outside the area", site["id"]);
        }
        let barred = property.keep_outs.iter().any(|(keep_out, _)| in_polygon(keep_out, at));
        assert!(!barred, "{} is inside a keep-out", site["id"]);
    }
}

/// Counts that two files state agree.
fn check_sums(outputs: &Outputs) {
    let summary = outputs.read("sites.json");
    let candidates = outputs.features("candidates.geojson");
    assert_eq!(number(&summary, "/candidates"), candidates.len() as f64);
    let chosen = candidates.iter().filter(|c| c["properties"]["chosen"] == true).count();
    let refused: f64 = summary["refusals"].as_object().unwrap().values().filter_map(Value::as_f64).sum();
    assert_eq!(refused as usize + chosen, candidates.len());
    let nodes = outputs.read("nodes.json");
    let edges = outputs.features("network.geojson");
    assert_eq!(number(&nodes, "/edges"), edges.len() as f64);
    let mut degrees: BTreeMap<String, usize> = BTreeMap::new();
    let mut length_m = 0.0;
    for edge in &edges {
        let p = &edge["properties"];
        for end in ["from_node", "to_node"] {
            *degrees.entry(p[end].to_string()).or_default() += 1;
        }
        let path: Vec<GroundPoint> =
            edge["geometry"]["coordinates"].as_array().unwrap().iter().map(|c| outputs.ground(c)).collect();
        let own_m: f64 = path.windows(2).map(|w| w[0].distance_m(w[1])).sum();
        assert!((own_m - number(p, "/length_m")).abs() <= 0.01 + 0.02 * path.len() as f64, "{p}");
        length_m += number(p, "/length_m");
    }
    assert!(
        (number(&nodes, "/noded_length_km") - length_m / 1000.0).abs() < 1e-3 + 1e-6 * edges.len() as f64
    );
    for node in outputs.features("nodes.geojson") {
        let degree = degrees.get(&node["properties"]["node_id"].to_string()).copied().unwrap_or(0);
        assert_eq!(number(&node, "/properties/degree"), degree as f64, "{}", node["id"]);
    }
}

/// The raster sums to the integral that is stated, which is the mass of the sign where the grid
/// covers all of it; hot areas lie in each other.
fn check_mass(property: &Property, outputs: &Outputs) {
    let summary = outputs.read("activity.json");
    let file = tiff_reader::TiffFile::open(outputs.folder.join("activity.tif")).unwrap();
    let values = file.read_image::<f32>(0).unwrap();
    let cell_km2 = (number(&summary, "/cell_m") / 1000.0).powi(2);
    let known = || values.iter().filter(|v| !v.is_nan());
    assert!(known().all(|&v| v >= 0.0));
    let mass: f64 = known().map(|&v| f64::from(v) * cell_km2).sum();
    let (integral, weights) = (number(&summary, "/integral"), number(&summary, "/sum_of_weights"));
    assert!((mass - integral).abs() <= 1e-4 * integral.max(1e-9), "{mass} against {integral}");
    let whole = property.area.is_none() || property.edge == "jones-diggle";
    if whole && number(&summary, "/outside") == 0.0 {
        // Three standard deviations each way leave out 0.3 percent an axis, cells some more.
        assert!((integral / weights - 1.0).abs() < 0.02 || weights == 0.0, "{integral} of {weights}");
    }
    let mut last_ha = 0.0;
    let mut areas: Vec<(f64, f64)> = outputs
        .features("hot-areas.geojson")
        .iter()
        .map(|f| (number(f, "/properties/mass_percent"), number(f, "/properties/area_ha")))
        .collect();
    areas.sort_by(|a, b| a.0.total_cmp(&b.0));
    for (percent, area_ha) in areas {
        assert!(area_ha >= last_ha, "{percent} percent lie on {area_ha} ha, fewer on {last_ha} ha");
        last_ha = area_ha;
    }
}

/// Every station in the ground is a stop once; the tour is the sum of its legs and not under its
/// bound.
fn check_round(property: &Property, outputs: &Outputs) {
    let summary = outputs.read("round.json");
    let features = outputs.features("round.geojson");
    let stops: Vec<&Value> = features.iter().filter(|f| f["geometry"]["type"] == "Point").collect();
    let ids: BTreeSet<&str> = stops.iter().map(|s| s["properties"]["station_id"].as_str().unwrap()).collect();
    assert_eq!(ids.len(), stops.len(), "a station is a stop twice");
    if !property.stations.is_empty() {
        let own: BTreeSet<&str> = property.stations.iter().map(|(id, _)| id.as_str()).collect();
        assert_eq!(ids, own);
    }
    let reached = stops.iter().filter(|s| !s["properties"]["day"].is_null()).count();
    assert_eq!(number(&summary, "/reached"), reached as f64);
    assert_eq!(number(&summary, "/unreached"), (stops.len() - reached) as f64);
    if reached > 0 {
        let days: f64 = summary["days"].as_array().unwrap().iter().map(|d| number(d, "/length_m")).sum();
        assert!((days - number(&summary, "/length_m")).abs() < 0.1);
        assert!(number(&summary, "/lower_bound_m") <= number(&summary, "/tour_m") + 0.1);
    }
}

/// Capsules issued are one for each station that was set and those of the log, and each went
/// somewhere.
fn check_balance(property: &Property, outputs: &Outputs) {
    let summary = outputs.read("checks.json");
    let total = &summary["balance"]["total"];
    let log = fs::read_to_string(outputs.folder.parent().unwrap().join("checks.csv")).unwrap();
    let issued: f64 = log.lines().skip(1).map(|l| l.split(',').nth(5).unwrap().parse::<f64>().unwrap()).sum();
    let issued = issued + property.stations.len() as f64;
    assert_eq!(number(total, "/issued"), issued);
    let went: f64 = ["in_ground", "discharged", "returned", "lost", "unaccounted"]
        .iter()
        .map(|k| number(total, &format!("/{k}")))
        .sum();
    assert_eq!(went, issued);
    assert!(number(total, "/in_ground") <= property.stations.len() as f64);
}

/// The table and the GPX file hold the sites; settings can be read again; every number of every
/// summary is finite, or JSON could not hold it.
fn check_other_files(outputs: &Outputs) {
    let sites = outputs.features("sites.geojson").len();
    let table = fs::read_to_string(outputs.folder.join("sites.csv")).unwrap();
    assert_eq!(csv::Reader::from_reader(table.as_bytes()).records().map(Result::unwrap).count(), sites);
    let gpx = gpx::read(fs::read(outputs.folder.join("sites.gpx")).unwrap().as_slice()).unwrap();
    assert_eq!(gpx.waypoints.len(), sites);
    let settings = fs::read_to_string(outputs.folder.join("settings.toml")).unwrap();
    stakeline::plan::Plan::parse(Path::new("settings.toml"), &settings).unwrap();
}
