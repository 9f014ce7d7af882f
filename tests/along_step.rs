//! The step `surface --along-lines` as a user meets it, on the sample property.

mod support;

use std::path::Path;

use serde_json::Value;
use stakeline::frame::{LonLat, distance_m};
use support::{json, number, said, stakeline};

const PLAN: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/data-samples/plan.toml");

fn run(out: &Path, flags: &[&str]) -> (i32, String, String) {
    said(stakeline().args(["surface", PLAN, "--along-lines", "--out"]).arg(out).args(flags))
}

fn features(folder: &Path, name: &str) -> Vec<Value> {
    json(&folder.join(name))["features"].as_array().unwrap().clone()
}

/// The mass is the sum of weights; unsearched line is null; the home stretch, which is
/// driven most, is densest of all and gives less per km searched than the mean.
#[test]
fn the_home_stretch_is_dense_only_because_everybody_drives_there() {
    let folder = tempfile::tempdir().unwrap();
    let (status, text, errors) = run(folder.path(), &["--bandwidth", "250"]);
    assert_eq!(status, 0, "{errors}");
    assert!(text.contains("below the mean"), "{text}");
    let summary = json(&folder.path().join("activity-lines.json"));
    let weights = number(&summary, "/sum_of_weights");
    assert!((number(&summary, "/integral") / weights - 1.0).abs() < 1e-9);
    let pieces = features(folder.path(), "activity-lines.geojson");
    let sum: f64 = pieces
        .iter()
        .map(|piece| {
            number(piece, "/properties/density_per_km") * number(piece, "/properties/length_m") / 1000.0
        })
        .sum();
    // Lengths are written to the centimetre.
    assert!((sum / weights - 1.0).abs() < 1e-3, "{sum} {weights}");
    let mean = number(&summary, "/survey/rate_per_km_searched");
    let densest = pieces
        .iter()
        .max_by(|p, q| {
            number(p, "/properties/density_per_km").total_cmp(&number(q, "/properties/density_per_km"))
        })
        .unwrap();
    assert!(number(densest, "/properties/rate_high") < mean, "{}", densest["properties"]);
    let mut unsearched = 0;
    for piece in pieces.iter().map(|piece| &piece["properties"]) {
        let rate = &piece["rate_per_km_searched"];
        if piece["searched_km"] == 0.0 {
            unsearched += 1;
            assert!(rate.is_null() && piece["shrunken_rate"].is_null(), "{piece}");
        } else if !rate.is_null() {
            let (low, rate, high) =
                (number(piece, "/rate_low"), rate.as_f64().unwrap(), number(piece, "/rate_high"));
            assert!(low <= rate && rate <= high, "{piece}");
        }
    }
    assert!(unsearched > 20, "{unsearched}");
    let km = |key: &str| number(&summary, &format!("/survey/{key}"));
    assert!((0.97..1.03).contains(&(km("matched_km") / km("raw_km"))));
}

#[test]
fn the_number_of_threads_does_not_show() {
    let folders = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    for (folder, threads) in folders.iter().zip(["1", "3"]) {
        let (status, _, errors) = run(folder.path(), &["--threads", threads]);
        assert_eq!(status, 0, "{errors}");
    }
    let bytes = folders.map(|folder| std::fs::read(folder.path().join("activity-lines.geojson")).unwrap());
    assert!(bytes[0] == bytes[1]);
}

#[test]
fn points_are_told_the_activity_on_their_line() {
    let folder = tempfile::tempdir().unwrap();
    let first = run(&folder.path().join("first"), &["--bandwidth", "250", "--piece", "40"]);
    assert_eq!(first.0, 0, "{}", first.2);
    // A vertex in the middle of a searched piece, and a place far from every line.
    let pieces = features(&folder.path().join("first"), "activity-lines.geojson");
    let piece = pieces.iter().find(|piece| number(piece, "/properties/searched_km") > 1.0).unwrap();
    let at = piece["geometry"]["coordinates"][0].clone();
    let points = serde_json::json!({ "type": "FeatureCollection", "features": [
        { "type": "Feature", "id": "near", "properties": { "mine": 7 },
          "geometry": { "type": "Point", "coordinates": at } },
        { "type": "Feature", "id": "far", "properties": {},
          "geometry": { "type": "Point", "coordinates": [at[0].as_f64().unwrap() + 0.3, at[1]] } },
    ]});
    let file = folder.path().join("points.geojson");
    std::fs::write(&file, points.to_string()).unwrap();
    let out = folder.path().join("second");
    let second = run(&out, &["--bandwidth", "250", "--edge", "none", "--at", file.to_str().unwrap()]);
    assert_eq!(second.0, 0, "{}", second.2);
    let told = features(&out, "activity-at.geojson");
    assert_eq!(told[0]["properties"]["mine"], 7);
    assert!(number(&told[0], "/properties/rate_per_km_searched") > 0.0, "{}", told[0]);
    let density = number(&told[0], "/properties/density_per_km");
    let beside = number(piece, "/properties/density_per_km");
    assert!((density / beside - 1.0).abs() < 0.1, "{density} {beside}");
    assert!(told[1]["properties"]["density_per_km"].is_null());
    assert!(told[1]["properties"]["density_per_km2"].is_number());
}

