//! Camera records over the nights that cameras stood, from a data package of our own making in the
//! form of Camtrap DP 1.0.

mod support;

use std::fmt::Write as _;
use std::fs;
use std::path::Path;

use serde_json::Value;
use stakeline::files::read_raster;
use stakeline::frame::LonLat;
use support::{json, number, said, stakeline};

/// Two cameras 5 km apart for 20 and 50 nights, with 5 and 1 foxes, dogs, and a duck at each;
/// and a third that saw nothing.
fn write_package(folder: &Path) {
    let put = |name: &str, text: &str| fs::write(folder.join(name), text).unwrap();
    put(
        "datapackage.json",
        r#"{"profile":"https://raw.githubusercontent.com/tdwg/camtrap-dp/1.0.1/camtrap-dp-profile.json","resources":[{"name":"deployments","path":"deployments.csv"},{"name":"observations","path":"observations.csv"}]}"#,
    );
    put(
        "deployments.csv",
        "deploymentID,locationName,latitude,longitude,deploymentStart,deploymentEnd\n\
         d1,Dam,-35.5,148.5,2026-05-01T10:00:00+10:00,2026-05-21T09:00:00+10:00\n\
         d2,Gate,-35.5,148.555,2026-05-01T10:00:00+10:00,2026-06-20T09:00:00+10:00\n\
         d3,Saddle,-35.47,148.53,2026-05-01T10:00:00+10:00,2026-05-31T09:00:00+10:00\n",
    );
    let mut rows =
        "observationID,deploymentID,eventStart,observationLevel,observationType,scientificName,count\n"
            .to_string();
    for (k, (deployment, animal)) in [
        ("d1", "Vulpes vulpes"),
        ("d1", "Vulpes vulpes"),
        ("d1", "Vulpes vulpes"),
        ("d1", "Vulpes vulpes"),
        ("d1", "Vulpes vulpes"),
        ("d2", "Vulpes vulpes"),
        ("d1", "Anas superciliosa"),
        ("d2", "Anas superciliosa"),
    ]
    .into_iter()
    .enumerate()
    {
        writeln!(rows, "o{k},{deployment},2026-05-{:02}T21:00:00+10:00,event,animal,{animal},1", k + 2)
            .unwrap();
    }
    put("observations.csv", &rows);
}

fn run(folder: &Path, flags: &[&str]) -> (String, Value) {
    let out = folder.join("out");
    let mut command = stakeline();
    command.arg("surface").arg("--sign").arg(folder).arg("--survey").arg(folder);
    command.args(["--animal", "fox", "--bandwidth", "300", "--force"]).args(flags).arg("--out").arg(&out);
    let (status, _, err) = said(&mut command);
    assert_eq!(status, 0, "{err}");
    (err, json(&out.join("activity.json"))["camera_rate"].clone())
}

#[test]
fn foxes_are_divided_by_the_nights_of_their_camera() {
    let folder = tempfile::tempdir().unwrap();
    write_package(folder.path());
    let (_, rate) = run(folder.path(), &[]);
    assert_eq!((number(&rate, "/nights"), number(&rate, "/sign_found")), (100.0, 6.0));
    assert_eq!(number(&rate, "/per_100_nights"), 6.0);
    // Exact 95 percent intervals of counts of 5, 1 and 0 (Garwood 1936; scipy 1.17.1).
    let cameras = rate["deployments"].as_array().unwrap();
    assert_eq!(cameras.len(), 3);
    for (name, nights, per_100, low, high) in [
        ("Dam", 20.0, 25.0, 1.6234863901184207, 11.66833207932267),
        ("Gate", 50.0, 2.0, 0.025317807984289876, 5.571643390938898),
        ("Saddle", 30.0, 0.0, 0.0, 3.6888794541139354),
    ] {
        let camera = cameras.iter().find(|camera| camera["name"] == name).unwrap();
        assert_eq!(number(camera, "/nights"), nights);
        assert_eq!(number(camera, "/per_100_nights"), per_100);
        assert!((number(camera, "/low") - 100.0 * low / nights).abs() < 1e-5, "{camera}");
        assert!((number(camera, "/high") - 100.0 * high / nights).abs() < 1e-5, "{camera}");
    }
    let tif = folder.path().join("out/camera-rate.tif");
    let raster = read_raster(&tif, &tif, None).unwrap();
    let at = |lon, lat| raster.nearest(LonLat::new(lon, lat).unwrap());
    // Other cameras are ten bandwidths off and more: at each stands its own rate.
    assert!((at(148.5, -35.5).unwrap() - 25.0).abs() < 1e-3);
    assert!((at(148.555, -35.5).unwrap() - 2.0).abs() < 1e-3);
    assert_eq!(at(148.5275, -35.5), None, "where no camera stood there is no rate");
}

