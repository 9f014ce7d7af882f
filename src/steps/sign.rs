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

/// Holds that the choice of sign leaves a record where sign was given: by lines alone a step would
/// propose sites, and judge stations, as if nobody had ever searched.
///
/// # Errors
/// [`StepError::Request`] that says which choice removed how many records.
pub(super) fn hold_some_left(desk: &Desk, chosen: &Chosen) -> Result<(), StepError> {
    if desk.plan.sign.is_empty() || !chosen.records.is_empty() {
        return Ok(());
    }
    let way = "to propose by lines alone, take the sign out of the plan";
    let what = match desk.job.records.len() {
        0 => format!("holds no record that can be used; mend the file, or, {way}"),
        all => {
            let removed: Vec<String> = chosen
                .left_out
                .iter()
                .map(|(reason, count)| {
                    format!("{} {reason}{}", counted(*count, "record"), asked(desk.plan, reason))
                })
                .collect();
            format!(
                "none of the {} is left: {} left out; choose otherwise, or, {way}",
                counted(all, "record"),
                removed.join(", ")
            )
        }
    };
    Err(StepError::Request { files: desk.files_of(&["sign"]), what })
}

/// The choice that left records out for a reason, as the plan or a flag writes it.
fn asked(plan: &Plan, reason: &str) -> String {
    let select = &plan.select;
    let day = |name: &str, day: Option<jiff::civil::Date>| day.map(|day| format!("{name} {day}"));
    let (from, to) = (day("from", select.from.map(|d| d.0)), day("to", select.to.map(|d| d.0)));
    let period = select.period.as_ref().map(|name| format!("period \"{name}\""));
    let asked: Vec<String> = match reason {
        "of another animal" | "without an animal" => vec![format!("animals {}", select.animals.join(", "))],
        "before the first day" => from.into_iter().collect(),
        "after the last day" => to.into_iter().collect(),
        "of another time of the year" => period.into_iter().collect(),
        _ => [from, to, period].into_iter().flatten().collect(),
    };
    if asked.is_empty() { String::new() } else { format!(" (chosen: {})", asked.join(", ")) }
}