#[test]
fn what_cannot_be_done_is_said_with_what_can() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let sign = concat!(env!("CARGO_MANIFEST_DIR"), "/data-samples/sign.geojson");
    let (status, _, errors) =
        said(stakeline().args(["surface", "--sign", sign, "--along-lines", "--out"]).arg(&out));
    assert_eq!(status, 1, "{errors}");
    assert!(errors.contains("no usable line"), "{errors}");
    assert!(!out.exists(), "nothing half-written");
}

/// A real recorded ride, and the road under it as other people drew it over a street map
/// (`golden/real_leg`). It is matched to the length of the road between its ends, recomputed here
/// on the ellipsoid; where half of the road is missing, that is told.
#[test]
fn a_real_leg_is_told_matched_recorded_and_off_the_lines() {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/real_leg");
    let track = golden.join("track.geojson");
    let positions = |file: &Path| -> Vec<[f64; 2]> {
        serde_json::from_value(json(file)["features"][0]["geometry"]["coordinates"].clone()).unwrap()
    };
    let (fixes, road) = (positions(&track), positions(&golden.join("road.geojson")));
    let truth_km = (chainage_m(&road, fixes[227]) - chainage_m(&road, fixes[0])) / 1000.0;
    let folder = tempfile::tempdir().unwrap();
    let write = |name: &str, geometry: Value| {
        let all = serde_json::json!({ "type": "FeatureCollection", "features": [
            { "type": "Feature", "properties": {}, "geometry": geometry } ] });
        let file = folder.path().join(name);
        std::fs::write(&file, all.to_string()).unwrap();
        file
    };
    let sign = serde_json::json!({ "type": "MultiPoint", "coordinates": [fixes[10], fixes[40]] });
    let sign = write("sign.geojson", sign);
    for (vertices, doubtful) in [(19, 0.0), (8, 1.0)] {
        let line = serde_json::json!({ "type": "LineString", "coordinates": road[..vertices] });
        let line = write("line.geojson", line);
        let out = folder.path().join(format!("out{vertices}"));
        let (status, _, errors) = said(
            stakeline()
                .args(["surface", "--along-lines", "--bandwidth", "200", "--sign"])
                .arg(&sign)
                .arg("--line")
                .arg(format!("track={}", line.display()))
                .arg("--survey")
                .arg(&track)
                .arg("--out")
                .arg(&out),
        );
        assert_eq!(status, 0, "{errors}");
        let summary = json(&out.join("activity-lines.json"));
        let km = |key: &str| number(&summary, &format!("/survey/{key}"));
        let (matched, raw, off) = (km("matched_km"), km("raw_km"), km("off_network_km"));
        println!("matched {matched} km of {raw}, {off} km off, the road {truth_km:.3} km, {errors}");
        assert_eq!(km("doubtful_legs"), doubtful, "{errors}");
        assert_eq!(errors.contains("is a line missing?"), doubtful > 0.0, "{errors}");
        assert_eq!((0.75..=1.02).contains(&(matched / raw)), doubtful == 0.0, "{matched} {raw}");
        assert!(((matched + off) / truth_km - 1.0).abs() < 0.01, "{matched} {off} {truth_km}");
        let expected_km = if doubtful > 0.0 { chainage_m(&road, road[7]) / 1000.0 } else { truth_km };
        assert!((matched / expected_km - 1.0).abs() < 0.03, "{matched} {expected_km}");
    }
}

