//! The command `surface` on a small invented place.

mod support;

use std::fs;
use std::path::Path;

use serde_json::{Value, json};
use support::{json as read_json, number, said, stakeline};

/// Thirty scats about a track corner, one of them reported twice, one outside the area.
fn write_inputs(room: &Path) {
    let scat = |lon: f64, lat: f64, day: u32| {
        json!({ "type": "Feature",
            "properties": { "sign": "scat", "animal": "dog", "date": format!("2026-03-{day:02}"), "count": 1 },
            "geometry": { "type": "Point", "coordinates": [lon, lat] } })
    };
    let mut features: Vec<Value> = (0..30_u32)
        .map(|k| {
            let (east, north) = (f64::from(k * 7 % 30) / 30.0, f64::from(k * k % 31) / 31.0);
            scat(148.2011 + 0.0173 * east, -35.4012 + 0.0141 * north, k % 28 + 1)
        })
        .collect();
    features.push(scat(148.2011, -35.4012, 2)); // the first again, a day later
    features.push(scat(148.2300, -35.4000, 9)); // outside
    let collection =
        |features: Vec<Value>| json!({ "type": "FeatureCollection", "features": features }).to_string();
    fs::write(room.join("sign.geojson"), collection(features)).unwrap();
    let ring = [[148.2, -35.403], [148.22, -35.403], [148.22, -35.385], [148.2, -35.385], [148.2, -35.403]];
    let area = json!({ "type": "Feature", "properties": {}, "geometry": { "type": "Polygon", "coordinates": [ring] } });
    fs::write(room.join("area.geojson"), collection(vec![area])).unwrap();
}

/// Runs `surface` with some flags; gives its status, its errors and `activity.json`.
fn run(room: &Path, flags: &[&str]) -> (i32, String, Value) {
    let out = room.join("out");
    let mut command = stakeline();
    command
        .args(["surface", "--sign"])
        .arg(room.join("sign.geojson"))
        .arg("--area")
        .arg(room.join("area.geojson"));
    command.args(flags).arg("--force").arg("--out").arg(&out);
    let (status, _, err) = said(&mut command);
    let summary = if status == 0 { read_json(&out.join("activity.json")) } else { Value::Null };
    (status, err, summary)
}

#[test]
fn every_kernel_and_edge_rule_keeps_its_promise() {
    let room = tempfile::tempdir().unwrap();
    write_inputs(room.path());
    for kernel in ["gaussian", "quartic", "epanechnikov", "triangular", "uniform"] {
        let (status, err, summary) =
            run(room.path(), &["--kernel", kernel, "--bandwidth", "150", "--edge", "jones-diggle"]);
        assert_eq!(status, 0, "{err}");
        assert!(err.contains("1 record outside the area left out"), "{err}");
        assert_eq!(number(&summary, "/sum_of_weights"), 31.0);
        assert!((number(&summary, "/integral") / 31.0 - 1.0).abs() < 0.02, "{kernel}: {summary}");
        assert_eq!(summary["edge"], "jones-diggle");
    }
    let (status, err, both) =
        run(room.path(), &["--bandwidth", "150", "--adaptive", "--edge", "uniform", "--cell", "20"]);
    assert_eq!(status, 0, "{err}");
    assert!(number(&both, "/integral") > 20.0, "{both}");
    let (status, err, adaptive) = run(room.path(), &["--bandwidth", "150", "--adaptive", "--edge", "none"]);
    assert_eq!(status, 0, "{err}");
    assert!(number(&adaptive, "/adaptive/least_m") < number(&adaptive, "/adaptive/most_m"));
    assert!((number(&adaptive, "/integral") / 32.0 - 1.0).abs() < 0.02, "{adaptive}");
}

#[test]
fn work_beyond_the_plans_limit_is_refused_with_the_limit() {
    let room = tempfile::tempdir().unwrap();
    write_inputs(room.path());
    let at = room.path().join("sign.geojson").display().to_string();
    let run = |limit: &str, flags: &[&str]| {
        let plan = room.path().join("plan.toml");
        fs::write(&plan, format!("[surface]\nmax_values = {limit}\n")).unwrap();
        self::run(room.path(), &[&[plan.to_str().unwrap(), "--bandwidth", "1000"], flags].concat())
    };
    // 32 records within reach of 32 points, each sum counted ten times: 10,240.
    let (status, err, _) = run("10000", &["--at", &at]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("32 points of 32 records") && err.contains("max_values in [surface]"), "{err}");
    assert!(err.contains("31 points fit"), "{err}");
    let (status, err, _) = run("11000", &["--at", &at]);
    assert_eq!(status, 0, "{err}");
    let (status, err, _) = run("10000", &["--adaptive", "--cell", "50"]);
    assert_eq!(status, 1, "{err}");
    assert!(err.contains("adaptive bandwidths") && err.contains("max_values in [surface]"), "{err}");
    let (status, err, _) = run("1e6", &["--adaptive", "--cell", "50"]);
    assert_eq!(status, 0, "{err}");
}

