//! One GeoPackage and one KML with all layers of a run. GDAL and SQLite read the files that
//! this code writes, and `tests/golden/also/compare.py` compared them feature by feature with
//! the GeoJSON layers (`compared.json` beside it holds the result, the versions and the hashes
//! of the files). Here the same files are made again and must be those compared.

mod support;

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::{Value, json};
use sha2::{Digest, Sha256};
use stakeline::files::{OutputSet, RawFeature, RawShape, ReadAs, ReadOptions, read_features};
use stakeline::plan::{AlsoFormat, Plan};

fn golden(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/also").join(name)
}

fn collection(features: &[Value]) -> String {
    let lines: Vec<String> = features.iter().map(Value::to_string).collect();
    format!("{{\"type\":\"FeatureCollection\",\"features\":[\n{}\n]}}\n", lines.join(",\n"))
}

/// Enough points for several levels of pages, with texts that spill over a page.
fn marks() -> String {
    let feature = |i: u32| {
        let note =
            if i.is_multiple_of(700) { "long ".repeat(3000) } else { format!("Wombat’s & <gate> {i}") };
        let count = if i.is_multiple_of(3) { json!(null) } else { json!(f64::from(i) / 4.0) };
        json!({"type": "Feature", "id": format!("m-{i}"),
            "properties": {"name": format!("mark {i}"), "rank": i, "count": count, "open": i.is_multiple_of(2), "note": note,
                "parts": {"a": i}, "ID": "own", "mixed": if i.is_multiple_of(2) { json!(i) } else { json!("text") }},
            "geometry": {"type": "Point", "coordinates": [f64::from(1_480_000 + i) / 1e4, -f64::from(35_000 + i % 97) / 1e3]}})
    };
    collection(&(0..12_000).map(feature).collect::<Vec<_>>())
}

fn shapes() -> String {
    let ring = json!([[148.0, -35.0], [148.2, -35.0], [148.2, -34.8], [148.0, -34.8], [148.0, -35.0]]);
    let hole =
        json!([[148.05, -34.95], [148.05, -34.85], [148.15, -34.85], [148.15, -34.95], [148.05, -34.95]]);
    let line = json!([[148.1234567, -35.7654321], [148.2, -35.1], [149.0, -35.0]]);
    let kinds = [
        ("Point", json!([148.1, -35.1])),
        ("LineString", line.clone()),
        ("Polygon", json!([ring, hole])),
        ("MultiPoint", json!([[148.1, -35.1], [148.2, -35.2]])),
        ("MultiLineString", json!([line, [[1.0, 2.0], [3.0, 4.0]]])),
        ("MultiPolygon", json!([[ring, hole], [[[10.0, 10.0], [11.0, 10.0], [11.0, 11.0], [10.0, 10.0]]]])),
    ];
    let features = kinds.map(|(kind, coordinates)| {
        json!({"type": "Feature", "id": kind, "properties": {"kind": kind},
            "geometry": {"type": kind, "coordinates": coordinates}})
    });
    collection(&features)
}

/// The two layers and the two files made of them, in a folder.
fn made(folder: &Path) -> PathBuf {
    let out = folder.join("out");
    let mut set = OutputSet::begin(&out, false).unwrap();
    for (name, text) in [("marks.geojson", marks()), ("shapes.geojson", shapes())] {
        set.write(name, |file| file.write_all(text.as_bytes())).unwrap();
    }
    let plan = Plan { also: vec![AlsoFormat::Kml, AlsoFormat::Gpkg], ..Plan::default() };
    stakeline::steps::also(&plan, &mut set).unwrap();
    set.commit().unwrap();
    out
}

#[test]
#[ignore = "writes the files to compare into $ALSO_OUT; run compare.py on them afterwards"]
fn write_the_files_to_compare() {
    let out = made(Path::new(&std::env::var("ALSO_OUT").unwrap()));
    println!("{}", out.display());
}

