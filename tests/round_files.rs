//! `round` and `checks` from the command line: their files against reference readers, and a
//! whole island.

#[path = "support/cases.rs"]
mod open_data;

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

/// A whole island: tracks and roads of osm-niue, with the sites that are proposed there.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_an_island_round() {
    let cases = open_data::folder().display().to_string();
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
    let island = format!(
        "[[line]]\nkind = \"track\"\nfile = '{cases}/osm-niue/lines.geojson'\n[fields.line]\nkind = \"layer\"\n"
    );
    let plan = room.path().join("plan.toml");
    std::fs::write(&plan, format!("{island}[sites]\nspacing_m = 1500\nbudget = 120\n")).unwrap();
    let sites = room.path().join("sites");
    let (done, _, err) = stakeline(&["sites", plan.to_str().unwrap(), "--out", sites.to_str().unwrap()]);
    assert!(done, "{err}");
    // What was proposed is what is driven to: the file is read as it is.
    let count = json(&sites.join("sites.geojson"))["features"].as_array().unwrap().len();
    let plan = format!(
        "{island}[[station]]\nfile = \"sites/sites.geojson\"\n[round]\nstart = [-169.92, -19.05]\nhours_per_day = 8\n"
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
    // Sites stand on tracks, so the lines reach every one.
    assert!(count > 100 && summary["reached"].as_u64().unwrap() as usize == count, "{count} {summary}");
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

/// Twenty-five visits, four weeks apart, to the sites proposed on the sample property: the
/// more sign a site had, the likelier it was found activated.
fn a_log_that_follows_sign(sites: &Value) -> (Value, String) {
    let mut state = 7u64;
    let mut roll = move || {
        state = state.wrapping_mul(6364136223846793005).wrapping_add(1442695040888963407);
        (state >> 11) as f64 / (1u64 << 53) as f64
    };
    let mut stations = sites.clone();
    let mut log = "station_id,date,found,serviced,capsules_out,capsules_back\n".to_string();
    let first: jiff::civil::Date = "2024-01-01".parse().unwrap();
    for station in stations["features"].as_array_mut().unwrap() {
        let properties = station["properties"].as_object_mut().unwrap();
        properties.insert("state".into(), "set".into());
        properties.insert("set_on".into(), first.to_string().into());
        let activity = properties["parts"]["activity"]["value"].as_f64().unwrap();
        let id = properties["site_id"].as_str().unwrap();
        for visit in 1..=25 {
            let day = first + jiff::Span::new().days(28 * visit);
            let activated = roll() < 1.0 - (-28.0 * 0.004 * (3.0 * activity).exp()).exp();
            let (found, out, back) = if activated { ("activated", 1, 0) } else { ("intact", 0, 0) };
            log += &format!("{id},{day},{found},yes,{out},{back}\n");
        }
    }
    (stations, log)
}

/// From proposed sites by way of their log to weights, and back into the plan.
#[test]
fn what_the_log_teaches_comes_back_into_the_plan() {
    let room = tempfile::tempdir().unwrap();
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-samples");
    for entry in std::fs::read_dir(samples).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_file()) {
        std::fs::copy(&entry, room.path().join(entry.file_name().unwrap())).unwrap();
    }
    let at = |name: &str| room.path().join(name).to_str().unwrap().to_string();
    let (done, _, err) =
        stakeline(&["sites", &at("plan.toml"), "--spacing", "500", "--budget", "30", "--out", &at("first")]);
    assert!(done, "{err}");
    let sites = json(&room.path().join("first/sites.geojson"));
    let (stations, log) = a_log_that_follows_sign(&sites);
    std::fs::write(at("set.geojson"), stations.to_string()).unwrap();
    std::fs::write(at("log.csv"), log).unwrap();
    let log =
        ["checks", "--stations", &at("set.geojson"), "--checks", &at("log.csv"), "--out", &at("checks")];
    let (done, said, err) = stakeline(&log);
    assert!(done && said.contains("suggested-weights.toml"), "{said}{err}");
    let suggested = std::fs::read_to_string(at("checks/suggested-weights.toml")).unwrap();
    let weights = toml::from_str::<toml::Table>(&suggested).unwrap()["sites"]["weights"].clone();
    let weights = weights.as_table().unwrap();
    let known = sites["features"][0]["properties"]["parts"].as_object().unwrap();
    assert!(weights.keys().all(|part| known.contains_key(part)), "{suggested}");
    let weight = |part: &str| weights[part].as_float().unwrap();
    assert!(weights.keys().all(|part| weight(part) <= weight("activity")), "{suggested}");
    // Nothing applies it; the user does.
    let plan = std::fs::read_to_string(at("plan.toml")).unwrap();
    std::fs::write(at("plan.toml"), plan + "\n" + &suggested).unwrap();
    let (done, _, err) = stakeline(&["sites", &at("plan.toml"), "--out", &at("second")]);
    assert!(done, "{err}");
    let again = json(&room.path().join("second/sites.geojson"));
    let parts = again["features"][0]["properties"]["parts"].as_object().unwrap();
    for (part, value) in parts.iter().filter(|(part, _)| weights.contains_key(*part)) {
        assert!((value["weight"].as_f64().unwrap() - weight(part)).abs() < 1e-9, "{part}: {value}");
    }
}

/// Metres on a plane that touches the island: good to a few centimetres over a segment.
fn flat(p: [f64; 2]) -> [f64; 2] {
    [(p[0] + 169.9) * 105_230.0, (p[1] + 19.05) * 110_680.0]
}

fn to_segment_m(p: [f64; 2], a: [f64; 2], b: [f64; 2]) -> f64 {
    let (p, a, b) = (flat(p), flat(a), flat(b));
    let (dx, dy) = (b[0] - a[0], b[1] - a[1]);
    let length2 = dx * dx + dy * dy;
    let t = if length2 > 0.0 { ((p[0] - a[0]) * dx + (p[1] - a[1]) * dy) / length2 } else { 0.0 };
    let t = t.clamp(0.0, 1.0);
    (p[0] - a[0] - t * dx).hypot(p[1] - a[1] - t * dy)
}
