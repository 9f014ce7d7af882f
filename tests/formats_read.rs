//! Files as people have them: the format told by content, separators, line ends, decimal
//! commas, coordinate systems, several files to a layer, damaged files.

mod support;

use std::path::{Path, PathBuf};

use geo_types::{Geometry, Point};
use serde_json::Value;
use stakeline::files::{RawFeature, RawShape, ReadAs, ReadOptions, ReadReport, read_features};
use stakeline::frame::{LonLat, distance_m, path_length_geodesic_m};

type Read = Result<(Vec<RawFeature>, ReadReport), String>;

fn read(path: &Path, options: impl Into<ReadOptions>) -> Read {
    let mut found = Vec::new();
    let report = read_features(path, path, options, &mut |raw| found.push(raw)).map_err(|e| e.to_string())?;
    assert_eq!(report.features, found.len());
    Ok((found, report))
}

fn with_epsg(read_as: ReadAs, epsg: u32) -> ReadOptions {
    ReadOptions { epsg: Some(epsg), ..ReadOptions::from(read_as) }
}

fn written(name: &str, text: impl AsRef<[u8]>, options: impl Into<ReadOptions>) -> Read {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join(name);
    std::fs::write(&path, text).unwrap();
    read(&path, options)
}

fn point(feature: &RawFeature) -> (f64, f64) {
    match &feature.shape {
        RawShape::Shape(Geometry::Point(p)) => (p.x(), p.y()),
        other => panic!("no point: {other:?}"),
    }
}

fn places(read: Read) -> Vec<(f64, f64)> {
    read.unwrap().0.iter().map(point).collect()
}

/// Every dialect of the same two rows.
#[test]
fn csv_of_all_dialects() {
    let plain = "id,lon,lat,count\na,148.25,-35.5,2\nb,148.5,-35.25,3\n";
    let wanted = vec![(148.25, -35.5), (148.5, -35.25)];
    let semicolons = plain.replace(',', ";").replace('.', ",");
    for (what, text) in [
        ("plain", plain.to_string()),
        ("byte-order mark", format!("\u{feff}{plain}")),
        ("CR", plain.replace('\n', "\r")),
        ("CRLF", plain.replace('\n', "\r\n")),
        ("tabs", plain.replace(',', "\t")),
        ("semicolons, decimal commas, CR", semicolons.replace('\n', "\r")),
        ("quotes", plain.replace("lon,lat", "\"Longitude\",\"LATITUDE\"")),
    ] {
        for name in ["a.csv", "a.unknown"] {
            let read = written(name, &text, ReadAs::Points);
            assert_eq!(places(read.clone()), wanted, "{what}");
            let (features, _) = read.unwrap();
            assert_eq!(features[1].properties["count"], Value::from("3"), "{what}");
            assert_eq!(features[1].source.id.as_deref(), Some("b"), "{what}");
        }
    }
    let (features, _) = written("a.csv", "lon;lat;accuracy_m\n148,25;-35,5;3,5\n", ReadAs::Points).unwrap();
    assert_eq!(features[0].properties["accuracy_m"], Value::from("3.5"));
}

