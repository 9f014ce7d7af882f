//! `surface`: the activity surface and its hot areas.

use std::time::Instant;

use geo::MapCoords;
use geo_types::{Coord, Geometry, MultiPolygon, Point};
use serde_json::{Map, Value, json};

use super::along_files::along_lines;
use super::sign::chosen_sign;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, Raster, round_to, write_geotiff};
use crate::frame::{Frame, FrameError, GroundPoint, polygons_area_m2};
use crate::plan::MetresOrRule;
use crate::surface::{
    DensitySettings, Extent, HotArea, Kernel, Rule, Surface, SurfaceError, WeightedPoint, choose_bandwidth,
    choose_grid, densities_at, density, hot_areas,
};

/// Shares of the activity for which hot areas are drawn, in percent.
const HOT_AREA_PERCENTS: [f64; 3] = [50.0, 75.0, 95.0];

/// The rule that finds the bandwidth where the plan names none.
const DEFAULT_RULE: Rule = Rule::Scott;

/// A surface with what made it, for the steps that build on it.
pub struct SurfaceDone {
    /// The surface.
    pub surface: Surface,
    /// The points it is made of.
    pub points: Vec<WeightedPoint>,
    rule: Option<Rule>,
    seconds: f64,
}

/// Computes the surface of the chosen sign.
///
/// # Errors
/// [`StepError::Setting`] for an unknown kernel or rule, [`StepError::Request`] where there
/// is no sign or the grid would not fit.
pub fn compute(desk: &Desk, outcome: &mut Outcome) -> Result<SurfaceDone, StepError> {
    let table = &desk.plan.surface;
    let kernel = kernel_of(table.kernel.as_deref())?;
    let sign = chosen_sign(desk, outcome);
    if sign.records.is_empty() {
        return Err(request(desk, "no usable record of sign; a surface needs at least one"));
    }
    desk.progress.stage("computing the activity surface", None);
    let started = Instant::now();
    let points: Vec<WeightedPoint> =
        sign.records.iter().map(|r| WeightedPoint { at: r.ground, weight: r.what.count }).collect();
    let (rule, sigma_m) = bandwidth_of(desk, table.bandwidth.as_ref(), &points)?;
    let grid = extent_of(desk, &points).ok_or_else(|| request(desk, "no usable record of sign")).and_then(
        |extent| choose_grid(extent, sigma_m, table.cell_m.map(|c| c.get())).map_err(|e| request(desk, e)),
    )?;
    let surface = density(&points, &grid, DensitySettings::plain(kernel, sigma_m), None)
        .map_err(|e| request(desk, e))?;
    Ok(SurfaceDone { surface, points, rule, seconds: started.elapsed().as_secs_f64() })
}

/// Computes the surface, writes its files and says what it did.
///
/// # Errors
/// As [`compute`], and [`StepError::Output`].
pub fn surface(desk: &Desk, set: &mut OutputSet) -> Result<(Outcome, SurfaceDone), StepError> {
    let mut outcome = desk.outcome();
    let done = compute(desk, &mut outcome)?;
    let started = Instant::now();
    desk.progress.stage("writing the activity surface", None);
    write_tif(desk, &done.surface, set)?;
    let hot = hot_areas(&done.surface, &HOT_AREA_PERCENTS).map_err(|e| request(desk, e))?;
    write_hot_areas(desk, &hot, set, &mut outcome)?;
    let along = match desk.plan.surface.along_lines {
        true => along_lines(desk, set, &mut outcome)?,
        false => Vec::new(),
    };
    write_at(desk, &done, &along, set)?;
    summarise(desk, &done, started.elapsed().as_secs_f64(), set, &mut outcome)?;
    Ok((outcome, done))
}

fn request(desk: &Desk, what: impl ToString) -> StepError {
    StepError::Request { files: desk.files_of(&["sign", "area"]), what: what.to_string() }
}

