//! GeoParquet, with the cargo feature `parquet`: files that geopandas wrote, in several systems
//! and compressions, against what geopandas says they hold (`tests/golden/parquet`).
#![cfg(feature = "parquet")]

use std::path::{Path, PathBuf};

use geo_types::Geometry;
use serde_json::Value;
use stakeline::files::{RawFeature, RawShape, ReadAs, ReadOptions, read_features};

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/parquet").join(name)
}

fn read(path: &Path, options: impl Into<ReadOptions>) -> Result<Vec<RawFeature>, String> {
    let mut found = Vec::new();
    read_features(path, path, options, &mut |raw| found.push(raw)).map_err(|e| e.to_string())?;
    Ok(found)
}

/// The expected features: a place, if any, and the properties that are not null.
fn expected() -> Vec<(Option<(f64, f64)>, Value)> {
    let text = std::fs::read_to_string(golden("expected.geojson")).unwrap();
    let features: Value = serde_json::from_str(&text).unwrap();
    let of = |feature: &Value| {
        let c = &feature["geometry"]["coordinates"];
        let mut properties = feature["properties"].clone();
        properties.as_object_mut().unwrap().retain(|_, value| !value.is_null());
        (c[0].as_f64().zip(c[1].as_f64()), properties)
    };
    features["features"].as_array().unwrap().iter().map(of).collect()
}

fn assert_same(found: &[RawFeature], tolerance_deg: f64, name: &str) {
    let expected = expected();
    assert_eq!(found.len(), expected.len(), "{name}");
    for (feature, (place, properties)) in found.iter().zip(&expected) {
        match (&feature.shape, place) {
            (RawShape::Shape(Geometry::Point(p)), Some((lon, lat))) => {
                let off = (p.x() - lon).abs().max((p.y() - lat).abs());
                assert!(off <= tolerance_deg, "{name}: {p:?}");
            }
            (RawShape::Null, None) => {}
            other => panic!("{name}: {other:?}"),
        }
        assert_eq!(&Value::Object(feature.properties.to_map()), properties, "{name}");
    }
}

#[test]
fn points_in_any_system_and_compression_are_what_geopandas_wrote() {
    assert_same(&read(&golden("points.parquet"), ReadAs::Points).unwrap(), 0.0, "snappy, WGS84");
    for name in ["mga-zstd.parquet", "mga-brotli.parquet"] {
        assert_same(&read(&golden(name), ReadAs::Points).unwrap(), 1e-9, name);
    }
}

#[test]
fn moments_in_utc_say_so() {
    let found = read(&golden("utc-nanoseconds.parquet"), ReadAs::Points).unwrap();
    assert_eq!(found[0].properties["seen_at"], "2026-05-31T06:30:00Z");
    assert_eq!(found[1].properties["seen_at"], "1969-12-31T23:59:59Z");
    assert!(!found[2].properties.contains_key("seen_at"));
}

#[test]
fn lines_are_read() {
    let found = read(&golden("lines.parquet"), ReadAs::Lines).unwrap();
    let RawShape::Shape(Geometry::LineString(line)) = &found[0].shape else { panic!("{found:?}") };
    assert_eq!(line.0.len(), 2);
    assert_eq!(found[0].properties["name"], "Creek Track");
}

#[test]
fn what_cannot_be_read_says_why() {
    for (name, words) in [
        ("nobody-knows.parquet", "does not say which coordinate system it is in"),
        ("native-points.parquet", "in the encoding \"point\", where well-known binary (WKB) is read"),
        ("no-shapes.parquet", "without the description \"geo\""),
    ] {
        let why = read(&golden(name), ReadAs::Points).unwrap_err();
        assert!(why.contains(words), "{name}: {why}");
    }
    let options = ReadOptions { epsg: Some(4326), ..ReadAs::Points.into() };
    assert_same(&read(&golden("nobody-knows.parquet"), options).unwrap(), 0.0, "system by the plan");
    let options = ReadOptions { layer: Some("place".into()), ..ReadAs::Points.into() };
    let why = read(&golden("points.parquet"), options).unwrap_err();
    assert!(why.contains("no column of shapes \"place\"; it has: geometry"), "{why}");
}

/// Cut at any place and with any byte turned over, the file is refused or read; nothing crashes.
#[test]
fn a_damaged_file_is_refused_with_a_reason() {
    let whole = std::fs::read(golden("points.parquet")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("damaged.parquet");
    let try_with = |bytes: &[u8]| {
        std::fs::write(&path, bytes).unwrap();
        read(&path, ReadAs::Points)
    };
    for end in (0..whole.len()).step_by(97) {
        assert!(try_with(&whole[..end]).is_err(), "cut at {end}");
    }
    let mut refused = 0;
    for at in (4..whole.len()).step_by(7) {
        let mut bytes = whole.clone();
        bytes[at] ^= 0xff;
        refused += usize::from(try_with(&bytes).is_err());
    }
    assert!(refused > 100, "{refused}");
}

#[test]
fn the_program_reads_it_as_sign() {
    let output = assert_cmd::Command::cargo_bin("stakeline")
        .unwrap()
        .args(["inspect", "--json", "--sign"])
        .arg(golden("points.parquet"))
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    let summary: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(summary["sign"]["records"], 2, "{summary}");
}