#[test]
fn the_files_are_those_that_gdal_read() {
    let folder = tempfile::tempdir().unwrap();
    let out = made(folder.path());
    let compared = support::json(&golden("compared.json"));
    for name in ["layers.gpkg", "layers.kml"] {
        let bytes = std::fs::read(out.join(name)).unwrap();
        let hash: String = Sha256::digest(&bytes).iter().map(|b| format!("{b:02x}")).collect();
        assert_eq!(compared["sha256"][name], hash.as_str(), "{name}: compare it again with compare.py");
    }
    assert_eq!(compared["differences"], json!([]));
    assert_eq!(compared["integrity_check"], "ok");
    assert_eq!(compared["features_compared"]["gpkg"], 12_006);
    assert_eq!(compared["features_compared"]["kml"], 12_006);
}

fn read(path: &Path, layer: Option<&str>) -> Vec<RawFeature> {
    let options = ReadOptions { layer: layer.map(str::to_string), ..ReadOptions::from(ReadAs::Points) };
    let mut found = Vec::new();
    read_features(path, path, options, &mut |raw| found.push(raw)).unwrap();
    found
}

/// Our own readers give back what was written: every layer, shape and property.
#[test]
fn what_is_written_is_read_back() {
    let folder = tempfile::tempdir().unwrap();
    let out = made(folder.path());
    let kml = read(&out.join("layers.kml"), None);
    for layer in ["marks", "shapes"] {
        let written = read(&out.join(format!("{layer}.geojson")), None);
        let package = read(&out.join("layers.gpkg"), Some(layer));
        let inside = |f: &&RawFeature| f.properties.get("folder") == Some(&layer.into());
        let folder: Vec<&RawFeature> = kml.iter().filter(inside).collect();
        assert_eq!((written.len(), written.len()), (package.len(), folder.len()), "{layer}");
        for ((ours, row), mark) in written.iter().zip(&package).zip(folder) {
            assert!(matches!(ours.shape, RawShape::Shape(_)));
            assert_eq!((&ours.shape, &ours.shape), (&row.shape, &mark.shape));
            assert_eq!(row.properties["id"].as_str(), ours.source.id.as_deref());
            for key in ["name", "note", "kind"].into_iter().filter(|key| ours.properties.contains_key(key)) {
                assert_eq!(row.properties[key], ours.properties[key]);
                assert_eq!(
                    mark.properties[key].as_str().unwrap(),
                    ours.properties[key].as_str().unwrap().trim()
                );
            }
            for key in ["rank", "count"] {
                let number = |f: &RawFeature| f.properties.get(key).and_then(Value::as_f64);
                assert_eq!(number(row), number(ours));
            }
        }
    }
}

/// Whatever is cut off or turned over in a GeoPackage, it gives features or a reason.
#[test]
fn damaged_packages_are_refused_with_a_reason() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("out");
    let mut set = OutputSet::begin(&out, false).unwrap();
    set.write("shapes.geojson", |file| file.write_all(shapes().as_bytes())).unwrap();
    stakeline::steps::also(&Plan { also: vec![AlsoFormat::Gpkg], ..Plan::default() }, &mut set).unwrap();
    set.commit().unwrap();
    let whole = std::fs::read(out.join("layers.gpkg")).unwrap();
    let path = folder.path().join("damaged.gpkg");
    let mut reasons = 0;
    let mut try_it = |bytes: &[u8]| {
        std::fs::write(&path, bytes).unwrap();
        let read = read_features(&path, &path, ReadAs::Points, &mut |_| ());
        reasons += usize::from(read.is_err_and(|why| why.to_string().len() > 30));
    };
    for end in (0..whole.len()).step_by(whole.len() / 60) {
        try_it(&whole[..end]);
    }
    for at in (0..whole.len()).step_by(61).filter(|at| whole[*at] != 0) {
        let mut turned = whole.clone();
        turned[at] ^= 0xff;
        try_it(&turned);
    }
    assert!(reasons > 50, "{reasons}");
}