#[test]
fn nights_and_records_are_those_of_the_days_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    write_package(folder.path());
    let (_, rate) = run(folder.path(), &["--from", "2026-05-04", "--to", "2026-05-13"]);
    let nights: Vec<f64> = (0..3).map(|k| number(&rate, &format!("/deployments/{k}/nights"))).collect();
    assert_eq!(nights, [10.0, 10.0, 10.0]);
    assert_eq!(number(&rate, "/sign_found"), 4.0);
}

#[test]
fn records_of_no_deployment_are_told() {
    let folder = tempfile::tempdir().unwrap();
    write_package(folder.path());
    let loose = r#"{"type":"FeatureCollection","features":[{"type":"Feature","properties":{"sign":"camera","animal":"fox"},"geometry":{"type":"Point","coordinates":[148.51,-35.49]}}]}"#;
    let file = folder.path().join("loose.geojson");
    fs::write(&file, loose).unwrap();
    let (err, rate) = run(folder.path(), &["--sign", &file.display().to_string()]);
    assert!(err.contains("1 record of sign \"camera\" of none of these deployments"), "{err}");
    assert_eq!(number(&rate, "/sign_found"), 6.0);
}

/// The example package of the standard (TDWG, CC0), as its real records came down to us: one
/// feature an observation. Its tables are made of them again, so that what is counted, where and
/// when can be held against what independent libraries found in the features.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_the_example_of_the_standard_is_counted_as_others_count_it() {
    let case = support::case("camtrapdp-example");
    let expected = json(&case.join("expected.json"));
    let points = json(&case.join("points.geojson"));
    let features = points["features"].as_array().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let mut observations =
        "observationID,deploymentID,eventStart,observationLevel,observationType,scientificName,count\n"
            .to_string();
    let mut deployments = std::collections::BTreeMap::new();
    for feature in features {
        let p = &feature["properties"];
        let text = |name: &str| p[name].as_str().unwrap_or_default();
        let at = &feature["geometry"]["coordinates"];
        writeln!(
            observations,
            "{},{},{},event,{},{},{}",
            feature["id"].as_str().unwrap(),
            text("deployment"),
            text("start"),
            text("type"),
            text("species"),
            p["count"]
        )
        .unwrap();
        let row = format!("{},{},{}", at[1], at[0], p["coordinateUncertainty_m"]);
        deployments.insert(text("deployment").to_string(), row);
    }
    let mut table =
        "deploymentID,latitude,longitude,coordinateUncertainty,deploymentStart,deploymentEnd\n".to_string();
    for (id, row) in &deployments {
        writeln!(table, "{id},{row},2020-05-30T00:00:00Z,2021-04-19T00:00:00Z").unwrap();
    }
    write_package(folder.path());
    fs::write(folder.path().join("observations.csv"), observations).unwrap();
    fs::write(folder.path().join("deployments.csv"), table).unwrap();

    let mut command = stakeline();
    // Its cameras stand in places 145 km apart, and it has no lines and no area that say it is meant.
    let plan = folder.path().join("plan.toml");
    fs::write(&plan, "[select]\nfar_records = true\n").unwrap();
    command.arg("inspect").arg(&plan).args(["--json", "--sign"]).arg(folder.path());
    command.arg("--survey").arg(folder.path());
    let (status, out, err) = said(&mut command);
    assert_eq!(status, 0, "{err}");
    let found: Value = serde_json::from_str(&out).unwrap();
    let animals = features.iter().filter(|f| f["properties"]["type"] == "animal").count();
    assert_eq!(features.len() as f64, number(&expected, "/n"));
    assert_eq!(number(&found, "/sign/records"), animals as f64);
    assert_eq!(found["cameras"]["deployments"], expected["n_locations"]);
    assert_eq!(number(&found, "/cameras/nights"), 324.0 * deployments.len() as f64);
    assert!(expected["first"].as_str().unwrap().starts_with(found["sign"]["first_day"].as_str().unwrap()));
    assert!(err.contains("observations that are no animals and were left out"), "{err}");
    // The fox among them, and the ducks.
    assert_eq!(found["sign"]["animals"]["fox"], expected["by_species"]["Vulpes vulpes"]);
    assert_eq!(
        found["sign"]["animals"]["anas platyrhynchos"], expected["by_species"]["Anas platyrhynchos"],
        "{found}"
    );
}
