//! Which of the sign a run uses: by animal and by day.

use std::collections::BTreeMap;

use jiff::civil::Date;

use crate::frame::Placed;
use crate::record::{Animal, Record};

/// Days that recur every year, both ends counted, as (month, day) from 1; a range that ends
/// before it begins runs over new year.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct DaysOfYear {
    /// First day.
    pub from: (i8, i8),
    /// Last day.
    pub to: (i8, i8),
}

impl DaysOfYear {
    /// Whether a date falls on one of them.
    pub fn hold(&self, date: Date) -> bool {
        let day = (date.month(), date.day());
        if self.from <= self.to {
            self.from <= day && day <= self.to
        } else {
            day >= self.from || day <= self.to
        }
    }
}

/// The choice of sign.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Choice {
    /// Animals; all if empty.
    pub animals: Vec<Animal>,
    /// First day.
    pub from: Option<Date>,
    /// Last day.
    pub to: Option<Date>,
    /// Time of the year for each animal; animals that are not named are not limited. A record
    /// that names no animal counts in the time of any.
    pub times: Vec<(Animal, DaysOfYear)>,
}

impl Choice {
    /// The times of the year that hold for a record; `None` if none limits it.
    fn times_of(&self, record: &Record) -> Option<impl Iterator<Item = DaysOfYear>> {
        let animal = record.animal.as_ref();
        let own = move |of: &Animal| animal.is_none_or(|a| a == of);
        self.times
            .iter()
            .any(|(of, _)| own(of))
            .then(|| self.times.iter().filter(move |(of, _)| own(of)).map(|(_, days)| *days))
    }
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
    let times = choice.times_of(record);
    if choice.from.is_none() && choice.to.is_none() && times.is_none() {
        return None;
    }
    match record.date {
        None => Some("without a date"),
        Some(day) if choice.from.is_some_and(|from| day < from) => Some("before the first day"),
        Some(day) if choice.to.is_some_and(|to| day > to) => Some("after the last day"),
        Some(day) if times.is_some_and(|mut times| !times.any(|days| days.hold(day))) => {
            Some("of another time of the year")
        }
        Some(_) => None,
    }
}

#[cfg(test)]
mod tests {
    use jiff::civil::date;

    use super::*;

    #[test]
    fn days_of_the_year_may_run_over_new_year() {
        let winter = DaysOfYear { from: (6, 1), to: (8, 31) };
        let summer = DaysOfYear { from: (12, 1), to: (2, 29) };
        assert!(winter.hold(date(2025, 6, 1)) && winter.hold(date(2024, 8, 31)));
        assert!(!winter.hold(date(2025, 5, 31)) && !winter.hold(date(2025, 9, 1)));
        assert!(summer.hold(date(2025, 12, 1)) && summer.hold(date(2024, 2, 29)));
        assert!(summer.hold(date(2025, 1, 10)) && !summer.hold(date(2025, 3, 1)));
    }
}
