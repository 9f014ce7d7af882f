//! What a comparison says to people.

use super::numbers::Rates;
use crate::season::{Compares, Comparison, Direction, Headline, Verdict};

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
    let areas = areas(found, areas_ha);
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

fn areas(found: &Comparison, areas_ha: &[f64]) -> String {
    let areas = &found.areas;
    if found.areas_withheld > 0 {
        return "a place that differs by itself is no claim where the whole shows no change, and none is drawn"
            .into();
    }
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
    let impact = rates.impact.as_ref().map_or_else(String::new, |c| {
        let interval = c
            .interval
            .map_or_else(String::new, |i| format!(" (95 percent between {:.2} and {:.2})", i.low, i.high));
        format!("; held against the untreated ground that is a ratio of {:.2}{interval}", c.log_ratio.exp())
    });
    format!(
        "Sign per km searched was {:.3} in {before} and {:.3} in {after}, {ratio}{impact}{power}.",
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
