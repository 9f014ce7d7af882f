//! `surface`: the activity surface and its hot areas.

mod say;
mod settings;

use std::time::Instant;

use geo::MapCoords;
use geo_types::{Coord, Geometry, MultiPolygon, Point};
use serde_json::{Map, Value, json};

use super::along_files::along_lines;
use super::rate_plane::{PlaneRate, plane_rate};
use super::sign::chosen_sign;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, Raster, round_to, write_geotiff};
use crate::frame::{Frame, FrameError, GroundPoint, polygons_area_m2};
use crate::surface::{
    Bandwidth, DensitySettings, Extent, HotArea, Rule, Surface, SurfaceError, Weighed, WeightedPoint, Window,
    choose_grid, density, density_at_places, every_rule, hot_areas, weigh,
};

pub(super) use settings::{bandwidth_of, kernel_of, weights_of};
use settings::{edge_of, hot_area_percents, window_of};

/// A surface with what made it, for the steps that build on it.
pub struct SurfaceDone {
    /// The surface.
    pub surface: Surface,
    /// The points it is made of.
    pub points: Vec<WeightedPoint>,
    /// The bandwidth and where it comes from.
    pub bandwidth: Bandwidth,
    /// What every rule gives; empty where nobody asked.
    pub rules: Vec<(Rule, Result<Bandwidth, SurfaceError>)>,
    pub(super) window: Option<Window>,
    pub(super) weighed: Weighed,
    density_seconds: f64,
}

/// Seconds that the parts of the step took.
struct Seconds {
    read: f64,
    rules: f64,
    density: f64,
    write: f64,
}

/// Computes the surface of the chosen sign.
///
/// # Errors
/// [`StepError::Setting`] for an unknown kernel, rule or kind of sign,
/// [`StepError::Request`] where there is no sign, no area for an edge rule, or the grid
/// would not fit.
pub fn compute(desk: &Desk, outcome: &mut Outcome) -> Result<SurfaceDone, StepError> {
    let table = &desk.plan.surface;
    let kernel = kernel_of(table.kernel.as_deref())?;
    let edge = edge_of(table.edge.as_deref())?;
    let weights = weights_of(desk)?;
    let sign = chosen_sign(desk, outcome);
    desk.progress.stage("computing the activity surface", None);
    let mut weighed = weigh(&sign.records, &weights);
    say::of_sign(desk, &sign.records, &weighed, outcome);
    let points = std::mem::take(&mut weighed.points);
    if !points.iter().any(|p| p.weight > 0.0) {
        return Err(request(desk, "no usable record of sign; a surface needs at least one with a weight"));
    }
    let window = window_of(desk, edge)?;
    let bandwidth = bandwidth_of(desk, table.bandwidth.as_ref(), &points)?;
    let extent = extent_of(desk, &points).ok_or_else(|| request(desk, "no usable record of sign"))?;
    let grid = choose_grid(extent, bandwidth.bandwidth_m, table.cell_m.map(|c| c.get()))
        .map_err(|e| request(desk, e))?;
    let adaptive = table.adaptive.unwrap_or(false);
    let settings = DensitySettings { kernel, bandwidth_m: bandwidth.bandwidth_m, edge, adaptive };
    let started = Instant::now();
    let surface = density(&points, &grid, settings, window.as_ref()).map_err(|e| request(desk, e))?;
    let density_seconds = started.elapsed().as_secs_f64();
    let done =
        SurfaceDone { surface, points, bandwidth, rules: Vec::new(), window, weighed, density_seconds };
    say::of_bandwidth(desk, &sign.records, &done, outcome);
    Ok(done)
}

