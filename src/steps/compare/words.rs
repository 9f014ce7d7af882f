//! What a comparison says to people.

use jiff::civil::Date;

use super::numbers::Rates;
use crate::season::{ChangeArea, Compares, Comparison, Direction, Headline, Verdict};

/// Days that two times of year may lie apart and still be the same.
const SAME_TIME_DAYS: i32 = 15;

/// The three sentences: what changed, the numbers, what cannot be concluded.
pub(super) fn sentences(
    names: (&str, &str),
    found: &Comparison,
    areas_ha: &[f64],
    rates: Option<&Rates>,
) -> [String; 3] {
    [answer(names, found, areas_ha), numbers(names, rates), limits(&found.headline)]
}

fn answer((before, after): (&str, &str), found: &Comparison, areas_ha: &[f64]) -> String {
    let what = match found.compares {
        Compares::Pattern => "the pattern of sign",
        Compares::Rate => "the map of sign per km searched",
    };
    let Headline { block, p, verdict, reason, .. } = &found.headline;
    let unit = block.map_or("", |b| b.word());
    let p = p.map_or_else(String::new, |p| format!("p = {p:.4}, dealing blocks of one {unit} anew"));
    let areas = areas(&found.areas, areas_ha);
    match verdict {
        Verdict::Change => {
            format!("From {before} to {after} {what} changed by more than chance explains ({p}); {areas}.")
        }
        Verdict::NoChangeShown => {
            format!("From {before} to {after} no change is shown in {what} ({p}); {areas}.")
        }
        Verdict::NotEnough => format!(
            "From {before} to {after} there are not enough independent outings to tell whether {what} changed: {}.",
            reason.as_deref().unwrap_or("no usable blocks")
        ),
    }
}

fn areas(areas: &[ChangeArea], areas_ha: &[f64]) -> String {
    if areas.is_empty() {
        return "no single area of change can be claimed".into();
    }
    let part = |direction: Direction, word: &str| {
        let own: Vec<f64> =
            areas.iter().zip(areas_ha).filter(|(a, _)| a.direction == direction).map(|(_, ha)| *ha).collect();
        let places = if own.len() == 1 { "area" } else { "areas" };
        (!own.is_empty())
            .then(|| format!("{word} in {} {places} of {:.0} ha", own.len(), own.iter().sum::<f64>()))
    };
    let parts = [part(Direction::Increase, "more"), part(Direction::Decrease, "less")];
    parts.into_iter().flatten().collect::<Vec<_>>().join(", ")
}

fn numbers((before, after): (&str, &str), rates: Option<&Rates>) -> String {
    let Some(rates) = rates else {
        return "Survey legs do not cover both seasons, so only the pattern is compared and the total cannot be judged."
            .into();
    };
    let ratio = match (rates.ratio, rates.interval) {
        (Some(ratio), Some(i)) => {
            format!(
                "a ratio of {ratio:.2} (95 percent between {:.2} and {:.2}, outings resampled)",
                i.low, i.high
            )
        }
        (Some(ratio), None) => format!("a ratio of {ratio:.2} (too few outings for an interval)"),
        (None, _) => "no ratio, since the first season has no sign".into(),
    };
    let power = rates.power.map_or_else(String::new, |p| {
        format!(
            "; these outings would have shown a rise to {:.2} times or a fall to {:.2} times",
            p.rise, p.fall
        )
    });
    format!(
        "Sign per km searched was {:.3} in {before} and {:.3} in {after}, {ratio}{power}.",
        rates.per_km.0, rates.per_km.1
    )
}

fn limits(headline: &Headline) -> String {
    let more = match headline.verdict {
        Verdict::Change => "what caused it",
        Verdict::NoChangeShown => "that nothing changed",
        Verdict::NotEnough => "that anything changed, or that nothing did",
    };
    format!(
        "It cannot be concluded {more}, and a change in sign is not by itself a change in numbers of animals."
    )
}

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
