//! Activity surfaces of real open data against densities computed by independent
//! libraries (numpy and spatstat; see the cases' own expected.json).

mod support;

use std::fs;

use serde_json::{Value, json};
use support::{case, json as read_json, number, said, stakeline};

/// Runs `surface --at` at the places of a case and compares, for every bandwidth there.
fn check(name: &str, epsg: &str) {
    let Some(folder) = case(name) else { return };
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
fn tempe_crimes() {
    check("geodanet-tempe", "32612");
}

#[test]
fn soho_deaths() {
    check("soho-snow", "32630");
}

#[test]
fn coyote_fixes() {
    check("idaho-coyote-5min", "32612");
}
