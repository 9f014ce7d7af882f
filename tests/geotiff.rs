//! The written GeoTIFF as a reference library reads it: size, place, no-data, EPSG code,
//! unit, values. `tests/golden/geotiff/small.tif` is what this code writes;
//! `rasterio.json` is what rasterio reads from it (script and versions beside it).

mod support;

use std::io::Cursor;
use std::path::PathBuf;

use stakeline::files::write::{Raster, write_geotiff};

const COLUMNS: usize = 299;
const ROWS: usize = 270;

fn golden(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join("tests/golden/geotiff").join(name)
}

/// Values that say where they stand: row + column / 1000, and one missing.
fn values() -> Vec<f32> {
    let mut values: Vec<f32> =
        (0..ROWS * COLUMNS).map(|i| (i / COLUMNS) as f32 + (i % COLUMNS) as f32 / 1000.0).collect();
    values[100 * COLUMNS + 8] = f32::NAN;
    values
}

fn written() -> Vec<u8> {
    let values = values();
    let raster = Raster {
        west_m: 600_010.0,
        north_m: 6_100_030.0,
        cell_m: 10.0,
        columns: COLUMNS,
        rows: ROWS,
        values: &values,
        epsg: 32755,
        description: "a < test & more",
        unit: "sign/km2",
    };
    let mut file = Cursor::new(Vec::new());
    write_geotiff(&mut file, &raster).unwrap();
    file.into_inner()
}

#[test]
#[ignore = "writes the golden raster; run the script beside it afterwards"]
fn write_the_golden_raster() {
    std::fs::write(golden("small.tif"), written()).unwrap();
}

#[test]
fn the_raster_is_the_one_the_reference_library_read() {
    assert_eq!(written(), std::fs::read(golden("small.tif")).unwrap());
    let read = support::json(&golden("rasterio.json"));
    assert_eq!(read["width"], COLUMNS);
    assert_eq!(read["height"], ROWS);
    assert_eq!(read["bands"], 1);
    assert_eq!(read["dtype"], "float32");
    assert_eq!(read["epsg"], 32755);
    assert_eq!(read["transform"], serde_json::json!([10.0, 0.0, 600010.0, 0.0, -10.0, 6100030.0]));
    assert_eq!(read["nodata_is_nan"], true);
    assert_eq!(read["tiled"], true);
    assert_eq!(read["compress"], "deflate");
    assert_eq!(read["description"], "a < test & more");
    assert_eq!(read["unit"], "sign/km2");
    assert_eq!(read["nan_cells"], 1);
    let values = values();
    for sample in read["samples"].as_array().unwrap() {
        let at = |i: usize| sample[i].as_f64().unwrap();
        let index = at(0) as usize * COLUMNS + at(1) as usize;
        assert_eq!(at(2) as f32, values[index]);
    }
}

/// A raster of several tiles, with a hole, as `tests/golden/geotiff/validate_cog.py` checked it.
fn large() -> Vec<u8> {
    let (columns, rows) = (1300, 900);
    let value = |i: usize| if i % 1300 < 40 { f32::NAN } else { ((i / 1300 * 7 + i % 1300) % 100) as f32 };
    let values: Vec<f32> = (0..columns * rows).map(value).collect();
    let raster = Raster {
        west_m: 600_000.0,
        north_m: 6_100_000.0,
        cell_m: 25.0,
        columns,
        rows,
        values: &values,
        epsg: 7855,
        description: "large",
        unit: "sign/km2",
    };
    let mut file = Cursor::new(Vec::new());
    write_geotiff(&mut file, &raster).unwrap();
    file.into_inner()
}

#[test]
#[ignore = "writes the raster to validate to $COG_OUT; run validate_cog.py on it afterwards"]
fn write_the_raster_to_validate() {
    std::fs::write(std::env::var("COG_OUT").unwrap(), large()).unwrap();
}

#[test]
fn the_raster_is_a_valid_cloud_optimised_one() {
    use sha2::{Digest, Sha256};
    let checked = support::json(&golden("cog.json"));
    let hash: String = Sha256::digest(large()).iter().map(|b| format!("{b:02x}")).collect();
    assert_eq!(checked["sha256"], hash.as_str(), "validate it again with validate_cog.py");
    assert_eq!(checked["valid"], true);
    assert_eq!(checked["errors"], serde_json::json!([]));
    assert_eq!(checked["warnings"], serde_json::json!([]));
    assert_eq!(checked["overviews"], serde_json::json!([2, 4, 8]));
    assert_eq!(checked["overview_differs_from_mean_by"], 0.0);
}
