//! What the plan says of a surface, as the surface room takes it.

use crate::plan::SurfaceTable;
use crate::record::Sign;
use crate::steps::sign::period_of;
use crate::steps::smoothing::request;
use crate::steps::{Desk, Outcome, StepError};
use crate::surface::{EdgeRule, MOST_VALUES, SurfaceError, WeightSettings, WeightedPoint, Window};

/// Horizontal accuracy of records that do not say theirs: common practice for a handheld
/// receiver, no source.
const ACCURACY_M: f64 = 10.0;

/// Shares of the activity for which hot areas are drawn, in percent.
const HOT_AREA_PERCENTS: [f64; 3] = [50.0, 75.0, 95.0];

/// The edge rule, and the area as its window. Where the plan names none, an area that holds sign means
/// `jones-diggle`: records beyond a fence that nobody searched are none, and without a rule part of the
/// activity would come to lie out there.
pub(super) fn edge_of(
    desk: &Desk,
    points: &[WeightedPoint],
    outcome: &mut Outcome,
) -> Result<(EdgeRule, Option<Window>), StepError> {
    if let Some(word) = desk.plan.surface.edge.as_deref() {
        let edge = named(word)?;
        return Ok((edge, window_of(desk, edge)?));
    }
    if desk.job.area.is_none() {
        return Ok((EdgeRule::None, None));
    }
    let window = window_of(desk, EdgeRule::JonesDiggle)?;
    let holds_sign = |window: &Window| points.iter().any(|p| p.weight > 0.0 && window.contains(p.at));
    if window.as_ref().is_some_and(holds_sign) {
        return Ok((EdgeRule::JonesDiggle, window));
    }
    outcome.warn(format!(
        "{}: no record of sign lies in the area, so the surface is made as if there were none",
        desk.files_of(&["sign", "area"])
    ));
    Ok((EdgeRule::None, None))
}

fn named(word: &str) -> Result<EdgeRule, StepError> {
    EdgeRule::from_word(word).ok_or_else(|| StepError::Setting {
        key: "surface.edge",
        what: format!(
            "unknown edge rule \"{word}\"; known are {}",
            EdgeRule::ALL.map(EdgeRule::word).join(", ")
        ),
    })
}

pub(in crate::steps) fn weights_of(desk: &Desk) -> Result<WeightSettings, StepError> {
    let table = &desk.plan.surface;
    let mut of_sign = Vec::new();
    for (word, factor) in &table.sign_weights {
        let sign = Sign::from_word(word).ok_or_else(|| StepError::Setting {
            key: "surface.sign_weights",
            what: format!("unknown sign \"{word}\"; known are {}", Sign::ALL.map(Sign::word).join(", ")),
        })?;
        of_sign.push((sign, factor.get()));
    }
    Ok(WeightSettings {
        half_life_days: period_of(desk.plan)?
            .and_then(|p| p.half_life_days)
            .or(table.half_life_days)
            .map(|d| d.get()),
        as_of: desk.plan.select.to.map(|d| d.0),
        of_sign,
        accuracy_m: accuracy_m(table),
        merge_repeats: table.merge_repeats.unwrap_or(false),
    })
}

/// Accuracy of records that do not carry their own.
pub(super) fn accuracy_m(table: &SurfaceTable) -> f64 {
    table.record_accuracy_m.map_or(ACCURACY_M, |a| a.get())
}

/// Most kernel values that adaptive bandwidths, or the points asked for, may take.
pub(in crate::steps) fn most_values(table: &SurfaceTable) -> f64 {
    table.max_values.map_or(MOST_VALUES, |most| most.get())
}

/// The area as the window of an edge rule.
fn window_of(desk: &Desk, edge: EdgeRule) -> Result<Option<Window>, StepError> {
    if edge == EdgeRule::None {
        return Ok(None);
    }
    let area = desk.job.area.as_ref().ok_or_else(|| request(desk, SurfaceError::NoWindow))?;
    Window::new(&area.ground).map(Some).map_err(|e| request(desk, e))
}

pub(super) fn hot_area_percents(table: &SurfaceTable) -> Vec<f64> {
    match &table.hot_areas {
        Some(percents) => percents.iter().map(|p| p.get()).collect(),
        None => HOT_AREA_PERCENTS.to_vec(),
    }
}