#[test]
fn all_rules_are_shown_and_oddities_told() {
    let room = tempfile::tempdir().unwrap();
    write_inputs(room.path());
    let (status, err, summary) = run(room.path(), &[]);
    assert_eq!(status, 0, "{err}");
    assert!(err.contains("1 records repeat sign"), "{err}");
    assert!(err.contains("2 records stand on 1 shared places"), "{err}");
    for rule in ["scott", "oversmooth", "lscv", "likelihood", "plug-in", "diggle"] {
        assert!(number(&summary, &format!("/rules/{rule}")) > 0.0, "{summary}");
    }
    assert_eq!(summary["rule"], "scott");
    assert!((number(&summary, "/rules/scott") - number(&summary, "/bandwidth_m")).abs() < 1e-3);
    assert_eq!(number(&summary, "/repeats"), 1.0);
    let hot = read_json(&room.path().join("out/hot-areas.geojson"));
    let areas: Vec<f64> =
        hot["features"].as_array().unwrap().iter().map(|f| number(f, "/properties/area_ha")).collect();
    assert!(areas.len() == 3 && areas.windows(2).all(|w| w[0] < w[1]), "{areas:?}");
}

#[test]
fn each_animal_has_its_own_surface() {
    let room = tempfile::tempdir().unwrap();
    write_inputs(room.path());
    let sign = room.path().join("sign.geojson");
    let mut collection = read_json(&sign);
    for (k, feature) in collection["features"].as_array_mut().unwrap().iter_mut().enumerate() {
        feature["properties"]["animal"] = json!(["dog", "fox", "Feral Cat"][k % 3]);
    }
    fs::write(&sign, collection.to_string()).unwrap();
    let at = sign.to_str().unwrap().to_string();
    let (status, err, all) = run(room.path(), &["--bandwidth", "150", "--edge", "none", "--at", &at]);
    assert_eq!(status, 0, "{err}");
    assert!(err.contains("dog and fox and feral cat"), "{err}");
    let animals = all["animals"].as_array().unwrap();
    let file = |name: &str| room.path().join("out").join(name);
    assert_eq!(animals.len(), 3, "{all}");
    let mut parts = 0.0;
    for (animal, name) in animals.iter().zip(["dog", "fox", "feral-cat"]) {
        assert_eq!(animal["file"], format!("activity-{name}.tif"));
        assert!(file(&format!("activity-{name}.tif")).is_file());
        assert_eq!(
            read_json(&file(&format!("hot-areas-{name}.geojson")))["features"].as_array().unwrap().len(),
            3
        );
        parts += number(animal, "/integral");
    }
    // One grid and one bandwidth: the parts make the whole.
    assert!((parts / number(&all, "/integral") - 1.0).abs() < 1e-6, "{parts} of {all}");
    for feature in read_json(&file("activity-at.geojson"))["features"].as_array().unwrap() {
        let of = feature["properties"]["density_per_km2_by_animal"].as_object().unwrap();
        let sum: f64 = of.values().map(|v| v.as_f64().unwrap()).sum();
        assert!((sum / number(feature, "/properties/density_per_km2") - 1.0).abs() < 1e-9);
    }
    // Chosen alone, an animal has the same surface without a warning.
    let (status, err, dog) = run(room.path(), &["--bandwidth", "150", "--edge", "none", "--animal", "dog"]);
    assert_eq!(status, 0, "{err}");
    assert!(!err.contains("taken together"), "{err}");
    assert_eq!(dog["animals"], json!([]));
    assert!((number(&dog, "/peak") / number(&animals[0], "/peak") - 1.0).abs() < 1e-5);
}

/// A survey of one straight fence: no rule for the plane, a clear word, and what works instead.
#[test]
fn sign_on_one_straight_line_is_told_what_to_do() {
    let room = tempfile::tempdir().unwrap();
    write_inputs(room.path());
    let scat = |k: u32| {
        json!({ "type": "Feature", "properties": { "sign": "scat" },
        "geometry": { "type": "Point", "coordinates": [148.2 + 0.0006 * f64::from(k), -35.39 - 0.0004 * f64::from(k)] } })
    };
    let all = json!({ "type": "FeatureCollection", "features": (0..30).map(scat).collect::<Vec<_>>() });
    fs::write(room.path().join("sign.geojson"), all.to_string()).unwrap();
    let (status, err, _) = run(room.path(), &[]);
    assert_eq!(status, 1, "{err}");
    for words in
        ["sign.geojson", "rule 'scott'", "all records lie on one line", "--bandwidth METRES", "--along-lines"]
    {
        assert!(err.contains(words), "{words}: {err}");
    }
    let (status, err, summary) = run(room.path(), &["--bandwidth", "150"]);
    assert_eq!(status, 0, "{err}");
    assert!(summary["rules"]["scott"].is_null() && number(&summary, "/rules/diggle") > 0.0, "{summary}");
}

#[test]
fn what_cannot_be_is_said_plainly() {
    let room = tempfile::tempdir().unwrap();
    write_inputs(room.path());
    for (flags, words) in [
        (&["--bandwidth", "150", "--cell", "0.001"][..], "a cell of"),
        (&["--bandwidth", "thumb"][..], "rules are scott, oversmooth, lscv"),
        (&["--bandwidth", "150", "--cell", "0.3"][..], "max_cells in [surface] of the plan"),
    ] {
        let (status, err, _) = run(room.path(), flags);
        assert_ne!(status, 0);
        assert!(err.contains(words), "{err}");
        assert!(!room.path().join("out").exists(), "half a result was left");
    }
}
