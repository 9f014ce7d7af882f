//! Reads an output folder into what the report is drawn from.

use std::path::Path;

use serde_json::Value;

use super::layers::layers;
use super::notices::notices;
use crate::checks::OpenItem;
use crate::files::{FileError, RasterFile, read_raster, read_text};
use crate::frame::Placed;
use crate::plan::Plan;
use crate::record::{Check, Record};
use crate::report::{Field, Material, Ramp, Shown};
use crate::siting::{SitingSettings, contacts};
use crate::steps::check_rows::read_checks;
use crate::steps::sign::choice_of;
use crate::steps::verdicts::{Verdicts, open_items, verdicts};
use crate::steps::written::said_first;
use crate::steps::{Desk, Outcome, StepError};
use crate::surface::{Grid, Kernel, Smoother, WeightedPoint};

/// Log ratios from a quarter to four times have a colour each; what lies beyond, at the thin
/// edges of both seasons as a rule, has the last one.
const CHANGE_SHOWN: f64 = 2.0 * std::f64::consts::LN_2;

/// Everything the report needs, from the job and from the files in `folder`, which messages show
/// as lying in `shown`.
pub(super) fn material<'d>(
    desk: &'d Desk,
    folder: &Path,
    shown: &Path,
    outcome: &mut Outcome,
) -> Result<Material<'d>, StepError> {
    let (job, plan) = (&desk.job, desk.plan);
    let defaults = SitingSettings::default();
    let chosen = crate::job::choose(&job.records, &choice_of(plan));
    let records: Vec<(&Placed<Record>, Option<String>)> =
        chosen.records.into_iter().map(|r| (r, season_of(plan, &r.what))).collect();
    let layers = layers(folder, shown)?;
    let compare = summary(folder, "compare.json")?;
    let siting = summary(folder, "sites.json")?;
    let told = |key: &str| siting.as_ref().and_then(|s| s.get(key)).cloned();
    let checks = read_checks(desk, outcome)?;
    let verdicts = verdicts(desk, &checks, outcome)?;
    let notices = notices(desk, &layers.sites, &verdicts, outcome)?;
    Ok(Material {
        title: plan.place.name.clone().unwrap_or_else(|| "Ground stations".to_string()),
        origin: origin(desk),
        frame: &job.frame,
        cautions: said_first(desk),
        contacts: contacts(&plan.safety).map(|(name, whom)| (name, whom.map(str::to_string))).to_vec(),
        open_items: open_texts(desk, &checks, &verdicts),
        rasters: rasters(folder, &records, compare.as_ref())?,
        records,
        lines: &job.lines,
        area: job.area.as_ref().map(|a| &a.lonlat.polygons),
        keep_outs: &job.keep_outs,
        stations: &job.stations,
        verdicts: verdicts.list().to_vec(),
        spacing_m: told("spacing_m").and_then(|v| v.as_f64()),
        min_straight_m: told("min_straight_m").and_then(|v| v.as_f64()),
        placement_error_m: plan.sites.placement_error_m.map_or(defaults.placement_error_m, |e| e.get()),
        layers,
        wind: told("wind"),
        compare,
        notices,
    })
}

/// The open items of the check log, each with what is to be done there.
fn open_texts(desk: &Desk, checks: &[Check], verdicts: &Verdicts) -> Vec<String> {
    let text = |i: &OpenItem| {
        let task = verdicts.task(&i.station_id).word();
        format!("{}: {} capsule missing since {} (task: {task})", i.station_id, i.capsules, i.since)
    };
    open_items(desk, checks).iter().map(text).collect()
}

fn origin(desk: &Desk) -> String {
    let files: Vec<&str> = desk.job.inputs.iter().map(|i| i.file.as_str()).collect();
    let named = files.iter().take(6).copied().collect::<Vec<_>>().join(", ");
    let more = match files.len().saturating_sub(6) {
        0 => String::new(),
        n => format!(" and {n} more"),
    };
    format!("Made by stakeline {} from {named}{more}.", env!("CARGO_PKG_VERSION"))
}

