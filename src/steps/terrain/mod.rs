//! `terrain`: slope, ridges, creeks and saddles from a raster of heights, as layers and as lines
//! for the other steps.

mod ground;
mod lines;

use std::io;
use std::time::Instant;

use geo_types::{Geometry, Point};
use serde_json::{Map, Value, json};

use super::written::{Cells, members, way_lonlat};
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::record::LineKind;
use crate::surface::Grid;
use crate::terrain::{Course, Terrain};
pub use ground::Ground;
pub(super) use ground::look;
pub(super) use lines::lend_lines;

/// Writes what the ground looks like and says what was found.
///
/// # Errors
/// [`StepError::Setting`] where the plan names no raster of heights, [`StepError::Output`].
pub fn terrain(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let Some(ground) = &desk.ground else {
        return Err(StepError::Setting {
            key: "terrain.dem",
            what: "there is no raster of heights; name one with --dem FILE or in the plan's [terrain]".into(),
        });
    };
    let started = Instant::now();
    desk.progress.stage("writing the terrain", None);
    write_slope(ground, set)?;
    let Terrain { ridges, creeks, .. } = &ground.terrain;
    write_courses(desk, ground, LineKind::Ridge, ridges, set)?;
    write_courses(desk, ground, LineKind::Creek, creeks, set)?;
    write_saddles(desk, ground, set)?;
    let mut outcome = desk.outcome();
    let summary = Value::Object(summary(ground, started.elapsed().as_secs_f64()));
    set.write_summary("terrain.json", &summary)?;
    in_words(ground, &mut outcome);
    outcome.set("terrain", summary);
    Ok(outcome)
}

fn write_slope(ground: &Ground, set: &mut OutputSet) -> Result<(), StepError> {
    let dem = &ground.placed;
    let grid = Grid {
        west_m: dem.west_m,
        north_m: dem.north_m,
        cell_m: dem.cell_m,
        columns: dem.columns,
        rows: dem.rows,
    };
    let cells = Cells { grid: &grid, values: &ground.terrain.slope_deg, epsg: dem.frame.epsg() };
    cells.write("slope.tif", "slope in degrees", "degree", set)
}

fn write_courses(
    desk: &Desk,
    ground: &Ground,
    kind: LineKind,
    courses: &[Course],
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let provenance = desk.provenance();
    let area_name = if kind == LineKind::Creek { "catchment_ha" } else { "falls_away_ha" };
    Ok(set.write(&format!("{}s.geojson", kind.word()), |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (k, course) in courses.iter().enumerate() {
            let id = format!("{}{}", kind.word(), k + 1);
            let mut properties = members(json!({
                "kind": kind.word(),
                "length_m": round_to(course.length_m, 1),
                "highest_m": round_to(course.highest_m, 1),
                "lowest_m": round_to(course.lowest_m, 1),
            }));
            properties.insert(area_name.into(), round_to(course.ground_ha, 1).into());
            let path = way_lonlat(&ground.placed.frame, &course.path)?;
            writer.feature(&id, Some(&Geometry::LineString(path)), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

fn write_saddles(desk: &Desk, ground: &Ground, set: &mut OutputSet) -> Result<(), StepError> {
    let provenance = desk.provenance();
    Ok(set.write("saddles.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (k, saddle) in ground.terrain.saddles.iter().enumerate() {
            let properties = members(json!({
                "kind": "saddle",
                "height_m": round_to(saddle.height_m, 1),
                "prominence_m": round_to(saddle.prominence_m, 1),
            }));
            let at = ground.placed.frame.to_lonlat(saddle.at).map_err(io::Error::other)?;
            let point = Geometry::Point(Point::new(at.lon_deg(), at.lat_deg()));
            writer.feature(&format!("saddle{}", k + 1), Some(&point), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

fn km(courses: &[Course]) -> f64 {
    round_to(courses.iter().map(|c| c.length_m).sum::<f64>() / 1000.0, 2)
}

fn summary(ground: &Ground, write_seconds: f64) -> Map<String, Value> {
    let (terrain, settings) = (&ground.terrain, &ground.settings);
    let mut steep: Vec<f32> = terrain.slope_deg.iter().copied().filter(|s| !s.is_nan()).collect();
    steep.sort_unstable_by(f32::total_cmp);
    let share = |p: f64| {
        let at = ((steep.len().max(1) - 1) as f64 * p).round() as usize;
        steep.get(at).map(|&s| round_to(f64::from(s), 2))
    };
    members(json!({
        "epsg": ground.placed.frame.epsg(),
        "columns": ground.placed.columns,
        "rows": ground.placed.rows,
        "cell_m": ground.placed.cell_m,
        "resampled": ground.resampled,
        "creek_ha": settings.creek_ha,
        "ridge_ha": settings.ridge_ha,
        "ridge_height_m": settings.ridge_height_m,
        "prominence_m": settings.prominence_m,
        "shortest_m": settings.shortest_m,
        "simplify_m": settings.simplify_m.unwrap_or(ground.placed.cell_m),
        "ridges": terrain.ridges.len(),
        "ridge_km": km(&terrain.ridges),
        "creeks": terrain.creeks.len(),
        "creek_km": km(&terrain.creeks),
        "saddles": terrain.saddles.len(),
        "slope_deg": { "median": share(0.5), "q90": share(0.9), "max": share(1.0) },
        "lines_lent": ground.lent.iter().map(|kind| kind.word()).collect::<Vec<_>>(),
        "seconds": {
            "read": ground.read_seconds, "terrain": ground.terrain_seconds, "write": write_seconds,
        },
    }))
}

fn in_words(ground: &Ground, outcome: &mut Outcome) {
    let (terrain, settings) = (&ground.terrain, &ground.settings);
    outcome.say(format!(
        "{} by {} cells of {} m in EPSG:{}{}",
        ground.placed.columns,
        ground.placed.rows,
        ground.placed.cell_m,
        ground.placed.frame.epsg(),
        if ground.resampled { ", set onto square cells from the raster's own" } else { "" }
    ));
    outcome.say(format!(
        "{} ridges ({} km) that at least {} ha fall away from and that stand {} m or more above the creek below",
        terrain.ridges.len(),
        km(&terrain.ridges),
        settings.ridge_ha,
        settings.ridge_height_m
    ));
    outcome.say(format!(
        "{} creeks ({} km) that at least {} ha drain through",
        terrain.creeks.len(),
        km(&terrain.creeks),
        settings.creek_ha
    ));
    outcome.say(format!(
        "{} saddles whose lesser summit stands {} m or more above them",
        terrain.saddles.len(),
        settings.prominence_m
    ));
}