/// Flinders Peak on MGA94 zone 55 (ICSM, GDA Technical Manual), its place in GDA2020 by PROJ 9.8.
#[test]
fn csv_in_metres_is_converted_or_asked_about() {
    let text = "easting,northing\n273741.2966,5796489.7769\n";
    let at = places(written("a.csv", text, with_epsg(ReadAs::Points, 28355)))[0];
    let found = LonLat::new(at.0, at.1).unwrap();
    let published = LonLat::new(144.42487390469094, -37.951020218729184).unwrap();
    assert!(distance_m(found, published) < 0.001);

    let why = written("a.csv", text, ReadAs::Points).unwrap_err();
    assert!(
        why.contains("a.csv") && why.contains("epsg = CODE") && why.contains("look like metres"),
        "{why}"
    );
    let likely = ReadOptions { likely_epsg: Some(7855), ..ReadOptions::from(ReadAs::Points) };
    assert!(written("a.csv", text, likely).unwrap_err().contains("epsg = 7855"));
    let why = written("a.csv", "x,y\n148.2,-35.1\n", ReadAs::Points).unwrap_err();
    assert!(why.contains("4326"), "{why}");
    let why = written("a.csv", text, with_epsg(ReadAs::Points, 20255)).unwrap_err();
    assert!(why.contains("AGD66") && why.contains("grid"), "{why}");

    // A column that says it, and a description beside the file.
    let own = "epsg,x,y\n28355,273741.2966,5796489.7769\n";
    assert_eq!(places(written("a.csv", own, ReadAs::Points))[0], at);
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("a.csv"), text).unwrap();
    std::fs::write(folder.path().join("a.prj"), r#"PROJCS["MGA",GEOGCS["GDA94",DATUM["D_GDA_1994",SPHEROID["GRS_1980",6378137.0,298.257222101]],PRIMEM["Greenwich",0.0],UNIT["Degree",0.0174532925199433]],PROJECTION["Transverse_Mercator"],PARAMETER["False_Easting",500000.0],PARAMETER["False_Northing",10000000.0],PARAMETER["Central_Meridian",147.0],PARAMETER["Scale_Factor",0.9996],PARAMETER["Latitude_Of_Origin",0.0],UNIT["Meter",1.0]]"#).unwrap();
    assert!((places(read(&folder.path().join("a.csv"), ReadAs::Points))[0].0 - at.0).abs() < 1e-9);
}

/// Coyote fixes on UTM 12N with the date and the hour in two columns.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_csv_of_a_collar_with_day_and_hour_apart() {
    let case = support::case("formats");
    let path = case.join("csv/coyote_5min_utm12_split_datetime.csv");
    let (features, _) = read(&path, with_epsg(ReadAs::Points, 32612)).unwrap();
    let (lon, lat) = point(&features[0]);
    // PROJ 9.5.1: EPSG:32612 (369259.8878, 4843310.303) to EPSG:4326.
    let proj = LonLat::new(-112.6233839442321, 43.73130131069589).unwrap();
    assert!(distance_m(LonLat::new(lon, lat).unwrap(), proj) < 0.001, "{lon} {lat}");
    assert_eq!(features[0].properties["date"], Value::from("27-Dec-04"));
    assert!(read(&path, ReadAs::Points).unwrap_err().contains("epsg"));
}

const FEATURE: &str = r#"{"type":"Feature","id":"a","properties":{"n":1,"s":"} ] \" {"},"geometry":{"type":"Point","coordinates":[148.5,-35.5]}}"#;

#[test]
fn features_one_after_the_other() {
    let broken = FEATURE.replace("148.5", "\"x\"");
    for between in ["\n", "\r\n", "\n\u{1e}", " "] {
        let text = format!("\u{1e}{FEATURE}{between}{broken}{between}{FEATURE}\n");
        for name in ["a.geojsonl", "a.txt", "a.csv"] {
            let (features, _) = written(name, &text, ReadAs::Points).unwrap();
            assert_eq!(features.len(), 3);
            assert_eq!(point(&features[2]), (148.5, -35.5));
            assert_eq!(features[2].properties["s"], Value::from("} ] \" {"));
            assert!(matches!(&features[1].shape, RawShape::Broken(_)));
            assert_eq!(features[2].source.index, 2);
        }
    }
}

/// Features that straddle the blocks in which a file is read come out whole and in order.
#[test]
fn many_features_keep_their_order_and_their_bytes() {
    let feature = |i: usize| {
        format!(
            r#"{{"type":"Feature","properties":{{"i":{i},"note":"{}\\\" }}"}},"geometry":{{"type":"Point","coordinates":[{},-35.0]}}}}"#,
            "x".repeat(i % 977),
            148.0 + i as f64 * 1e-5
        )
    };
    let all: Vec<String> = (0..9000).map(feature).collect();
    let collection = format!("{{\"features\":[{}],\"type\":\"FeatureCollection\"}}", all.join(",\n"));
    for (name, text) in [("a.geojson", collection), ("a.ndjson", all.join("\n"))] {
        let (features, _) = written(name, &text, ReadAs::Points).unwrap();
        assert_eq!(features.len(), 9000, "{name}");
        for (i, feature) in features.iter().enumerate() {
            assert_eq!(feature.properties["i"], Value::from(i), "{name}");
            assert_eq!(feature.properties["note"].as_str().unwrap().len(), i % 977 + 4, "{name}");
        }
    }
}

