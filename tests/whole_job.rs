//! The whole job on the demo and on real open data, its promises recomputed from the
//! written files by other code (`support/promises.rs`).

mod support;

use std::fs;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use stakeline::frame::Frame;
use support::promises::{Outputs, check_keep_outs, check_rfc_7946, check_sites, inside, place, positions};
use support::{case, json as read_json, number, said, stakeline};
use tempfile::TempDir;

#[test]
fn the_demo_keeps_its_promises() {
    let room = tempfile::tempdir().unwrap();
    let folder = room.path().join("demo");
    let (status, out, err) = said(stakeline().arg("demo").arg(&folder));
    assert_eq!(status, 0, "{err}");
    assert!(out.contains("invented"), "{out}");
    let outputs = Outputs { frame: Frame::from_epsg(32755).unwrap(), folder: folder.clone() };
    check_rfc_7946(&folder);
    check_sites(&outputs, 1000.0, 16);
    let property =
        |name: &str| read_json(&folder.join("property").join(name))["features"].as_array().unwrap().clone();
    check_keep_outs(&outputs, &property("keep-outs.geojson"), |k| number(k, "/properties/distance_m"), 10.0);
    check_keep_outs(&outputs, &property("road.geojson"), |_| 137.0, 10.0);
    check_keep_outs(&outputs, &property("boundary.geojson"), |_| 137.0, 10.0);
    let area = positions(&property("area.geojson")[0]["geometry"]);
    for site in outputs.features("sites.geojson") {
        assert!(inside(place(&site["geometry"]["coordinates"]), &area));
    }
    let sides: Vec<Value> =
        outputs.features("sites.geojson").iter().map(|s| s["properties"]["side"].clone()).collect();
    assert!(sides.iter().any(|s| s == "left") && sides.iter().any(|s| s == "right"), "one side only");
}

#[test]
fn the_written_settings_reproduce_a_run() {
    let room = tempfile::tempdir().unwrap();
    let demo = room.path().join("demo");
    assert_eq!(said(stakeline().arg("demo").arg(&demo)).0, 0);
    let again = room.path().join("again");
    let mut run = stakeline();
    run.current_dir(&demo).args(["run", "settings.toml", "--out"]).arg(&again);
    let (status, _, err) = said(&mut run);
    assert_eq!(status, 0, "{err}");
    let files = |folder: &Path| read_json(&folder.join("manifest.json"))["files"].clone();
    let (first, second) = (files(&demo), files(&again));
    for (name, entry) in second.as_object().unwrap() {
        assert_eq!(&first[name], entry, "{name}");
    }
}