/// The season that a record says, or else the plan's season that holds its day.
fn season_of(plan: &Plan, record: &Record) -> Option<String> {
    if let Some(season) = &record.occasion.season {
        return Some(season.to_string());
    }
    let day = record.date?;
    plan.seasons.iter().find(|(_, s)| s.from.0 <= day && day <= s.to.0).map(|(name, _)| name.clone())
}

fn summary(folder: &Path, name: &str) -> Result<Option<Value>, StepError> {
    let path = folder.join(name);
    if !path.exists() {
        return Ok(None);
    }
    let (text, _) = read_text(&path).map_err(|e| StepError::Files(vec![e]))?;
    let broken = |e: serde_json::Error| FileError::Format { path: path.clone(), what: e.to_string() };
    serde_json::from_str(&text).map(Some).map_err(|e| StepError::Files(vec![broken(e)]))
}

fn rasters(
    folder: &Path,
    records: &[(&Placed<Record>, Option<String>)],
    compare: Option<&Value>,
) -> Result<Vec<Shown>, StepError> {
    let mut shown = Vec::new();
    if let Some(field) = raster(folder, "activity.tif")? {
        let ramp = Ramp::Rising { peak: field.peak() };
        shown.push(picture("activity", "Activity", "sign per km²", field, ramp));
    }
    if let Some(field) = raster(folder, "change.tif")? {
        if let Some(compare) = compare {
            shown.extend(seasons(records, compare, &field.grid));
        }
        let ramp = Ramp::Parting { reach: CHANGE_SHOWN };
        let unit = "after over before; change.tif holds its natural logarithm";
        shown.push(picture("change", "Change between seasons", unit, field, ramp));
    }
    Ok(shown)
}

fn picture(id: &'static str, name: impl Into<String>, unit: &str, field: Field, ramp: Ramp) -> Shown {
    Shown { id, name: name.into(), unit: unit.to_string(), field, ramp }
}

/// The two seasons of a comparison on its own grid with its own bandwidth, under one ramp.
fn seasons(records: &[(&Placed<Record>, Option<String>)], compare: &Value, grid: &Grid) -> Vec<Shown> {
    let text = |pointer| compare.pointer(pointer).and_then(Value::as_str);
    let (Some(bandwidth_m), Some(before), Some(after)) =
        (compare.get("bandwidth_m").and_then(Value::as_f64), text("/before/name"), text("/after/name"))
    else {
        return Vec::new();
    };
    let kernel = text("/kernel").and_then(Kernel::from_word).unwrap_or(Kernel::Gaussian);
    let Ok(smoother) = Smoother::new(*grid, kernel, bandwidth_m) else { return Vec::new() };
    let field = |name: &str| {
        let of = records.iter().filter(|(_, season)| season.as_deref() == Some(name));
        let points: Vec<WeightedPoint> =
            of.map(|(r, _)| WeightedPoint { at: r.ground, weight: r.what.count }).collect();
        (!points.is_empty()).then(|| Field { grid: *grid, values: smoother.density(&points) })
    };
    let (Some(one), Some(two)) = (field(before), field(after)) else { return Vec::new() };
    let ramp = Ramp::Rising { peak: one.peak().max(two.peak()) };
    let unit = "sign per km², not corrected for how much was searched";
    vec![picture("before", before, unit, one, ramp), picture("after", after, unit, two, ramp)]
}

fn raster(folder: &Path, name: &str) -> Result<Option<Field>, StepError> {
    let path = folder.join(name);
    if !path.exists() {
        return Ok(None);
    }
    let file = read_raster(&path, &path, None).map_err(|e| StepError::Files(vec![e]))?;
    let RasterFile { columns, rows, values, placement, .. } = file;
    let grid =
        Grid { west_m: placement.west, north_m: placement.north, cell_m: placement.cell_x, columns, rows };
    Ok(Some(Field { grid, values }))
}
