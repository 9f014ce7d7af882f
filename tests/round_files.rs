//! `round` and `checks` from the command line: their files against reference readers, and a
//! whole island.

#[path = "support/skip.rs"]
mod skip;

use std::path::{Path, PathBuf};
use std::process::Command;

use serde_json::Value;

const INPUTS: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/golden/round/inputs");

fn stakeline(args: &[&str]) -> (bool, String, String) {
    let output = Command::new(env!("CARGO_BIN_EXE_stakeline")).args(args).output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.success(), text(&output.stdout), text(&output.stderr))
}

fn json(path: &Path) -> Value {
    serde_json::from_str(&std::fs::read_to_string(path).unwrap()).unwrap()
}

fn run(command: &str, out: &Path) {
    let plan = format!("{INPUTS}/plan.toml");
    let (done, _, err) = stakeline(&[command, &plan, "--out", out.to_str().unwrap()]);
    assert!(done, "{err}");
}

/// The bytes are those that passed the GPX 1.1 schema (lxml 6.1.3) and that icalendar 7.3.2
/// reads: golden/round/validate.py.
#[test]
fn gpx_and_calendar_are_the_validated_ones() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    run("round", &out);
    let read = |path: PathBuf| std::fs::read_to_string(path).unwrap();
    assert_eq!(read(out.join("round.gpx")), include_str!("golden/round/round.gpx"));
    assert_eq!(read(out.join("due.ics")), include_str!("golden/round/due.ics"));
    let validated: Value = serde_json::from_str(include_str!("golden/round/validated.json")).unwrap();
    assert_eq!(validated["events"][0]["day"], "2026-04-20");
    assert_eq!(validated["waypoints"].as_array().unwrap().len(), 5);
}

#[test]
fn stops_keep_the_contract() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    run("round", &out);
    let round = json(&out.join("round.geojson"));
    let stops: Vec<&Value> = round["features"]
        .as_array()
        .unwrap()
        .iter()
        .filter(|f| f["geometry"]["type"] == "Point")
        .map(|f| &f["properties"])
        .collect();
    assert_eq!(stops.len(), 5, "the lifted station is not visited");
    let of = |id: &str| *stops.iter().find(|s| s["station_id"] == id).unwrap();
    let far = of("far");
    assert!(far["day"].is_null() && far["order"].is_null());
    assert!((far["walk_m"].as_f64().unwrap() - 2307.7).abs() < 1.0);
    assert_eq!(of("A2")["urgency"], "review");
    assert_eq!(of("B2")["urgency"], "open-item");
    assert_eq!(of("B2")["every_days"], 14);
    assert_eq!(of("B2")["due_on"], "2026-04-13");
    let summary = json(&out.join("round.json"));
    assert!(summary["lower_bound_m"].as_f64().unwrap() <= summary["tour_m"].as_f64().unwrap());
    assert_eq!(summary["unreached"], 1);
    for name in ["round.csv", "kit.csv", "settings.toml"] {
        assert!(out.join(name).is_file(), "{name}");
    }
}

/// The locked short cut is taken when the crew has the key.
#[test]
fn a_key_opens_a_locked_line() {
    let room = tempfile::tempdir().unwrap();
    let length = |keys: &str, out: &str| {
        let folder = room.path().join(format!("in-{out}"));
        std::fs::create_dir(&folder).unwrap();
        for file in ["tracks.geojson", "stations.geojson", "checks.csv"] {
            std::fs::copy(format!("{INPUTS}/{file}"), folder.join(file)).unwrap();
        }
        let plan = std::fs::read_to_string(format!("{INPUTS}/plan.toml")).unwrap();
        let plan = plan.replace("hours_per_day = 1.0", keys);
        std::fs::write(folder.join("plan.toml"), plan).unwrap();
        let out = room.path().join(out);
        let plan = folder.join("plan.toml");
        let (done, _, err) = stakeline(&["round", plan.to_str().unwrap(), "--out", out.to_str().unwrap()]);
        assert!(done, "{err}");
        json(&out.join("round.json"))["tour_m"].as_f64().unwrap()
    };
    assert!(length("keys = [\"Short cut\"]", "open") < length("", "locked") - 500.0);
}

#[test]
fn the_log_is_summed_up_with_the_balance_first() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    let plan = format!("{INPUTS}/plan.toml");
    let before = std::fs::read(format!("{INPUTS}/checks.csv")).unwrap();
    let (done, text, err) = stakeline(&["checks", &plan, "--out", out.to_str().unwrap()]);
    assert!(done, "{err}");
    let first = text.lines().next().unwrap();
    assert!(first.starts_with("capsules balance: 8 issued = 6 in the ground + 1 discharged"), "{first}");
    assert_eq!(std::fs::read(format!("{INPUTS}/checks.csv")).unwrap(), before);
    let checks = json(&out.join("checks.json"));
    assert_eq!(checks["due"][0]["station_id"], "A2");
    assert_eq!(checks["due"][0]["urgency"], "review");
    assert_eq!(checks["open_items"][0]["station_id"], "B2");
    assert_eq!(checks["rates"]["by_animal"]["quoll"]["activations"], 1);
    // A1 28 nights; A2 28 nights, half of them lost to the activation; B2 likewise.
    assert_eq!(checks["rates"]["all"]["station_nights"], 84.0);
    assert_eq!(checks["rates"]["all"]["effective_nights"], 56.0);
    assert!(checks["weights"]["suggested"] == false && !out.join("suggested-weights.toml").exists());
}

