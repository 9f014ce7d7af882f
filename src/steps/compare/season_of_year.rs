//! Whether the two seasons are like times of the year.

use std::collections::BTreeMap;

use jiff::civil::Date;

use super::pick::Picked;
use crate::plan::PeriodTable;
use crate::record::Record;
use crate::steps::sign::times_of;

/// Days that two times of year may lie apart and still be the same.
const SAME_TIME_DAYS: i32 = 15;

/// What the plan's periods, or else the days themselves, say against the comparison.
pub(super) fn unlike(
    periods: &BTreeMap<String, PeriodTable>,
    picked: &[Picked; 2],
    days: [&[Date]; 2],
) -> Option<String> {
    let [before, after] = picked.each_ref().map(|season| main_period(periods, season));
    match (before, after) {
        (Some(before), Some(after)) if before != after => Some(format!(
            "{} lies in the period {before} and {} in the period {after}: sign differs between times of the \
             year without any control, so compare like with like (Allen 2012)",
            picked[0].name, picked[1].name
        )),
        (Some(_), Some(_)) => None,
        _ => time_of_year(days[0], days[1]),
    }
}

/// The plan's period in which most of a season's dated records lie, each by the days of its
/// own animal; `None` unless more than half of them lie in one.
fn main_period<'p>(periods: &'p BTreeMap<String, PeriodTable>, season: &Picked) -> Option<&'p str> {
    let dated: Vec<(Date, &Record)> =
        season.records.iter().filter_map(|r| Some((r.what.date?, &r.what))).collect();
    let count = |period: &PeriodTable| {
        let times: Vec<_> = times_of(period).collect();
        let own = |record: &Record, day: Date| {
            times.iter().any(|(animal, days)| record.animal.as_ref() == Some(animal) && days.hold(day))
        };
        dated.iter().filter(|(day, record)| own(record, *day)).count()
    };
    let counted = periods.iter().map(|(name, period)| (name.as_str(), count(period)));
    let (name, most) = counted.rev().max_by_key(|(_, count)| *count)?;
    (2 * most > dated.len()).then_some(name)
}

/// Says so where the two seasons lie at different times of the year: most days of one are
/// further than 15 days from every day of the other.
fn time_of_year(before: &[Date], after: &[Date]) -> Option<String> {
    let apart = |a: &Date, b: &Date| {
        let days = (i32::from(a.day_of_year()) - i32::from(b.day_of_year())).abs();
        days.min(365 - days)
    };
    let near = |day: &Date, others: &[Date]| others.iter().any(|o| apart(day, o) <= SAME_TIME_DAYS);
    let far =
        |days: &[Date], others: &[Date]| 2 * days.iter().filter(|d| !near(d, others)).count() > days.len();
    (!before.is_empty() && !after.is_empty() && (far(before, after) || far(after, before))).then(|| {
        "the two seasons lie at different times of the year: sign differs between times of the year \
         without any control, so compare like with like (Allen 2012)"
            .to_string()
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_of_year_wrap_at_new_year() {
        let days = |texts: &[&str]| -> Vec<Date> { texts.iter().map(|t| t.parse().unwrap()).collect() };
        let december = days(&["2023-12-20", "2023-12-31"]);
        assert!(time_of_year(&december, &days(&["2025-01-02", "2025-01-10"])).is_none());
        assert!(time_of_year(&december, &days(&["2024-06-02", "2024-06-10"])).is_some());
        assert!(time_of_year(&december, &[]).is_none());
    }
}
