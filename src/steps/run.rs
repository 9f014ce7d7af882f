//! `run`: every step of a plan, into one output set.

use std::io::Write;

use super::{Desk, Outcome, StepError, checks, compare, nodes, report, round, sites, surface, terrain};
use crate::files::OutputSet;
use crate::plan::Plan;
use crate::record::StationState;

/// Does everything that the plan's inputs allow.
///
/// # Errors
/// Those of the steps.
pub fn run(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let (outcome, made) = surface(desk, set)?;
    let outcome = match desk.ground {
        Some(_) => outcome.then(terrain(desk, set)?),
        None => outcome,
    };
    if desk.job.lines.is_empty() {
        return Ok(outcome.then(report(desk, set)?));
    }
    let (nodes_outcome, network) = nodes(desk, set)?;
    let sites_outcome = sites(desk, set, Some(&made), Some(&network))?;
    let mut outcome = outcome.then(nodes_outcome).then(sites_outcome);
    if desk.job.stations.iter().any(|s| s.what.state != StationState::Lifted) {
        match round(desk, set) {
            Ok(done) => outcome = outcome.then(done),
            // Stations without a way to them are no reason to lose the rest of the job.
            Err(StepError::Request { files, what }) => outcome.warn(format!("no round: {files}: {what}")),
            Err(other) => return Err(other),
        }
    }
    if !desk.job.stations.is_empty() && !desk.job.check_rows.is_empty() {
        outcome = outcome.then(checks(desk, set)?);
    }
    let seasons = &desk.plan.compare;
    if seasons.before.is_some() && seasons.after.is_some() {
        outcome = outcome.then(compare(desk, set)?);
    }
    Ok(outcome.then(report(desk, set)?))
}

/// Writes `settings.toml`, which reproduces a run.
///
/// # Errors
/// [`StepError::Output`].
pub fn write_settings(plan: &Plan, set: &mut OutputSet) -> Result<(), StepError> {
    let settings = plan.to_settings();
    Ok(set.write("settings.toml", |out| out.write_all(settings.as_bytes()))?)
}
