//! `terrain` as a command, and ridges and creeks from heights in the steps that use lines.

mod support;

use std::fs::{self, File};
use std::path::Path;

use serde_json::{Value, json};
use stakeline::files::write::{Raster, write_geotiff};
use stakeline::frame::{Frame, GroundPoint};
use support::{json as read, said, stakeline};

const ROWS: usize = 101;
const COLUMNS: usize = 121;
const CELL_M: f64 = 10.0;
const WEST_M: f64 = 600_000.0;
const NORTH_M: f64 = 6_100_000.0;

/// A ridge from north to south with a saddle in its middle, in MGA zone 55 terms.
fn write_heights(path: &Path) {
    let height = |row: usize, column: usize| {
        let along = (row as f64 - 50.0) / 50.0;
        let crest = 200.0 - 60.0 * (1.0 - along * along);
        (crest - 2.0 * (column as f64 - 60.0).abs() - 0.05 * row as f64) as f32
    };
    let values: Vec<f32> = (0..ROWS * COLUMNS).map(|i| height(i / COLUMNS, i % COLUMNS)).collect();
    let raster = Raster {
        west_m: WEST_M,
        north_m: NORTH_M,
        cell_m: CELL_M,
        columns: COLUMNS,
        rows: ROWS,
        values: &values,
        epsg: 32755,
        description: "height",
        unit: "metre",
    };
    write_geotiff(File::create(path).unwrap(), &raster).unwrap();
}

/// A track from west to east over the middle of the ridge.
fn write_track(path: &Path) {
    let frame = Frame::from_epsg(32755).unwrap();
    let at = |x_m: f64| {
        let p = frame.to_lonlat(GroundPoint::new(x_m, NORTH_M - 515.0)).unwrap();
        json!([p.lon_deg(), p.lat_deg()])
    };
    let line = json!({"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {},
        "geometry": {"type": "LineString", "coordinates": [at(WEST_M + 300.0), at(WEST_M + 900.0)]}}]});
    fs::write(path, line.to_string()).unwrap();
}

fn kinds(collection: &Value) -> Vec<String> {
    let features = collection["features"].as_array().unwrap();
    features.iter().map(|f| f["properties"]["kind"].as_str().unwrap().to_string()).collect()
}

#[test]
fn terrain_writes_its_layers_and_the_same_again() {
    let folder = tempfile::tempdir().unwrap();
    write_heights(&folder.path().join("heights.tif"));
    let run = |out: &str, threads: &str| {
        let (status, told, errors) = said(stakeline().current_dir(folder.path()).args([
            "--threads",
            threads,
            "terrain",
            "--dem",
            "heights.tif",
            "--ridge",
            "2",
            "--creek",
            "2",
            "--out",
            out,
        ]));
        assert_eq!(status, 0, "{errors}");
        assert!(told.contains("ridges (") && told.contains("1 saddles"), "{told}");
    };
    let started = std::time::Instant::now();
    run("one", "1");
    let took_s = started.elapsed().as_secs_f64();
    run("two", "2");
    let [one, two] = ["one", "two"].map(|name| folder.path().join(name));
    for name in ["ridges.geojson", "creeks.geojson", "saddles.geojson", "slope.tif"] {
        assert_eq!(fs::read(one.join(name)).unwrap(), fs::read(two.join(name)).unwrap(), "{name}");
    }
    assert!(kinds(&read(&one.join("ridges.geojson"))).iter().all(|kind| kind == "ridge"));
    assert_eq!(kinds(&read(&one.join("saddles.geojson"))), ["saddle"]);
    let summary = read(&one.join("terrain.json"));
    assert_eq!(summary["cell_m"], 10.0);
    assert_eq!(summary["resampled"], false);
    assert_eq!(summary["saddles"], 1);
    let told_s = summary["seconds"]["terrain"].as_f64().unwrap();
    assert!(0.0 < told_s && told_s < took_s, "{told_s} s of {took_s} s");
}

