//! `run`: every step of a plan, into one output set.

use std::io::Write;

use super::{Desk, Outcome, StepError, surface};
use crate::files::OutputSet;
use crate::plan::Plan;

/// Does everything that the plan's inputs allow.
///
/// # Errors
/// Those of the steps.
pub fn run(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let (outcome, _surface) = surface(desk, set)?;
    Ok(outcome)
}

/// Writes `settings.toml`, which reproduces a run.
///
/// # Errors
/// [`StepError::Output`].
pub fn write_settings(plan: &Plan, set: &mut OutputSet) -> Result<(), StepError> {
    let settings = plan.to_settings();
    Ok(set.write("settings.toml", |out| out.write_all(settings.as_bytes()))?)
}
