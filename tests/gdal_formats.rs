//! Formats that only GDAL reads, with the cargo feature `gdal`: the axis order, the coordinate
//! system and the properties of files that GDAL itself wrote (`tests/golden/gdal`).
#![cfg(feature = "gdal")]

use std::path::Path;

use geo_types::Geometry;
use stakeline::files::{LonLatBox, RawFeature, RawShape, ReadAs, read_features, read_raster};

/// A copy of the files, since GDAL writes a file of its own beside some formats.
fn copied() -> tempfile::TempDir {
    let folder = tempfile::tempdir().unwrap();
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/gdal");
    for entry in std::fs::read_dir(golden).unwrap() {
        let entry = entry.unwrap();
        std::fs::copy(entry.path(), folder.path().join(entry.file_name())).unwrap();
    }
    folder
}

fn read(name: &str) -> Result<Vec<RawFeature>, String> {
    let folder = copied();
    let path = folder.path().join(name);
    let mut found = Vec::new();
    read_features(&path, &path, ReadAs::Points, &mut |raw| found.push(raw)).map_err(|e| e.to_string())?;
    Ok(found)
}

#[test]
fn latitude_first_and_metres_come_to_the_same_places() {
    for (name, tolerance_deg) in [("points.gml", 0.0), ("mga.mif", 1e-9)] {
        let found = read(name).unwrap();
        assert_eq!(found.len(), 2, "{name}");
        for (feature, (lon, lat, what, count)) in
            found.iter().zip([(147.5, -35.25, "dam", 2), (148.125, -35.5, "gate", 3)])
        {
            let RawShape::Shape(Geometry::Point(p)) = &feature.shape else { panic!("{name}: {feature:?}") };
            assert!(
                (p.x() - lon).abs() <= tolerance_deg && (p.y() - lat).abs() <= tolerance_deg,
                "{name}: {p:?}"
            );
            assert_eq!(feature.properties["name"], what, "{name}");
            assert_eq!(feature.properties["count"], count, "{name}");
        }
    }
}

#[test]
fn what_gdal_cannot_read_keeps_its_own_reason() {
    let why = read("README.md").unwrap_err();
    assert!(why.contains("in no format that is read here"), "{why}");
}

/// The same cells as in the GeoTIFFs that GDAL made these rasters from.
#[test]
fn rasters_of_other_formats_are_those_of_their_geotiff() {
    let golden = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden");
    for (name, from) in
        [("metres.dat", "f32_metres.tif"), ("utm.asc", "f32_metres.tif"), ("mga.asc", "f32_gda2020.tif")]
    {
        let folder = copied();
        let (place, tif) = (folder.path().join(name), golden.join("raster").join(from));
        let (found, wanted) =
            (read_raster(&place, &place, None).unwrap(), read_raster(&tif, &tif, None).unwrap());
        assert_eq!((found.columns, found.rows), (wanted.columns, wanted.rows), "{name}");
        assert_eq!(
            (found.placement, found.system.epsg()),
            (wanted.placement, wanted.system.epsg()),
            "{name}"
        );
        let same = |(a, b): (&f32, &f32)| a == b || a.is_nan() && b.is_nan();
        assert!(found.values.iter().zip(&wanted.values).all(same), "{name}");
        // A part of it, by a box round one cell.
        let cell = wanted.place_of(3.5, 4.5).unwrap();
        let within = LonLatBox { south_west: cell, north_east: cell };
        let part = read_raster(&place, &place, Some(&within)).unwrap();
        assert!(part.rows < found.rows && part.nearest(cell) == wanted.nearest(cell), "{name}");
    }
    let readme = golden.join("gdal/README.md");
    let why = read_raster(&readme, &readme, None).unwrap_err().to_string();
    assert!(why.contains("GDAL does not take it for a raster"), "{why}");
}