#[test]
fn json_faults_are_pointed_at() {
    let good = format!("{{\"type\":\"FeatureCollection\",\n\"features\":[\n{FEATURE},\n{FEATURE}\n]}}");
    assert_eq!(written("a.geojson", &good, ReadAs::Points).unwrap().0.len(), 2);
    for (from, to, line, hint) in [
        ("\"id\":\"a\"", "\"id\" \"a\"", 3, "expected `:`"),
        ("\"n\":1,", "\"n\":1", 3, "comma"),
        ("},\n{", "}\n{", 4, "comma"),
        ("148.5,", "NaN,", 3, "expected value"),
    ] {
        let why = written("a.geojson", good.replacen(from, to, 1), ReadAs::Points).unwrap_err();
        assert!(why.contains(&format!("line {line} column")), "{why}");
        assert!(why.contains(hint) && why.lines().count() == 3 && why.ends_with('^'), "{why}");
    }
    // The caret stands under the character that the message names.
    let why = written("a.geojson", good.replacen("\"n\":1,", "\"n\":1", 1), ReadAs::Points).unwrap_err();
    let lines: Vec<&str> = why.lines().collect();
    let caret = lines[2].chars().count() - 1;
    assert_eq!(lines[1].chars().nth(caret), Some('"'), "{why}");
    for end in [3, 30, 60, good.len() - 1] {
        let why = written("a.geojson", &good[..end], ReadAs::Points).unwrap_err();
        assert!(why.contains("cut short"), "{end}: {why}");
    }
}

/// The old member `crs`, as GDAL 3 writes it for a layer that is not WGS84.
#[test]
fn an_old_crs_member_is_honoured() {
    let text = |crs: &str, x: f64, y: f64| {
        format!(
            r#"{{"type":"FeatureCollection","crs":{{"type":"name","properties":{{"name":"{crs}"}}}},"features":[{{"type":"Feature","properties":{{}},"geometry":{{"type":"Point","coordinates":[{x},{y}]}}}}]}}"#
        )
    };
    let mga = text("urn:ogc:def:crs:EPSG::7855", 500_000.0, 6_126_956.935_571_456);
    let at = places(written("a.geojson", mga, ReadAs::Points))[0];
    assert!((at.0 - 147.0).abs() < 1e-9 && (at.1 + 35.0).abs() < 1e-9, "{at:?}");
    let agd = text("urn:ogc:def:crs:EPSG::20255", 5e5, 6e6);
    assert!(written("a.geojson", agd, ReadAs::Points).unwrap_err().contains("AGD66"));
    let wgs84 = text("urn:ogc:def:crs:OGC:1.3:CRS84", 147.0, -35.0);
    assert_eq!(places(written("a.geojson", wgs84.clone(), ReadAs::Points))[0], (147.0, -35.0));
    let why = written("a.geojson", wgs84, with_epsg(ReadAs::Points, 28355)).unwrap_err();
    assert!(why.contains("take epsg out"), "{why}");
}

fn expected() -> (PathBuf, Value) {
    let case = support::case("formats");
    let expected = support::json(&case.join("expected.json"));
    (case, expected["files"].clone())
}