/// A real case: its lines by kind, and sign of its own or scattered along its lines by seed.
struct Case {
    room: TempDir,
    lines: Vec<(&'static str, PathBuf)>,
    sign: PathBuf,
    expected: Value,
}

impl Case {
    /// `kinds` maps the case's own classes to kinds of line.
    fn open(name: &str, kinds: &[(&str, &'static str)], own_sign: bool) -> Self {
        let folder = case(name);
        let room = tempfile::tempdir().unwrap();
        let all = read_json(&folder.join("lines.geojson"))["features"].as_array().unwrap().clone();
        let mut lines = Vec::new();
        for (class, kind) in kinds {
            let part: Vec<&Value> = all.iter().filter(|f| f["properties"]["layer"] == *class).collect();
            assert!(!part.is_empty(), "{name} has no {class}");
            let path = room.path().join(format!("{class}.geojson"));
            fs::write(&path, json!({ "type": "FeatureCollection", "features": part }).to_string()).unwrap();
            lines.push((*kind, path));
        }
        let sign = if own_sign { folder.join("points.geojson") } else { scattered(&all, room.path()) };
        let expected = read_json(&folder.join("expected.json"));
        Self { room, lines, sign, expected }
    }

    fn run(&self, command: &str, epsg: u32, flags: &[&str]) -> Outputs {
        let folder = self.room.path().join(command);
        let mut run = stakeline();
        run.arg(command).args(["--epsg", &epsg.to_string()]).arg("--sign").arg(&self.sign);
        for (kind, path) in &self.lines {
            run.arg("--line").arg(format!("{kind}={}", path.display()));
        }
        let (status, _, err) = said(run.args(flags).arg("--out").arg(&folder));
        assert_eq!(status, 0, "{err}");
        Outputs { folder, frame: Frame::from_epsg(epsg).unwrap() }
    }

    /// Length, edges and junctions against the case's own figures (shapely, GEOS 3.14.1).
    fn check_network(&self, epsg: u32) {
        let nodes = self.run("nodes", epsg, &["--snap", "0.01"]);
        let summary = nodes.read("nodes.json");
        let lines = &self.expected["lines"];
        let length_km = number(lines, "/length_geodesic_wgs84_m") / 1000.0;
        assert!((number(&summary, "/length_km") / length_km - 1.0).abs() < 1e-4);
        let noded = &lines["noded_grid_0.01"];
        assert_eq!(nodes.features("network.geojson").len() as f64, number(noded, "/n_edges"));
        let junctions =
            nodes.features("nodes.geojson").iter().filter(|n| number(n, "/properties/degree") >= 3.0).count();
        assert_eq!(junctions as f64, number(noded, "/n_junctions_deg3plus"));
        assert_eq!(summary["degree_histogram"], noded["degree_histogram"]);
    }
}

/// Three hundred records near the lines, by a fixed linear congruential sequence
/// (Knuth's MMIX constants, from memory).
fn scattered(lines: &[Value], room: &Path) -> PathBuf {
    let mut state = 2026_u64;
    let mut next = || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1_u64 << 53) as f64
    };
    let features: Vec<Value> = (0..300)
        .map(|i| {
            let line = &lines[(next() * lines.len() as f64) as usize]["geometry"]["coordinates"];
            let path = line.as_array().unwrap();
            let at = &path[(next() * path.len() as f64) as usize];
            let jitter = |v: f64, u: f64| v + (u - 0.5) * 4e-4;
            let (lon, lat) = (at[0].as_f64().unwrap(), at[1].as_f64().unwrap());
            json!({ "type": "Feature", "id": i, "properties": { "sign": "scat", "animal": "dog" },
                "geometry": { "type": "Point", "coordinates": [jitter(lon, next()), jitter(lat, next())] } })
        })
        .collect();
    let path = room.join("sign.geojson");
    fs::write(&path, json!({ "type": "FeatureCollection", "features": features }).to_string()).unwrap();
    path
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_tempe_streets_and_points() {
    let tempe = Case::open("geodanet-tempe", &[("street", "track")], true);
    tempe.check_network(32612);
    let schools = case("geodanet-tempe").join("schools.geojson");
    let keep_out = format!("211={}", schools.display());
    let flags = ["--weightings", "4", "--spacing", "300", "--budget", "12", "--keep-out", &keep_out];
    let outputs = tempe.run("sites", 32612, &flags);
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 300.0, 12);
    let schools = read_json(&schools)["features"].as_array().unwrap().clone();
    check_keep_outs(&outputs, &schools, |_| 211.0, 10.0);
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_soho_streets_and_deaths() {
    let soho = Case::open("soho-snow", &[("street", "track")], true);
    let outputs = soho.run(
        "sites",
        32630,
        &["--weightings", "4", "--spacing", "150", "--budget", "10", "--offset", "3"],
    );
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 150.0, 10);
    let length_km = number(&soho.expected, "/lines/length_geodesic_wgs84_m") / 1000.0;
    let nodes = soho.run("nodes", 32630, &["--snap", "0.01"]).read("nodes.json");
    assert!((number(&nodes, "/length_km") / length_km - 1.0).abs() < 1e-4);
    assert_eq!(number(&nodes, "/components"), 1.0);
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_niue_tracks_and_roads() {
    let kinds = [("track", "track"), ("road", "road"), ("barrier", "fence")];
    let niue = Case::open("osm-niue", &kinds, false);
    niue.check_network(32702);
    let outputs = niue.run("sites", 32702, &["--weightings", "4", "--spacing", "1000", "--budget", "20"]);
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 1000.0, 20);
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_gozo_tracks_walls_and_streams() {
    let kinds = [("track", "track"), ("road", "road"), ("barrier", "fence"), ("water", "creek")];
    let gozo = Case::open("osm-gozo-west", &kinds, false);
    let outputs = gozo.run(
        "sites",
        32633,
        &["--weightings", "4", "--spacing", "500", "--budget", "15", "--offset", "2"],
    );
    check_rfc_7946(&outputs.folder);
    check_sites(&outputs, 500.0, 15);
}
