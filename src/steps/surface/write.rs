//! The files of an activity surface.

use geo::BooleanOps;
use geo_types::{Geometry, MultiPolygon, Point};
use serde_json::{Map, Value, json};

use super::animals::OfAnimal;
use super::settings::hot_area_percents;
use super::{SurfaceDone, places_asked};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::frame::polygons_area_m2;
use crate::steps::rate_plane::PlaneRate;
use crate::steps::smoothing::request;
use crate::steps::written::{Cells, members, to_lonlat};
use crate::steps::{Desk, Outcome, StepError};
use crate::surface::{EdgeRule, HotArea, Surface, WeightedPoint, density_at_places, hot_areas};

/// The sign that a surface is of, as its files are told apart.
#[derive(Clone, Copy)]
pub(super) struct Of<'a> {
    /// What stands behind "activity" and "hot-areas" in the names of the files.
    pub suffix: &'a str,
    /// What stands behind "activity" in words.
    pub words: &'a str,
}

/// All the sign chosen, together.
pub(super) const ALL_SIGN: Of = Of { suffix: "", words: "" };

pub(super) fn write_tif(
    desk: &Desk,
    surface: &Surface,
    of: Of,
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let words = format!("activity{}, sign per square kilometre", of.words);
    let cells = Cells { grid: &surface.grid, values: &surface.values, epsg: desk.job.frame.epsg() };
    cells.write(&format!("activity{}.tif", of.suffix), &words, "sign/km2", set)
}

pub(super) fn write_hot_areas(
    desk: &Desk,
    surface: &Surface,
    of: Of,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let hot = hot_areas(surface, &hot_area_percents(&desk.plan.surface)).map_err(|e| request(desk, e))?;
    let provenance = desk.provenance();
    let within = desk.job.area.as_ref().filter(|_| surface.settings.edge != EdgeRule::None);
    let mut described: Vec<(&HotArea, f64, MultiPolygon<f64>)> = Vec::new();
    for area in &hot {
        // The rim runs from cell to cell, and so up to a cell beyond the area.
        let polygons =
            within.map_or_else(|| area.polygons.clone(), |w| area.polygons.intersection(&w.ground));
        let polygons = to_lonlat(&desk.job.frame, &polygons).map_err(crate::job::JobError::from)?;
        described.push((area, polygons_area_m2(&polygons) / 10_000.0, polygons));
    }
    set.write(&format!("hot-areas{}.geojson", of.suffix), |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (area, area_ha, polygons) in &described {
            let properties = members(json!({
                "mass_percent": area.mass_percent,
                "area_ha": round_to(*area_ha, 4),
                "density_per_km2": area.density_per_km2,
            }));
            let id = format!("hot-{}", area.mass_percent);
            writer.feature(&id, Some(&Geometry::MultiPolygon(polygons.clone())), &properties)?;
        }
        writer.finish().map(drop)
    })?;
    let of_area = within.map_or_else(String::new, |area| {
        format!(" of the area's {:.1} ha", polygons_area_m2(&area.lonlat.polygons) / 10_000.0)
    });
    for (area, area_ha, _) in &described {
        outcome.say(format!(
            "{} percent of the activity{} lies in {area_ha:.1} ha{of_area}",
            area.mass_percent, of.words
        ));
    }
    Ok(())
}

/// What is known beside the density.
#[derive(Clone, Copy)]
pub(super) struct Beside<'a> {
    /// The surfaces of the animals.
    pub animals: &'a [OfAnimal],
    /// Activity along lines at each `--at` point.
    pub along: &'a [Map<String, Value>],
    /// The rate in the plane.
    pub rate: Option<&'a PlaneRate>,
}

/// Writes the `--at` points with their density, that of each animal, the rate in the plane, and
/// what is known along lines.
pub(super) fn write_at(
    desk: &Desk,
    done: &SurfaceDone,
    beside: Beside,
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let queries = &desk.job.queries;
    if desk.plan.surface.at.is_none() {
        return Ok(());
    }
    let places = places_asked(desk);
    let exactly = |points: &[WeightedPoint]| {
        density_at_places(points, &places, done.surface.settings, done.window.as_ref())
            .map_err(|e| request(desk, e))
    };
    let values = exactly(&done.points)?;
    let by_animal: Vec<(&str, Vec<f64>)> = beside
        .animals
        .iter()
        .map(|of| Ok((of.animal.word(), exactly(&of.points)?)))
        .collect::<Result<_, StepError>>()?;
    let provenance = desk.provenance();
    Ok(set.write("activity-at.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (index, (query, value)) in queries.iter().zip(&values).enumerate() {
            let mut properties = query.what.properties.to_map();
            properties.insert("density_per_km2".into(), json!(value));
            if !by_animal.is_empty() {
                let of: Map<String, Value> = by_animal
                    .iter()
                    .map(|(animal, values)| (animal.to_string(), json!(values[index])))
                    .collect();
                properties.insert("density_per_km2_by_animal".into(), Value::Object(of));
            }
            if let Some(rate) = beside.rate {
                let here = rate.at_queries.get(index).copied().flatten();
                properties.insert("rate_in_plane_per_km_searched".into(), json!(here));
            }
            properties.extend(beside.along.get(index).cloned().unwrap_or_default());
            let at = Geometry::Point(Point::new(query.at.lon_deg(), query.at.lat_deg()));
            writer.feature(&query.what.id, Some(&at), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}