/// Counts and lengths as gpxpy 1.6.2 gives them.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_gpx_as_the_reference_reads_it() {
    let (case, expected) = expected();
    for (name, wanted) in expected.as_object().unwrap().iter().filter(|(n, _)| n.starts_with("gpx/")) {
        let read_as = |read_as| read(&case.join(name), read_as);
        if wanted.get("reader_error").is_some() {
            // Breaks the schema on purpose; whatever is made of it, it is no crash.
            let _ = (read_as(ReadAs::Points), read_as(ReadAs::Lines));
            continue;
        }
        let count = |key: &str| wanted[key].as_u64().unwrap() as usize;
        assert_eq!(read_as(ReadAs::Points).unwrap().0.len(), count("waypoints"), "{name}");
        let (lines, _) = read_as(ReadAs::Lines).unwrap();
        assert_eq!(lines.len(), count("tracks") + count("routes"), "{name}");
        let tracks = lines.iter().take(count("tracks"));
        let length_m: f64 = tracks.map(|line| length_m(&line.shape)).sum();
        assert!(
            (length_m - support::number(wanted, "/track_length_geodesic_m")).abs() < 0.01,
            "{name}: {length_m}"
        );
    }
}

fn length_m(shape: &RawShape) -> f64 {
    let RawShape::Shape(Geometry::MultiLineString(lines)) = shape else { return 0.0 };
    let way = |line: &geo_types::LineString<f64>| {
        let way: Vec<LonLat> = line.coords().map(|c| LonLat::new(c.x, c.y).unwrap()).collect();
        path_length_geodesic_m(&way)
    };
    lines.0.iter().map(way).sum()
}

/// Counts of features by folder, bounds and names of fields as GDAL 3.12.4 gives them.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_kml_as_the_reference_reads_it() {
    let (case, expected) = expected();
    let (features, _) = read(&case.join("kml/sample.kml"), ReadAs::Points).unwrap();
    for layer in expected["kml/sample.kml"]["layers"].as_array().unwrap() {
        let name = layer["layer"].as_str().unwrap();
        let named = |f: &&RawFeature| f.properties.get("folder") == Some(&name.into());
        let inside: Vec<&RawFeature> = features.iter().filter(named).collect();
        // A ground overlay, which that reader counts, marks no place of its own.
        let wanted = if name == "Ground Overlays" { 0 } else { layer["features"].as_u64().unwrap() as usize };
        assert_eq!(inside.len(), wanted, "{name}");
        // Where one marks no place, that reader's bounds are those of the folders inside.
        if wanted > 0 && inside.iter().all(|f| f.shape != RawShape::Null) {
            let bounds: Vec<f64> =
                layer["bounds"].as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect();
            let found = bounds_of(&inside);
            for (a, b) in found.iter().zip(&bounds) {
                assert!((a - b).abs() < 1e-9, "{name}: {found:?} {bounds:?}");
            }
        }
    }
    let why = read(&case.join("kml/polygon.kml"), ReadAs::Points);
    assert!(why.is_err() || why.unwrap().0.is_empty(), "a fragment is no KML");
}

/// An archive whose main document only links to the layers, as GDAL writes it.
#[test]
fn every_document_of_an_archive_is_read() {
    use std::io::Write;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.kmz");
    let mark = |x: u32| {
        format!(
            "<kml><Document><Placemark><Point><coordinates>14{x},-35</coordinates></Point></Placemark></Document></kml>"
        )
    };
    let mut archive = zip::ZipWriter::new(std::fs::File::create(&path).unwrap());
    let link =
        "<kml><Document><NetworkLink><Link><href>layers/a.kml</href></Link></NetworkLink></Document></kml>";
    for (name, text) in [
        ("layers/b.kml", mark(2)),
        ("layers/a.kml", mark(1)),
        ("doc.kml", link.into()),
        ("i.png", "x".into()),
    ] {
        archive.start_file(name, zip::write::SimpleFileOptions::default()).unwrap();
        archive.write_all(text.as_bytes()).unwrap();
    }
    archive.finish().unwrap();
    assert_eq!(places(read(&path, ReadAs::Points)), [(141.0, -35.0), (142.0, -35.0)]);

    // A document of zeros that packs to a few hundred kilobytes is a bomb.
    let mut archive = zip::ZipWriter::new(std::fs::File::create(&path).unwrap());
    archive.start_file("doc.kml", zip::write::SimpleFileOptions::default()).unwrap();
    archive.write_all(b"<kml><Document>").unwrap();
    let block = vec![b' '; 1 << 20];
    for _ in 0..520 {
        archive.write_all(&block).unwrap();
    }
    archive.finish().unwrap();
    assert!(std::fs::metadata(&path).unwrap().len() < 2 << 20);
    assert!(read(&path, ReadAs::Points).unwrap_err().contains("unpacks to more than 512 MB"));
}

