//! `run`: every step of a plan, into one output set.

use std::io::Write;

use super::{Desk, Outcome, StepError, nodes, sites, surface};
use crate::files::OutputSet;
use crate::plan::Plan;

/// Does everything that the plan's inputs allow.
///
/// # Errors
/// Those of the steps.
pub fn run(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let (outcome, made) = surface(desk, set)?;
    if desk.job.lines.is_empty() {
        return Ok(outcome);
    }
    let (nodes_outcome, network) = nodes(desk, set)?;
    let sites_outcome = sites(desk, set, Some(&made), Some(&network))?;
    Ok(outcome.then(nodes_outcome).then(sites_outcome))
}

/// Writes `settings.toml`, which reproduces a run.
///
/// # Errors
/// [`StepError::Output`].
pub fn write_settings(plan: &Plan, set: &mut OutputSet) -> Result<(), StepError> {
    let settings = plan.to_settings();
    Ok(set.write("settings.toml", |out| out.write_all(settings.as_bytes()))?)
}