/// Metres along a way, on the ellipsoid, to the place nearest to a position.
fn chainage_m(way: &[[f64; 2]], to: [f64; 2]) -> f64 {
    let at = |p: [f64; 2]| LonLat::new(p[0], p[1]).unwrap();
    let (mut best, mut before_m) = ((f64::INFINITY, 0.0), 0.0);
    for pair in way.windows(2) {
        let step_m = distance_m(at(pair[0]), at(pair[1]));
        for share in (0..=1000).map(|part| f64::from(part) / 1000.0) {
            let mixed = [0, 1].map(|axis| pair[0][axis] + share * (pair[1][axis] - pair[0][axis]));
            let away_m = distance_m(at(mixed), at(to));
            if away_m < best.0 {
                best = (away_m, before_m + share * step_m);
            }
        }
        before_m += step_m;
    }
    best.1
}

/// Equal splits at a bandwidth at which single walks would explode keep their mass.
#[test]
fn wide_equal_splits_are_done_as_waves() {
    let folder = tempfile::tempdir().unwrap();
    let (status, _, errors) = run(folder.path(), &["--kernel", "quartic", "--bandwidth", "5000"]);
    assert_eq!(status, 0, "{errors}");
    let summary = json(&folder.path().join("activity-lines.json"));
    let (integral, weights) = (number(&summary, "/integral"), number(&summary, "/sum_of_weights"));
    assert!((integral / weights - 1.0).abs() < 1e-6, "{integral} {weights}");
    assert_eq!(number(&summary, "/error_bound/of_greatest_density"), 3e-5);
}

#[test]
fn discontinuous_splits_say_what_they_lose() {
    let folder = tempfile::tempdir().unwrap();
    let flags = ["--kernel", "epanechnikov", "--split", "discontinuous", "--bandwidth", "150"];
    let (status, _, errors) = run(folder.path(), &flags);
    assert_eq!(status, 0, "{errors}");
    let summary = json(&folder.path().join("activity-lines.json"));
    let (lost, weights) = (number(&summary, "/lost_at_dead_ends"), number(&summary, "/sum_of_weights"));
    assert!(lost > 0.0 && lost < 0.1 * weights, "{lost}");
    assert!((number(&summary, "/integral") + lost - weights).abs() < 1e-6);
}

/// The rate in the plane rests on the same sign and legs as the one along lines.
#[test]
fn the_rate_in_the_plane_agrees_over_all() {
    let folder = tempfile::tempdir().unwrap();
    let (status, _, errors) = run(folder.path(), &["--bandwidth", "250"]);
    assert_eq!(status, 0, "{errors}");
    assert!(folder.path().join("rate.tif").exists());
    let plane = number(&json(&folder.path().join("activity.json")), "/rate/per_km_searched");
    let lines = number(&json(&folder.path().join("activity-lines.json")), "/survey/rate_per_km_searched");
    assert!((plane / lines - 1.0).abs() < 0.05, "{plane} {lines}");
}

/// Seasons along lines: a ratio only where both seasons searched, a p only where there is a
/// ratio.
#[test]
fn seasons_are_compared_along_lines() {
    let folder = tempfile::tempdir().unwrap();
    let (status, text, errors) = said(
        stakeline()
            .args(["compare", PLAN, "--along-lines", "--bandwidth", "400", "--runs", "99", "--out"])
            .arg(folder.path()),
    );
    assert_eq!(status, 0, "{errors}");
    assert!(text.contains("along lines:"), "{text}");
    let mut tested = 0;
    for piece in features(folder.path(), "change-lines.geojson").iter().map(|piece| &piece["properties"]) {
        let unsearched = piece["searched_km_before"] == 0.0 || piece["searched_km_after"] == 0.0;
        assert!(piece["log_ratio"].is_null() || !unsearched, "{piece}");
        assert!(piece["p"].is_null() || !piece["log_ratio"].is_null(), "{piece}");
        if !piece["p"].is_null() {
            tested += 1;
            let p = (number(piece, "/p"), number(piece, "/p_max"));
            assert!(p.0 > 0.0 && p.0 <= 1.0 && p.1 > 0.0 && p.1 <= 1.0, "{piece}");
        }
    }
    let summary = json(&folder.path().join("compare.json"));
    assert_eq!(number(&summary, "/along_lines/tested"), f64::from(tested));
    assert!(tested > 100, "{tested}");
}