fn bounds_of(features: &[&RawFeature]) -> [f64; 4] {
    use geo::CoordsIter;
    let mut bounds = [f64::INFINITY, f64::INFINITY, f64::NEG_INFINITY, f64::NEG_INFINITY];
    for feature in features {
        let RawShape::Shape(geometry) = &feature.shape else { continue };
        for c in geometry.coords_iter() {
            bounds = [bounds[0].min(c.x), bounds[1].min(c.y), bounds[2].max(c.x), bounds[3].max(c.y)];
        }
    }
    bounds
}

/// Counts, types, fields and bounds as GDAL 3.12.4 gives them; the two that it cannot open for
/// want of a `.shx` are read as well.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_shapefiles_as_the_reference_reads_them() {
    let (case, expected) = expected();
    for (name, wanted) in expected.as_object().unwrap().iter().filter(|(n, _)| n.starts_with("shp/")) {
        let path = case.join(name);
        let has_prj = path.with_extension("prj").is_file();
        if !has_prj {
            let why = read(&path, ReadAs::Points).unwrap_err();
            assert!(
                why.contains("does not say which coordinate system") && why.contains("4326"),
                "{name}: {why}"
            );
        }
        let options = if has_prj { ReadAs::Points.into() } else { with_epsg(ReadAs::Points, 4326) };
        let (features, _) = read(&path, options).unwrap_or_else(|why| panic!("{name}: {why}"));
        if wanted.get("reader_error").is_some() {
            assert!(!features.is_empty(), "{name}");
            continue;
        }
        let layer = &wanted["layers"][0];
        assert_eq!(features.len() as u64, layer["features"].as_u64().unwrap(), "{name}");
        let fields: Vec<Value> = features[0].properties.keys().map(|k| k.into()).collect();
        assert_eq!(Value::from(fields), layer["fields"], "{name}");
        let bounds = bounds_of(&features.iter().collect::<Vec<_>>());
        for (a, b) in bounds.iter().zip(layer["bounds"].as_array().unwrap()) {
            assert!((a - b.as_f64().unwrap()).abs() < 1e-9, "{name}");
        }
    }
}

/// Whatever bytes are cut off or turned over, a file gives features or a reason.
#[test]
#[ignore = "needs the open data cases: see README, Real data"]
fn real_data_damaged_files_are_refused_with_a_reason() {
    let case = support::case("formats");
    let folder = tempfile::tempdir().unwrap();
    for name in [
        "shp/polygon_hole.shp",
        "shp/linez.shp",
        "shp/nonplanarsegments.dbf",
        "kml/sample.kml",
        "gpx/caltopo-export.gpx",
    ] {
        let whole = std::fs::read(case.join(name)).unwrap();
        let path = folder.path().join(Path::new(name).file_name().unwrap());
        if name.ends_with(".dbf") {
            std::fs::copy(case.join("shp/nonplanarsegments.shp"), path.with_extension("shp")).unwrap();
        }
        let read_it = |bytes: &[u8]| {
            std::fs::write(&path, bytes).unwrap();
            let target = if name.ends_with(".dbf") { path.with_extension("shp") } else { path.clone() };
            for read_as in [ReadAs::Points, ReadAs::Lines] {
                if let Err(why) = read(&target, with_epsg(read_as, 4326)) {
                    assert!(why.len() > 20, "{why}");
                }
            }
        };
        let step = (whole.len() / 40).max(1);
        for end in (0..whole.len()).step_by(step) {
            read_it(&whole[..end]);
        }
        for at in (0..whole.len()).step_by((whole.len() / 120).max(1)) {
            let mut turned = whole.clone();
            turned[at] ^= 0xff;
            read_it(&turned);
        }
    }
}

