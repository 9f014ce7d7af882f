//! The check log of a job, and the animals that stations are meant for.

use super::load::{dates_of, zone_of};
use super::{Desk, Outcome, StepError};
use crate::checks::read_log;
use crate::job::{Fields, Findings, JobError};
use crate::plan::Plan;
use crate::record::{Animal, Check};

/// The checks of every log that the plan names, sorted by day; their warnings go to the
/// outcome.
///
/// # Errors
/// [`StepError::Job`] with every row that is not understood: no dose is left out of an account.
pub(super) fn read_checks(desk: &Desk, outcome: &mut Outcome) -> Result<Vec<Check>, StepError> {
    if desk.job.check_rows.is_empty() {
        return Ok(Vec::new());
    }
    let zone = zone_of(desk.plan)?;
    let fields = Fields::new(desk.plan.fields.get("check"));
    let mut findings = Findings::default();
    let job = &desk.job;
    let checks =
        read_log(&job.check_rows, &fields, zone.as_ref(), dates_of(desk.plan), &job.stations, &mut findings);
    if let Some(faults) = findings.faults(&desk.plan.base) {
        return Err(StepError::Job(JobError::Faults(faults)));
    }
    for warning in findings.warnings() {
        outcome.warn(warning.to_string());
    }
    Ok(checks)
}

/// The animals that the stations are meant for; dogs and foxes where the plan does not say.
pub(super) fn targets(plan: &Plan) -> Vec<Animal> {
    match plan.checks.targets.as_slice() {
        [] => vec![Animal::Dog, Animal::Fox],
        named => named.iter().map(|name| Animal::from_word(name)).collect(),
    }
}