/// Sites go by the rate where somebody searched and by density elsewhere, and each says which: one
/// by density has no leg near it, one by the rate has.
#[test]
fn sites_say_whether_they_go_by_rate_or_density() {
    let folder = tempfile::tempdir().unwrap();
    let sample = |name: &str| format!("{}/data-samples/{name}", env!("CARGO_MANIFEST_DIR"));
    let line = format!("track={}", sample("tracks.geojson"));
    let sites = |name: &str, survey: &[&str]| {
        let out = folder.path().join(name);
        let mut command = stakeline();
        command.args(["sites", "--spacing", "1000", "--line", &line, "--sign", &sample("sign.geojson")]);
        let (status, _, errors) = said(command.args(survey).arg("--out").arg(&out));
        assert_eq!(status, 0, "{errors}");
        features(&out, "sites.geojson")
    };
    let survey = sample("survey.geojson");
    let legs: Vec<LonLat> = json(Path::new(&survey))["features"]
        .as_array()
        .unwrap()
        .iter()
        .flat_map(|leg| leg["geometry"]["coordinates"].as_array().unwrap().clone())
        .map(|c| LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap())
        .collect();
    let mut by = [0, 0];
    for site in sites("with", &["--survey", &survey]) {
        let c = &site["geometry"]["coordinates"];
        let at = LonLat::new(c[0].as_f64().unwrap(), c[1].as_f64().unwrap()).unwrap();
        let nearest_m = legs.iter().map(|&leg| distance_m(at, leg)).fold(f64::INFINITY, f64::min);
        match site["properties"]["parts"]["activity"]["by"].as_str() {
            Some("rate") => {
                by[0] += 1;
                assert!(nearest_m < 100.0, "{nearest_m} m from every leg: {site}");
            }
            Some("density") => {
                by[1] += 1;
                assert!(nearest_m > 100.0, "{nearest_m} m from a leg: {site}");
            }
            other => panic!("{other:?}: {site}"),
        }
    }
    assert!(by[0] > by[1] && by[1] > 0, "{by:?}");
    for site in sites("without", &[]) {
        assert_eq!(site["properties"]["parts"]["activity"]["unit"], "sign per square kilometre");
    }
}

/// A rate far from all sign is a tiny weighted sum; the quantile of its interval must end there too, at
/// whatever bandwidth. One square of tracks, each side walked once.
#[test]
fn intervals_far_from_all_sign_end() {
    let folder = tempfile::tempdir().unwrap();
    let corners = [[147.6455, -33.4377], [147.6562, -33.4377], [147.6562, -33.4286], [147.6455, -33.4286]];
    let side = |k: usize| {
        let (from, to) = (corners[k], corners[(k + 1) % 4]);
        serde_json::json!({"type": "Feature", "properties": {"date": "2025-03-03", "survey": "a"},
                           "geometry": {"type": "LineString", "coordinates": [from, to]}})
    };
    let found = |lon: f64, lat: f64| {
        serde_json::json!({"type": "Feature", "properties": {"sign": "scat", "date": "2025-03-03", "survey": "a"},
                           "geometry": {"type": "Point", "coordinates": [lon, lat]}})
    };
    let put = |name: &str, features: Vec<Value>| {
        let all = serde_json::json!({"type": "FeatureCollection", "features": features});
        std::fs::write(folder.path().join(name), all.to_string()).unwrap();
    };
    put("lines.geojson", (0..4).map(side).collect());
    put(
        "sign.geojson",
        vec![found(147.6476, -33.4377), found(147.6487, -33.4377), found(147.6455, -33.4339)],
    );
    for bandwidth in ["20", "60", "61", "140"] {
        let out = format!("out-{bandwidth}");
        let mut run = stakeline();
        run.current_dir(folder.path()).args(["surface", "--along-lines", "--sign", "sign.geojson"]);
        run.args(["--survey", "lines.geojson", "--line", "track=lines.geojson", "--bandwidth", bandwidth]);
        let (status, _, errors) = said(run.args(["--out", &out]));
        assert_eq!(status, 0, "{errors}");
        for piece in features(&folder.path().join(&out), "activity-lines.geojson") {
            let piece = &piece["properties"];
            let (low, high) = (number(piece, "/rate_low"), number(piece, "/rate_high"));
            assert!(0.0 <= low && low < high && high.is_finite(), "{piece}");
        }
    }
}