#[test]
fn files_of_other_kinds_are_named() {
    for (name, head, what) in [
        ("a.geojson", b"II*\0........".as_slice(), "raster"),
        ("a.csv", b"PAR1.......", "Parquet"),
        ("a.shp", b"not a shapefile", "no Shapefile"),
        ("a.gpkg", b"not a database", "no GeoPackage"),
        ("a.dbf", b"\x03......", "name the file that ends in .shp"),
        ("a.xyz", b"\x01\x02\x03\x04", "in no format that is read here"),
        ("a.csv", b"\xff\xfel\0o\0n\0", "UTF-16"),
    ] {
        let why = written(name, head, ReadAs::Points).unwrap_err();
        assert!(why.contains(what), "{name}: {why}");
    }
}

/// A package of our own making in the form of Camtrap DP 1.0.
#[test]
fn a_camera_package_gives_records_and_nights() {
    let folder = tempfile::tempdir().unwrap();
    let put = |name: &str, text: &str| std::fs::write(folder.path().join(name), text).unwrap();
    put(
        "datapackage.json",
        r#"{"name":"x","profile":"https://raw.githubusercontent.com/tdwg/camtrap-dp/1.0.1/camtrap-dp-profile.json","resources":[{"name":"deployments","path":"deployments.csv"},{"name":"media","path":"media.csv"},{"name":"observations","path":"observations.csv"}]}"#,
    );
    put(
        "deployments.csv",
        "deploymentID,locationName,latitude,longitude,coordinateUncertainty,deploymentStart,deploymentEnd\nd1,Dam,-35.5,148.5,20,2026-05-01T10:00:00+10:00,2026-05-15T09:00:00+10:00\nd2,Gate,-35.6,148.6,,2026-05-03T10:00:00+10:00,2026-05-10T09:00:00+10:00\n",
    );
    put(
        "observations.csv",
        "observationID,deploymentID,eventStart,observationLevel,observationType,scientificName,count\no1,d1,2026-05-02T21:00:00+10:00,event,animal,Vulpes vulpes,2\no2,d1,2026-05-02T22:00:00+10:00,event,blank,,\no3,d2,2026-05-04T05:00:00+10:00,event,human,,1\no4,d2,2026-05-04T06:00:00+10:00,event,animal,Canis familiaris,1\no5,d1,2026-05-02T21:00:00+10:00,media,animal,Vulpes vulpes,2\no6,d9,2026-05-02T21:00:00+10:00,event,animal,Vulpes vulpes,2\n",
    );
    for path in [folder.path().to_path_buf(), folder.path().join("datapackage.json")] {
        let (records, report) = read(&path, ReadAs::Points).unwrap();
        assert_eq!(records.len(), 3);
        assert_eq!(point(&records[0]), (148.5, -35.5));
        assert_eq!(records[0].properties["animal"], "Vulpes vulpes");
        assert_eq!(records[0].properties["accuracy_m"], "20");
        assert_eq!(records[0].properties["survey"], "d1");
        assert!(matches!(&records[2].shape, RawShape::Broken(why) if why.contains("deployment")));
        assert!(report.notes[0].contains("1 blank, 1 human, 1 of single pictures"), "{:?}", report.notes);
        let (effort, _) = read(&path, ReadAs::Lines).unwrap();
        let nights: Vec<i64> = effort.iter().map(|f| f.properties["nights"].as_i64().unwrap()).collect();
        assert_eq!(nights, [14, 7]);
        assert_eq!(effort[1].shape, RawShape::Shape(Geometry::Point(Point::new(148.6, -35.6))));
    }
    put(
        "datapackage.json",
        r#"{"profile":"camtrap-dp","resources":[{"name":"deployments","path":"../deployments.csv"}]}"#,
    );
    assert!(read(folder.path(), ReadAs::Points).unwrap_err().contains("leads out of its folder"));
}
