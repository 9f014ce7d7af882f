//! Activity surfaces of real open data against densities computed by independent
//! libraries (numpy and spatstat; see the cases' own expected.json).

mod support;

use std::fs;

use serde_json::{Value, json};
use support::{case, json as read_json, number, said, stakeline};

/// Runs `surface --at` at the places of a case and compares, for every bandwidth there.
fn check(name: &str, epsg: &str) {
    let folder = case(name);
    let expected = read_json(&folder.join("expected.json"));
    let room = tempfile::tempdir().unwrap();
    let places = expected["kde"]["locations"].as_array().unwrap();
    let features: Vec<Value> = places
        .iter()
        .map(|p| {
            json!({ "type": "Feature", "properties": {},
            "geometry": { "type": "Point", "coordinates": [p["lon"], p["lat"]] } })
        })
        .collect();
    let at = room.path().join("at.geojson");
    fs::write(&at, json!({ "type": "FeatureCollection", "features": features }).to_string()).unwrap();
    for (i, by_sigma) in expected["kde"]["by_sigma"].as_array().unwrap().iter().enumerate() {
        let out = room.path().join(format!("out{i}"));
        let sigma = by_sigma["sigma_m"].to_string();
        let mut run = stakeline();
        run.args(["surface", "--sign"]).arg(folder.join("points.geojson")).args(["--bandwidth", &sigma]);
        run.args(["--epsg", epsg, "--at"]).arg(&at).arg("--out").arg(&out);
        let (status, _, err) = said(&mut run);
        assert_eq!(status, 0, "{err}");
        let ours = read_json(&out.join("activity-at.geojson"));
        let theirs = by_sigma["numpy_exact_edge_false"].as_array().unwrap();
        let features = ours["features"].as_array().unwrap();
        assert_eq!(features.len(), theirs.len());
        for (feature, exact) in features.iter().zip(theirs) {
            let per_m2 = number(feature, "/properties/density_per_km2") / 1e6;
            let exact = exact.as_f64().unwrap();
            let off = (per_m2 / exact - 1.0).abs();
            assert!(off < 1e-3, "{name}, sigma {sigma}: {per_m2} against {exact}");
        }
        let summary = read_json(&out.join("activity.json"));
        let share = number(&summary, "/integral") / number(&summary, "/sum_of_weights");
        assert!((share - 1.0).abs() < 0.01, "the grid holds {share} of the sign");
    }
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_tempe_crimes() {
    check("geodanet-tempe", "32612");
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_soho_deaths() {
    check("soho-snow", "32630");
}

#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_coyote_fixes() {
    check("idaho-coyote-5min", "32612");
}

/// Edge rules in an area with a corner cut out, against masses integrated along its sides with
/// scipy (`tests/golden/edge/edge.py`).
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_edge_corrected_densities_of_real_records() {
    let golden: Value = serde_json::from_str(include_str!("golden/edge/edge.json")).unwrap();
    for expected in golden["cases"].as_array().unwrap() {
        let name = expected["case"].as_str().unwrap();
        let folder = case(name);
        let places = read_json(&folder.join("expected.json"))["kde"]["locations"].clone();
        let room = tempfile::tempdir().unwrap();
        let point = |index: &Value| {
            let p = &places[index.as_u64().unwrap() as usize];
            json!({ "type": "Feature", "properties": {},
                "geometry": { "type": "Point", "coordinates": [p["lon"], p["lat"]] } })
        };
        let at: Vec<Value> = expected["locations"].as_array().unwrap().iter().map(point).collect();
        let area = json!({ "type": "Feature", "properties": {},
            "geometry": { "type": "Polygon", "coordinates": [expected["area"]] } });
        let write = |file: &str, features: Vec<Value>| {
            let path = room.path().join(file);
            fs::write(&path, json!({ "type": "FeatureCollection", "features": features }).to_string())
                .unwrap();
            path
        };
        let (at, area) = (write("at.geojson", at), write("area.geojson", vec![area]));
        for (edge, key) in [("uniform", "uniform_per_km2"), ("jones-diggle", "jones_diggle_per_km2")] {
            let out = room.path().join(edge);
            let mut run = stakeline();
            run.args(["surface", "--sign"]).arg(folder.join("points.geojson")).arg("--area").arg(&area);
            run.args(["--bandwidth", &expected["sigma_m"].to_string(), "--edge", edge]);
            run.args(["--epsg", &expected["epsg"].to_string(), "--at"]).arg(&at).arg("--out").arg(&out);
            let (status, _, err) = said(&mut run);
            assert_eq!(status, 0, "{err}");
            let summary = read_json(&out.join("activity.json"));
            assert_eq!(number(&summary, "/sum_of_weights"), number(expected, "/inside"));
            let ours = read_json(&out.join("activity-at.geojson"));
            for (theirs, feature) in
                expected[key].as_array().unwrap().iter().zip(ours["features"].as_array().unwrap())
            {
                let off = number(feature, "/properties/density_per_km2") / theirs.as_f64().unwrap() - 1.0;
                assert!(off.abs() < 0.005, "{name}, {edge}: {off:.1e} off");
            }
        }
    }
}
