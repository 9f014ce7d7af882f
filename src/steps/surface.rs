//! `surface`: the activity surface and its hot areas.

mod animals;
mod say;
mod settings;
mod write;

use std::time::Instant;

use serde_json::Value;

use super::along_files::along_lines;
use super::rate_camera::camera_rate;
use super::rate_plane::plane_rate;
use super::sign::{chosen_sign, hold_some_left};
use super::smoothing::{bandwidth_of, grid_of, ground, kernel_of, request};
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::frame::GroundPoint;
use crate::surface::{
    Bandwidth, DensitySettings, Rule, Surface, SurfaceError, Weighed, WeightedPoint, Window, check_places,
    density_within, every_rule, weigh,
};

use animals::each_animal;
use settings::edge_of;
pub(super) use settings::{most_values, weights_of};
use write::{ALL_SIGN, Beside, write_at, write_hot_areas, write_tif};

/// What each rule gives.
type Rules = Vec<(Rule, Result<Bandwidth, SurfaceError>)>;

/// A surface with what made it, for the steps that build on it.
pub struct SurfaceDone {
    /// The surface.
    pub surface: Surface,
    /// The points it is made of.
    pub points: Vec<WeightedPoint>,
    /// The bandwidth and where it comes from.
    pub bandwidth: Bandwidth,
    /// What every rule gives; empty where nobody asked.
    pub rules: Rules,
    pub(super) window: Option<Window>,
    pub(super) weighed: Weighed,
    rules_seconds: f64,
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
    computed(desk, outcome, |_| Vec::new())
}

/// As [`compute`], with what rules say of the points. They are asked before there is a grid, so
/// that what both hold for a while is never held together.
fn computed(
    desk: &Desk,
    outcome: &mut Outcome,
    rules: impl FnOnce(&[WeightedPoint]) -> Rules,
) -> Result<SurfaceDone, StepError> {
    let table = &desk.plan.surface;
    let kernel = kernel_of(table.kernel.as_deref())?;
    let weights = weights_of(desk)?;
    let sign = chosen_sign(desk, outcome);
    hold_some_left(desk, &sign)?;
    desk.progress.stage("computing the activity surface", None);
    let mut weighed = weigh(&sign.records, &weights);
    say::of_sign(desk, &sign.records, &weighed, outcome);
    let points = std::mem::take(&mut weighed.points);
    if !points.iter().any(|p| p.weight > 0.0) {
        return Err(request(desk, "no usable record of sign; a surface needs at least one with a weight"));
    }
    let (edge, window) = edge_of(desk, &points, outcome)?;
    let bandwidth = bandwidth_of(desk, table.bandwidth.as_ref(), &points)?;
    let grid = grid_of(desk, &points, bandwidth.bandwidth_m)?;
    let adaptive = table.adaptive.unwrap_or(false);
    let settings = DensitySettings { kernel, bandwidth_m: bandwidth.bandwidth_m, edge, adaptive };
    let most_values = most_values(table);
    check_places(&points, &places_asked(desk), settings, most_values).map_err(|e| request(desk, e))?;
    let started = Instant::now();
    let rules = rules(&points);
    let rules_seconds = started.elapsed().as_secs_f64();
    let started = Instant::now();
    let surface = density_within(&points, &grid, settings, window.as_ref(), most_values)
        .map_err(|e| request(desk, e))?;
    let density_seconds = started.elapsed().as_secs_f64();
    let done =
        SurfaceDone { surface, points, bandwidth, rules, window, weighed, rules_seconds, density_seconds };
    say::of_bandwidth(desk, &sign.records, &done, outcome);
    Ok(done)
}

/// Places at which the density is asked for exactly.
fn places_asked(desk: &Desk) -> Vec<GroundPoint> {
    desk.job.queries.iter().map(|query| query.ground).collect()
}

/// Computes the surface, writes its files and says what it did.
///
/// # Errors
/// [`StepError::Setting`], [`StepError::Request`] and [`StepError::Output`].
pub fn surface(desk: &Desk, set: &mut OutputSet) -> Result<(Outcome, SurfaceDone), StepError> {
    let mut outcome = desk.outcome();
    let done = computed(desk, &mut outcome, |points| {
        desk.progress.stage("comparing bandwidth rules", None);
        every_rule(points, ground(desk).as_ref())
    })?;
    let started = Instant::now();
    desk.progress.stage("writing the activity surface", None);
    write_tif(desk, &done.surface, ALL_SIGN, set)?;
    write_hot_areas(desk, &done.surface, ALL_SIGN, set, &mut outcome)?;
    let animals = each_animal(desk, &done, set, &mut outcome)?;
    let along = match desk.plan.surface.along_lines {
        true => along_lines(desk, set, &mut outcome)?,
        false => Vec::new(),
    };
    let rate = plane_rate(desk, &done, set, &mut outcome)?;
    let cameras = camera_rate(desk, &done, set, &mut outcome)?;
    write_at(desk, &done, Beside { animals: &animals, along: &along, rate: rate.as_ref() }, set)?;
    let write = started.elapsed().as_secs_f64();
    let seconds =
        Seconds { read: desk.read_seconds, rules: done.rules_seconds, density: done.density_seconds, write };
    let mut summary = say::summary(desk, &done, &animals, seconds);
    summary["rate"] = rate.map_or(Value::Null, |rate| rate.summary);
    if let Some(cameras) = cameras {
        summary["camera_rate"] = cameras;
    }
    set.write_summary("activity.json", &summary)?;
    say::in_words(&done, &mut outcome);
    outcome.set("surface", summary);
    Ok((outcome, done))
}
