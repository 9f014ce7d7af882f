//! What the plan says of a surface, as the surface room takes it.

use crate::plan::SurfaceTable;
use crate::record::Sign;
use crate::steps::sign::period_of;
use crate::steps::smoothing::request;
use crate::steps::{Desk, StepError};
use crate::surface::{EdgeRule, MOST_VALUES, SurfaceError, WeightSettings, Window};

/// Horizontal accuracy of records that do not say theirs: common practice for a handheld
/// receiver, no source.
const ACCURACY_M: f64 = 10.0;

/// Shares of the activity for which hot areas are drawn, in percent.
const HOT_AREA_PERCENTS: [f64; 3] = [50.0, 75.0, 95.0];

pub(super) fn edge_of(word: Option<&str>) -> Result<EdgeRule, StepError> {
    let word = word.unwrap_or("none");
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
pub(super) fn window_of(desk: &Desk, edge: EdgeRule) -> Result<Option<Window>, StepError> {
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