/// Computes the surface, writes its files and says what it did.
///
/// # Errors
/// [`StepError::Setting`], [`StepError::Request`] and [`StepError::Output`].
pub fn surface(desk: &Desk, set: &mut OutputSet) -> Result<(Outcome, SurfaceDone), StepError> {
    let mut outcome = desk.outcome();
    let mut done = compute(desk, &mut outcome)?;
    let started = Instant::now();
    desk.progress.stage("comparing bandwidth rules", None);
    done.rules = every_rule(&done.points, None);
    let rules = started.elapsed().as_secs_f64();
    let started = Instant::now();
    desk.progress.stage("writing the activity surface", None);
    write_tif(desk, &done.surface, set)?;
    let percents = hot_area_percents(&desk.plan.surface);
    let hot = hot_areas(&done.surface, &percents).map_err(|e| request(desk, e))?;
    write_hot_areas(desk, &hot, set, &mut outcome)?;
    let along = match desk.plan.surface.along_lines {
        true => along_lines(desk, set, &mut outcome)?,
        false => Vec::new(),
    };
    let rate = plane_rate(desk, &done, set, &mut outcome)?;
    write_at(desk, &done, &along, rate.as_ref(), set)?;
    let write = started.elapsed().as_secs_f64();
    let seconds = Seconds { read: desk.read_seconds, rules, density: done.density_seconds, write };
    let mut summary = say::summary(desk, &done, seconds);
    summary["rate"] = rate.map_or(Value::Null, |rate| rate.summary);
    set.write_summary("activity.json", &summary)?;
    say::in_words(&done, &mut outcome);
    outcome.set("surface", summary);
    Ok((outcome, done))
}

fn request(desk: &Desk, what: impl ToString) -> StepError {
    StepError::Request { files: desk.files_of(&["sign", "area"]), what: what.to_string() }
}

pub(super) fn extent_of(desk: &Desk, points: &[WeightedPoint]) -> Option<Extent> {
    use geo::CoordsIter;
    let area = desk.job.area.iter().flat_map(|a| a.ground.exterior_coords_iter());
    Extent::of(points.iter().map(|p| p.at).chain(area.map(|c| GroundPoint::new(c.x, c.y))))
}

fn write_tif(desk: &Desk, surface: &Surface, set: &mut OutputSet) -> Result<(), StepError> {
    let grid = &surface.grid;
    let raster = Raster {
        west_m: grid.west_m,
        north_m: grid.north_m,
        cell_m: grid.cell_m,
        columns: grid.columns,
        rows: grid.rows,
        values: &surface.values,
        epsg: desk.job.frame.epsg(),
        description: "activity, sign per square kilometre",
        unit: "sign/km2",
    };
    Ok(set.write("activity.tif", |out| write_geotiff(out, &raster))?)
}

fn write_hot_areas(
    desk: &Desk,
    hot: &[HotArea],
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let provenance = desk.provenance();
    let mut described = Vec::new();
    for area in hot {
        let polygons = to_lonlat(&desk.job.frame, &area.polygons).map_err(crate::job::JobError::from)?;
        described.push((area, polygons_area_m2(&polygons) / 10_000.0, polygons));
    }
    set.write("hot-areas.geojson", |out| {
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
    for (area, area_ha, _) in &described {
        outcome.say(format!("{} percent of the activity lies in {area_ha:.1} ha", area.mass_percent));
    }
    Ok(())
}

pub(super) fn to_lonlat(
    frame: &Frame,
    polygons: &MultiPolygon<f64>,
) -> Result<MultiPolygon<f64>, FrameError> {
    polygons.try_map_coords(|c| {
        frame.to_lonlat(GroundPoint::new(c.x, c.y)).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() })
    })
}

/// Writes the `--at` points with their density, the rate in the plane, and what `along` says
/// of each.
fn write_at(
    desk: &Desk,
    done: &SurfaceDone,
    along: &[Map<String, Value>],
    rate: Option<&PlaneRate>,
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let queries = &desk.job.queries;
    if desk.plan.surface.at.is_none() {
        return Ok(());
    }
    let places: Vec<GroundPoint> = queries.iter().map(|q| q.ground).collect();
    let values = density_at_places(&done.points, &places, done.surface.settings, done.window.as_ref())
        .map_err(|e| request(desk, e))?;
    let provenance = desk.provenance();
    Ok(set.write("activity-at.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (index, (query, value)) in queries.iter().zip(&values).enumerate() {
            let mut properties = query.what.properties.clone();
            properties.insert("density_per_km2".into(), json!(value));
            if let Some(rate) = rate {
                let here = rate.at_queries.get(index).copied().flatten();
                properties.insert("rate_in_plane_per_km_searched".into(), json!(here));
            }
            properties.extend(along.get(index).cloned().unwrap_or_default());
            let at = Geometry::Point(Point::new(query.at.lon_deg(), query.at.lat_deg()));
            writer.feature(&query.what.id, Some(&at), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

/// The members of a JSON object.
pub(super) fn members(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(members) => members,
        _ => Map::new(),
    }
}