#[test]
fn ridges_from_heights_join_the_network_where_none_are_digitised() {
    let folder = tempfile::tempdir().unwrap();
    write_heights(&folder.path().join("heights.tif"));
    write_track(&folder.path().join("track.geojson"));
    fs::write(folder.path().join("plan.toml"), "[terrain]\nridge_ha = 2\n").unwrap();
    let nodes = |extra: &[&str], out: &str| {
        let mut command = stakeline();
        command.current_dir(folder.path()).args(["nodes", "plan.toml", "--line", "track=track.geojson"]);
        command.args(extra);
        let (status, _, errors) = said(command.args(["--out", out]));
        assert_eq!(status, 0, "{errors}");
        kinds(&read(&folder.path().join(out).join("network.geojson")))
    };
    assert!(!nodes(&[], "bare").contains(&"ridge".to_string()));
    let with = nodes(&["--dem", "heights.tif"], "with");
    assert!(with.contains(&"ridge".to_string()), "{with:?}");
    // The track is cut where the crest crosses it.
    assert_eq!(with.iter().filter(|kind| *kind == "track").count(), 2, "{with:?}");
    let nodes_of = read(&folder.path().join("with/nodes.geojson"));
    let crossings = nodes_of["features"].as_array().unwrap().iter();
    assert_eq!(crossings.filter(|n| n["properties"]["node_kind"] == "crossing").count(), 1);
}

#[test]
fn a_plan_that_names_heights_runs_with_them() {
    let folder = tempfile::tempdir().unwrap();
    write_heights(&folder.path().join("heights.tif"));
    write_track(&folder.path().join("track.geojson"));
    let frame = Frame::from_epsg(32755).unwrap();
    let sign: Vec<Value> = (0..6)
        .map(|i| {
            let p = frame.to_lonlat(GroundPoint::new(WEST_M + 400.0 + 70.0 * f64::from(i), NORTH_M - 513.0)).unwrap();
            json!({"type": "Feature", "properties": {}, "geometry": {"type": "Point", "coordinates": [p.lon_deg(), p.lat_deg()]}})
        })
        .collect();
    let collection = json!({"type": "FeatureCollection", "features": sign});
    fs::write(folder.path().join("sign.geojson"), collection.to_string()).unwrap();
    let plan = "[[sign]]\nfile = \"sign.geojson\"\n[[line]]\nkind = \"track\"\nfile = \"track.geojson\"\n\
                [terrain]\ndem = \"heights.tif\"\nridge_ha = 2\n[surface]\nbandwidth = 150\n[sites]\nspacing_m = 200\n";
    fs::write(folder.path().join("plan.toml"), plan).unwrap();
    let (status, _, errors) =
        said(stakeline().current_dir(folder.path()).args(["run", "plan.toml", "--out", "out"]));
    assert_eq!(status, 0, "{errors}");
    let out = folder.path().join("out");
    assert_eq!(read(&out.join("terrain.json"))["lines_lent"], json!(["ridge", "creek"]));
    assert!(kinds(&read(&out.join("network.geojson"))).contains(&"ridge".to_string()));
    let inputs = &read(&out.join("sites.geojson"))["stakeline"]["inputs"];
    assert!(inputs.as_array().unwrap().iter().any(|i| i["role"] == "dem"), "{inputs}");
}

#[test]
fn heights_that_cannot_be_used_are_told_by_name() {
    let folder = tempfile::tempdir().unwrap();
    fs::write(folder.path().join("heights.tif"), "no raster").unwrap();
    write_track(&folder.path().join("track.geojson"));
    let run = |args: &[&str]| said(stakeline().current_dir(folder.path()).args(args));
    let (status, _, errors) = run(&["terrain", "--dem", "heights.tif", "--out", "out"]);
    assert_eq!(status, 1);
    assert!(errors.contains("heights.tif: is no GeoTIFF"), "{errors}");
    let (status, _, errors) = run(&["terrain", "--line", "track=track.geojson", "--out", "out"]);
    assert_eq!(status, 2);
    assert!(errors.contains("terrain.dem") && errors.contains("--dem"), "{errors}");
    assert!(!folder.path().join("out").exists());
}