#[test]
fn an_imbalance_is_the_first_line() {
    let room = tempfile::tempdir().unwrap();
    let log = room.path().join("log.csv");
    std::fs::write(&log, "station_id,date,found,capsules_out,serviced\nA1,2026-03-29,intact,1,yes\n")
        .unwrap();
    let out = room.path().join("out");
    let stations = format!("{INPUTS}/stations.geojson");
    let (done, text, err) = stakeline(&[
        "checks",
        "--stations",
        &stations,
        "--checks",
        log.to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ]);
    assert!(done, "{err}");
    let first = text.lines().next().unwrap();
    assert!(first.starts_with("CAPSULES DO NOT BALANCE") && first.contains("line 2 (+1)"), "{first}");
}

#[test]
fn faults_are_told_with_their_files() {
    let room = tempfile::tempdir().unwrap();
    let out = room.path().join("out");
    let stations = format!("{INPUTS}/stations.geojson");
    let (done, _, err) = stakeline(&["round", "--stations", &stations, "--out", out.to_str().unwrap()]);
    assert!(!done && err.contains("stations.geojson"), "{err}");
    let (done, _, err) = stakeline(&["checks", "--stations", &stations, "--out", out.to_str().unwrap()]);
    assert!(!done && err.contains("--checks"), "{err}");
    assert!(!out.exists());
}

/// A whole island: tracks and roads of osm-niue, a station every 1.5 km of track.
#[test]
fn an_island_round() {
    let Ok(cases) = std::env::var("STAKELINE_CASES") else {
        skip::skipped("set STAKELINE_CASES to the folder of real cases to run the round of the island");
        return;
    };
    let room = tempfile::tempdir().unwrap();
    let lines = json(&Path::new(&cases).join("osm-niue/lines.geojson"));
    let ways: Vec<(String, Vec<[f64; 2]>)> = lines["features"]
        .as_array()
        .unwrap()
        .iter()
        .map(|f| {
            let way = f["geometry"]["coordinates"].as_array().unwrap();
            let place = |p: &Value| [p[0].as_f64().unwrap(), p[1].as_f64().unwrap()];
            (f["properties"]["layer"].as_str().unwrap().to_string(), way.iter().map(place).collect())
        })
        .collect();
    let mut stations = Vec::new();
    let mut run_m = 0.0;
    for (_, way) in ways.iter().filter(|(layer, _)| layer == "track") {
        for pair in way.windows(2) {
            run_m += metres(pair[0], pair[1]);
            if run_m > 1500.0 {
                run_m = 0.0;
                let id = format!("N{}", stations.len() + 1);
                stations.push(serde_json::json!({"type": "Feature", "properties": {"station_id": id},
                    "geometry": {"type": "Point", "coordinates": [pair[1][0] + 5e-5, pair[1][1]]}}));
            }
        }
    }
    let count = stations.len();
    let collection = serde_json::json!({"type": "FeatureCollection", "features": stations});
    std::fs::write(room.path().join("stations.geojson"), collection.to_string()).unwrap();
    let plan = format!(
        "[[line]]\nkind = \"track\"\nfile = '{cases}/osm-niue/lines.geojson'\n[fields.line]\nkind = \"layer\"\n\
         [[station]]\nfile = \"stations.geojson\"\n[round]\nstart = [-169.92, -19.05]\nhours_per_day = 8\n"
    );
    std::fs::write(room.path().join("plan.toml"), plan).unwrap();
    let out = room.path().join("out");
    let (done, _, err) = stakeline(&[
        "round",
        room.path().join("plan.toml").to_str().unwrap(),
        "--out",
        out.to_str().unwrap(),
    ]);
    assert!(done, "{err}");
    let summary = json(&out.join("round.json"));
    assert_eq!(summary["stations"].as_u64().unwrap() as usize, count);
    assert!(count > 100 && summary["reached"].as_u64().unwrap() as usize >= count - 3, "{summary}");
    assert!(summary["gap"].as_f64().unwrap() < 0.06, "{summary}");
    let hours: Vec<f64> =
        summary["days"].as_array().unwrap().iter().map(|d| d["hours"].as_f64().unwrap()).collect();
    assert!(hours.iter().all(|&h| h <= 8.0 && h > 4.0), "{hours:?}");
    // Every vertex of every leg lies on a line of the island.
    let round = json(&out.join("round.geojson"));
    let segments: Vec<[[f64; 2]; 2]> =
        ways.iter().flat_map(|(_, way)| way.windows(2).map(|p| [p[0], p[1]])).collect();
    let legs = round["features"].as_array().unwrap().iter().filter(|f| f["geometry"]["type"] == "LineString");
    for place in legs.flat_map(|f| f["geometry"]["coordinates"].as_array().unwrap()).step_by(7) {
        let at = [place[0].as_f64().unwrap(), place[1].as_f64().unwrap()];
        let near = segments.iter().any(|[a, b]| to_segment_m(at, *a, *b) < 0.05);
        assert!(near, "{at:?} lies on no line");
    }
}

/// Metres on a plane that touches the island: good to a few centimetres over a segment.
fn flat(p: [f64; 2]) -> [f64; 2] {
    [(p[0] + 169.9) * 105_230.0, (p[1] + 19.05) * 110_680.0]
}

fn metres(a: [f64; 2], b: [f64; 2]) -> f64 {
    let (a, b) = (flat(a), flat(b));
    (a[0] - b[0]).hypot(a[1] - b[1])
}

fn to_segment_m(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (p, a, b) = (flat(p), flat(a), flat(b));
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length2 = dx * dx + dy * dy;
    let t = if length2 > 0.0 { ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2 } else { 0.0 };
    let t = t.clamp(0.0, 1.0);
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}
