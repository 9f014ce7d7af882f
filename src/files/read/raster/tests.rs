//! Against rasterio and GDAL: the script and versions lie beside the rasters in
//! `tests/golden/raster`.

use std::path::PathBuf;

use proptest::prelude::*;
use serde_json::Value;

use super::*;

fn golden(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden/raster").join(name)
}

fn expected() -> serde_json::Map<String, Value> {
    let text = std::fs::read_to_string(golden("expected.json")).unwrap();
    match serde_json::from_str::<Value>(&text).unwrap()["rasters"].take() {
        Value::Object(rasters) => rasters,
        _ => panic!("expected.json has no rasters"),
    }
}

fn read(name: &str, within: Option<&LonLatBox>) -> Result<RasterFile, FileError> {
    read_raster(&golden(name), &PathBuf::from(name), within)
}

fn place(value: &Value) -> LonLat {
    LonLat::new(value["lon"].as_f64().unwrap(), value["lat"].as_f64().unwrap()).unwrap()
}

/// The largest difference to the reference that counts as equal: the reference states places
/// to about 1e-9 of a cell, and values of 32 bits are rounded at 6e-8 of the value.
fn same(got: Option<f64>, want: &Value, what: &str) {
    match (got, want.as_f64()) {
        (None, None) => {}
        (Some(got), Some(want)) => {
            assert!((got - want).abs() <= 2e-7 * want.abs().max(1.0), "{what}: {got} {want}")
        }
        (got, want) => panic!("{what}: {got:?} where the reference has {want:?}"),
    }
}

#[test]
fn every_encoding_gives_what_the_reference_library_reads() {
    let rasters = expected();
    assert_eq!(rasters.len(), 20);
    for (name, want) in &rasters {
        let raster = read(&format!("{name}.tif"), None).unwrap();
        assert_eq!(u64::from(raster.system.epsg()), want["epsg"].as_u64().unwrap(), "{name}");
        assert_eq!((raster.rows, raster.columns), (29, 37), "{name}");
        let bounds: Vec<f64> =
            want["bounds"].as_array().unwrap().iter().map(|n| n.as_f64().unwrap()).collect();
        let p = raster.placement;
        assert!((p.west - bounds[0]).abs() < 1e-9, "{name}: {p:?}");
        assert!((p.north - bounds[1].max(bounds[3])).abs() < 1e-9, "{name}: {p:?}");
        for at in want["places"].as_array().unwrap() {
            let (lonlat, what) = (place(at), format!("{name} at {at}"));
            same(raster.nearest(lonlat), &at["nearest"], &what);
            same(raster.bilinear(lonlat), &at["bilinear"], &what);
        }
    }
}

#[test]
fn a_part_of_a_raster_samples_as_the_whole_does() {
    for (name, want) in &expected() {
        for at in want["places"].as_array().unwrap() {
            let lonlat = place(at);
            let part =
                read(&format!("{name}.tif"), Some(&LonLatBox { south_west: lonlat, north_east: lonlat }))
                    .unwrap();
            assert!(part.rows <= 5 && part.columns <= 5, "{name}: {} by {}", part.rows, part.columns);
            same(part.nearest(lonlat), &at["nearest"], name);
            same(part.bilinear(lonlat), &at["bilinear"], name);
        }
    }
}

#[test]
fn what_cannot_be_read_is_refused_with_its_reason() {
    let cases = [
        ("refused_two_bands.tif", "has 2 bands"),
        ("refused_rotated.tif", "turned or sheared"),
        ("refused_no_crs.tif", "coordinate system"),
        ("refused_other_datum.tif", "EPSG:4202"),
        ("refused_feet.tif", "EPSG:2263"),
        ("refused_jpeg.tif", "JPEG"),
        ("make_rasters.py", "is no GeoTIFF"),
        ("no-such.tif", "no such file"),
    ];
    for (name, why) in cases {
        let told = read(name, None).unwrap_err().to_string();
        assert!(told.contains(name) && told.contains(why), "{told}");
    }
}

#[test]
fn a_place_that_the_raster_does_not_cover_is_told() {
    let elsewhere = LonLat::new(10.0, 50.0).unwrap();
    let told = read("f32_metres.tif", Some(&LonLatBox { south_west: elsewhere, north_east: elsewhere }));
    assert!(told.unwrap_err().to_string().contains("covers none of the place"));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(300))]

    /// A damaged file is refused or read, and nothing else.
    #[test]
    fn damage_does_no_harm(which in 0usize..20, hits in prop::collection::vec((0.0f64..1.0, any::<u8>()), 1..6), cut in 0.3f64..1.2) {
        let name = expected().keys().nth(which).unwrap().clone();
        let mut bytes = std::fs::read(golden(&format!("{name}.tif"))).unwrap();
        for (at, value) in hits {
            // Most of the structure lies at the start and at the end.
            let spot = (at * 2.0 - 1.0).powi(3).abs();
            let spot = if at < 0.5 { spot } else { 1.0 - spot };
            let index = ((spot * bytes.len() as f64) as usize).min(bytes.len() - 1);
            bytes[index] = value;
        }
        bytes.truncate((bytes.len() as f64 * cut) as usize);
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("damaged.tif");
        std::fs::write(&path, &bytes).unwrap();
        if let Ok(raster) = read_raster(&path, &path, None) {
            prop_assert_eq!(raster.values.len(), raster.rows * raster.columns);
        }
    }
}
