//! The sign that a step uses, with what is odd about it.

use super::{Desk, Outcome};
use crate::job::{Choice, Chosen, choose};
use crate::plan::Plan;
use crate::record::Animal;

/// The plan's choice of sign.
pub(super) fn choice_of(plan: &Plan) -> Choice {
    Choice {
        animals: plan.select.animals.iter().map(|word| Animal::from_word(word)).collect(),
        from: plan.select.from.map(|d| d.0),
        to: plan.select.to.map(|d| d.0),
    }
}

/// Chooses the sign and says what was left out.
pub(super) fn chosen_sign<'j>(desk: &'j Desk, outcome: &mut Outcome) -> Chosen<'j> {
    let chosen = choose(&desk.job.records, &choice_of(desk.plan));
    for (reason, count) in &chosen.left_out {
        outcome.warn(format!("{}: {count} records {reason} left out", desk.files_of(&["sign"])));
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
