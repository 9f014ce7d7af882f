//! Which of the sign a run uses: by animal and by day.

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::frame::Placed;
use crate::record::{Animal, Record};

/// The choice of sign.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Choice {
    /// Animals; all if empty.
    pub animals: Vec<Animal>,
    /// First day.
    pub from: Option<Date>,
    /// Last day.
    pub to: Option<Date>,
}

/// The sign chosen, and what was left out and why.
#[derive(Clone, PartialEq, Debug)]
pub struct Chosen<'j> {
    /// The records, in input order.
    pub records: Vec<&'j Placed<Record>>,
    /// How many were left out, by reason.
    pub left_out: BTreeMap<&'static str, usize>,
    /// The animals that the chosen records name.
    pub animals: Vec<Animal>,
}

/// Chooses among records. Where a day is asked for, an undated record is left out.
pub fn choose<'j>(records: &'j [Placed<Record>], choice: &Choice) -> Chosen<'j> {
    let mut left_out = BTreeMap::new();
    let chosen: Vec<_> = records
        .iter()
        .filter(|record| match reason_to_leave_out(&record.what, choice) {
            None => true,
            Some(reason) => {
                *left_out.entry(reason).or_insert(0) += 1;
                false
            }
        })
        .collect();
    let mut animals: Vec<Animal> = chosen.iter().filter_map(|r| r.what.animal.clone()).collect();
    animals.sort();
    animals.dedup();
    Chosen { records: chosen, left_out, animals }
}

fn reason_to_leave_out(record: &Record, choice: &Choice) -> Option<&'static str> {
    let wanted = |animal: &Option<Animal>| animal.as_ref().is_some_and(|a| choice.animals.contains(a));
    if !choice.animals.is_empty() && !wanted(&record.animal) {
        return Some(if record.animal.is_some() { "of another animal" } else { "without an animal" });
    }
    if choice.from.is_none() && choice.to.is_none() {
        return None;
    }
    match record.date {
        None => Some("without a date"),
        Some(day) if choice.from.is_some_and(|from| day < from) => Some("before the first day"),
        Some(day) if choice.to.is_some_and(|to| day > to) => Some("after the last day"),
        Some(_) => None,
    }
}