pub(super) fn kernel_of(word: Option<&str>) -> Result<Kernel, StepError> {
    let word = word.unwrap_or("gaussian");
    Kernel::from_word(word).ok_or_else(|| StepError::Setting {
        key: "surface.kernel",
        what: format!("unknown kernel \"{word}\""),
    })
}

fn bandwidth_of(
    desk: &Desk,
    asked: Option<&MetresOrRule>,
    points: &[WeightedPoint],
) -> Result<(Option<Rule>, f64), StepError> {
    let rule = match asked {
        Some(MetresOrRule::Metres(metres)) => return Ok((None, metres.get())),
        Some(MetresOrRule::Rule(word)) => Rule::from_word(word).ok_or_else(|| StepError::Setting {
            key: "surface.bandwidth",
            what: format!("\"{word}\" is neither metres nor a rule known here"),
        })?,
        None => DEFAULT_RULE,
    };
    let found = choose_bandwidth(rule, points, None).map_err(|e: SurfaceError| request(desk, e))?;
    Ok((Some(rule), found.bandwidth_m))
}

fn extent_of(desk: &Desk, points: &[WeightedPoint]) -> Option<Extent> {
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

fn to_lonlat(frame: &Frame, polygons: &MultiPolygon<f64>) -> Result<MultiPolygon<f64>, FrameError> {
    polygons.try_map_coords(|c| {
        frame.to_lonlat(GroundPoint::new(c.x, c.y)).map(|at| Coord { x: at.lon_deg(), y: at.lat_deg() })
    })
}

/// Writes the `--at` points with their density, and what `along` says of each.
fn write_at(
    desk: &Desk,
    done: &SurfaceDone,
    along: &[Map<String, Value>],
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let queries = &desk.job.queries;
    if desk.plan.surface.at.is_none() {
        return Ok(());
    }
    let places: Vec<GroundPoint> = queries.iter().map(|q| q.ground).collect();
    let values =
        densities_at(&done.points, &places, done.surface.settings.kernel, done.surface.settings.bandwidth_m);
    let provenance = desk.provenance();
    Ok(set.write("activity-at.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (index, (query, value)) in queries.iter().zip(&values).enumerate() {
            let mut properties = query.what.properties.clone();
            properties.insert("density_per_km2".into(), json!(value));
            properties.extend(along.get(index).cloned().unwrap_or_default());
            let at = Geometry::Point(Point::new(query.at.lon_deg(), query.at.lat_deg()));
            writer.feature(&query.what.id, Some(&at), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

fn summarise(
    desk: &Desk,
    done: &SurfaceDone,
    write_seconds: f64,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let surface = &done.surface;
    let rule = done.rule.map(|r| r.word());
    let summary = json!({
        "kernel": surface.settings.kernel.word(),
        "bandwidth_m": surface.settings.bandwidth_m,
        "rule": rule,
        "cell_m": surface.grid.cell_m,
        "epsg": desk.job.frame.epsg(),
        "records": done.points.len(),
        "sum_of_weights": surface.sum_of_weights,
        "integral": surface.integral,
        "peak": surface.peak_per_km2,
        "error_bound": {
            "relative": surface.error_bound.relative,
            "absolute_per_km2": surface.error_bound.absolute_per_km2,
        },
        "seconds": { "read": desk.read_seconds, "density": done.seconds, "write": write_seconds },
    });
    set.write_summary("activity.json", &summary)?;
    outcome.lines.insert(
        0,
        format!(
            "activity surface of {} records: {} kernel, bandwidth {:.1} m ({}), peak {:.4} sign per km²",
            done.points.len(),
            surface.settings.kernel.word(),
            surface.settings.bandwidth_m,
            rule.unwrap_or("as given"),
            surface.peak_per_km2
        ),
    );
    outcome.set("surface", summary);
    Ok(())
}

/// The members of a JSON object.
fn members(value: Value) -> Map<String, Value> {
    match value {
        Value::Object(members) => members,
        _ => Map::new(),
    }
}
