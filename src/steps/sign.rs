//! The sign that a step uses, with what is odd about it.

use super::written::counted;
use super::{Desk, Outcome, StepError};
use crate::job::{Choice, Chosen, DaysOfYear, choose};
use crate::plan::{PeriodTable, Plan};
use crate::record::Animal;

/// The time of the year that the plan asks for.
///
/// # Errors
/// [`StepError::Setting`] for a name that `[periods]` does not have.
pub(super) fn period_of(plan: &Plan) -> Result<Option<&PeriodTable>, StepError> {
    let Some(name) = &plan.select.period else { return Ok(None) };
    plan.periods.get(name).map(Some).ok_or_else(|| {
        let known: Vec<&str> = plan.periods.keys().map(String::as_str).collect();
        let known = if known.is_empty() { "none".to_string() } else { known.join(", ") };
        StepError::Setting {
            key: "select.period",
            what: format!("unknown period \"{name}\"; [periods] in the plan has {known}"),
        }
    })
}

/// The plan's choice of sign. Its period was looked up when the inputs were read.
pub(super) fn choice_of(plan: &Plan) -> Choice {
    let period = period_of(plan).ok().flatten();
    Choice {
        times: period.into_iter().flat_map(times_of).collect(),
        animals: plan.select.animals.iter().map(|word| Animal::from_word(word)).collect(),
        from: plan.select.from.map(|d| d.0),
        to: plan.select.to.map(|d| d.0),
    }
}

/// The days of a period of the plan, for each animal that it names.
pub(super) fn times_of(period: &PeriodTable) -> impl Iterator<Item = (Animal, DaysOfYear)> {
    period.dates.iter().map(|(animal, days)| {
        let days = DaysOfYear { from: days.from.month_and_day(), to: days.to.month_and_day() };
        (Animal::from_word(animal), days)
    })
}

/// Chooses the sign and says what was left out.
pub(super) fn chosen_sign<'j>(desk: &'j Desk, outcome: &mut Outcome) -> Chosen<'j> {
    let chosen = choose(&desk.job.records, &choice_of(desk.plan));
    for (reason, count) in &chosen.left_out {
        outcome.warn(format!(
            "{}: {} {reason} left out",
            desk.files_of(&["sign"]),
            counted(*count, "record")
        ));
    }
    if desk.plan.select.animals.is_empty() && chosen.animals.len() > 1 {
        let names: Vec<&str> = chosen.animals.iter().map(Animal::word).collect();
        outcome.warn(format!(
            "{}: sign of {} is taken together; choose with --animal",
            desk.files_of(&["sign"]),
            names.join(" and ")
        ));
    }
    chosen
}
