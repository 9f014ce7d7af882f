//! Hot areas against GEOS: what it says of their validity, area and rings is in
//! `golden/hot_areas/checked.json`, made by `golden/hot_areas/check.py`.

use std::fmt::Write;
use std::path::Path;

use approx::assert_relative_eq;
use geo::Area;
use geo_types::{LineString, MultiPolygon};
use stakeline::frame::GroundPoint;
use stakeline::surface::{DensitySettings, Extent, Kernel, WeightedPoint, choose_grid, density, hot_areas};

/// Sign on two rings and a few loose clusters, so that there are holes and islands, with
/// bandwidths from far too narrow to wide.
fn areas() -> Vec<(String, MultiPolygon<f64>)> {
    let mut points = Vec::new();
    for k in 0..720 {
        let (sin, cos) = f64::from(k).to_radians().sin_cos();
        let radius = if k < 360 { 3000.0 } else { 1200.0 };
        points.push(WeightedPoint::new(GroundPoint::new(radius * cos, radius * sin), 1.0));
    }
    for k in 0..300_u32 {
        let at = GroundPoint::new(f64::from(k * k * 31 % 9973) - 5000.0, f64::from(k * 6007 % 9967) - 5000.0);
        points.push(WeightedPoint::new(at, 0.4));
    }
    let mut found = Vec::new();
    for (kernel, bandwidth_m, cell_m) in [
        (Kernel::Gaussian, 60.0, 20.0),
        (Kernel::Gaussian, 250.0, 25.0),
        (Kernel::Gaussian, 700.0, 50.0),
        (Kernel::Quartic, 200.0, 20.0),
        (Kernel::Uniform, 200.0, 20.0),
        (Kernel::Gaussian, 20.0, 30.0),
    ] {
        let extent = Extent::of(points.iter().map(|p| p.at)).unwrap();
        let grid = choose_grid(extent, bandwidth_m, Some(cell_m)).unwrap();
        let surface = density(&points, &grid, DensitySettings::plain(kernel, bandwidth_m), None).unwrap();
        for area in hot_areas(&surface, &[50.0, 75.0, 95.0]).unwrap() {
            let cells_m2 = area.cells as f64 * grid.cell_area_m2();
            assert!(
                (area.polygons.unsigned_area() / cells_m2 - 1.0).abs() < 0.35,
                "polygons are not the cells"
            );
            found.push((format!("{kernel} {bandwidth_m} {}", area.mass_percent), area.polygons));
        }
    }
    found
}

fn well_known_text(areas: &MultiPolygon<f64>) -> String {
    let ring = |ring: &LineString<f64>| {
        let corners: Vec<String> = ring.0.iter().map(|c| format!("{:.2} {:.2}", c.x, c.y)).collect();
        format!("({})", corners.join(","))
    };
    let polygons: Vec<String> = areas
        .0
        .iter()
        .map(|p| {
            let rings: Vec<String> = std::iter::once(p.exterior()).chain(p.interiors()).map(ring).collect();
            format!("({})", rings.join(","))
        })
        .collect();
    format!("MULTIPOLYGON({})", polygons.join(","))
}

#[test]
fn geos_finds_them_valid_and_of_the_same_area() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/golden/hot_areas");
    let areas = areas();
    if let Ok(file) = std::env::var("STAKELINE_WRITE_HOT_AREAS") {
        // To the centimetre, as GeoJSON with seven decimals would hold them.
        let lines = areas.iter().fold(String::new(), |mut lines, (name, area)| {
            writeln!(lines, "{name}\t{}", well_known_text(area)).unwrap();
            lines
        });
        std::fs::write(file, lines).unwrap();
    }
    let checked: serde_json::Value =
        serde_json::from_str(&std::fs::read_to_string(folder.join("checked.json")).unwrap()).unwrap();
    assert_eq!(checked["areas"].as_object().unwrap().len(), areas.len());
    for (name, area) in areas {
        let theirs = &checked["areas"][&name];
        assert_eq!(theirs["valid"], true, "{name}");
        assert_eq!(theirs["right_hand_rule"], true, "{name}");
        assert_eq!(theirs["polygons"], area.0.len(), "{name}");
        let holes: usize = area.0.iter().map(|p| p.interiors().len()).sum();
        assert_eq!(theirs["holes"], holes, "{name}");
        assert_relative_eq!(theirs["area_m2"].as_f64().unwrap(), area.unsigned_area(), max_relative = 1e-4);
    }
}
