//! Whether the two seasons are like times of the year.

use jiff::civil::Date;

/// Days that two times of year may lie apart and still be the same.
const SAME_TIME_DAYS: i32 = 15;

/// Says so where the two seasons lie at different times of the year: most days of one are
/// further than 15 days from every day of the other.
pub(super) fn time_of_year(before: &[Date], after: &[Date]) -> Option<String> {
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
