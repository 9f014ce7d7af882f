//! What there is to say of a surface: warnings, the summary, what every rule would give.

use serde_json::{Map, Value, json};

use crate::files::write::round_to;
use crate::frame::Placed;
use crate::record::Record;
use crate::steps::written::counted;
use crate::steps::{Desk, Outcome};
use crate::surface::{Bandwidth, Rule, Surface, SurfaceError, Weighed, coarse_step_m, shared_places};

use super::animals::OfAnimal;
use super::settings::accuracy_m;
use super::{Seconds, SurfaceDone};

/// Cells to a bandwidth below which a grid shows steps instead of a surface.
const COARSE_CELLS: f64 = 2.0;

/// Says what is odd about the sign behind a surface.
pub(super) fn of_sign(desk: &Desk, records: &[&Placed<Record>], weighed: &Weighed, outcome: &mut Outcome) {
    let files = desk.files_of(&["sign"]);
    if weighed.undated > 0 {
        outcome.warn(format!(
            "{files}: {} without a date left out, since half_life_days counts the age",
            counted(weighed.undated, "record")
        ));
    }
    if weighed.older_than_a_year > 0.5 {
        outcome.warn(format!(
            "{files}: {:.0} percent of the dated sign is older than a year; activity may have moved \
             (--from, or half_life_days in the plan)",
            100.0 * weighed.older_than_a_year
        ));
    }
    let surplus = weighed.repeats.surplus();
    if surplus > 0 {
        let merged = if desk.plan.surface.merge_repeats == Some(true) {
            "they count once"
        } else {
            "they all count (merge_repeats in the plan)"
        };
        let first = weighed.repeats.groups.first().and_then(|group| group.get(1)).map(|&k| records[k]);
        let example = first.map_or(String::new(), |r| format!(", such as {}", r.what.source));
        outcome.warn(format!(
            "{files}: {surplus} records repeat sign reported within a day and the accuracy of the place{example}; {merged}"
        ));
    }
    let shared = shared_places(records);
    if shared.records > 0 {
        let most =
            shared.most_shared.map_or(String::new(), |k| format!(", most at {}", records[k].what.source));
        outcome.warn(format!(
            "{files}: {} records stand on {} shared places{most}; rule lscv takes that for extreme clustering",
            shared.records, shared.places
        ));
    }
    if let Some(step_m) = coarse_step_m(records) {
        outcome.warn(format!(
            "{files}: most coordinates are rounded to about {step_m} m; bandwidths below that mean nothing"
        ));
    }
}

/// Says what is odd about the bandwidth and the grid.
pub(super) fn of_bandwidth(
    desk: &Desk,
    records: &[&Placed<Record>],
    done: &SurfaceDone,
    outcome: &mut Outcome,
) {
    let Bandwidth { bandwidth_m, rule, at_search_edge } = done.bandwidth;
    if let (true, Some(rule)) = (at_search_edge, rule) {
        outcome.warn(format!(
            "rule {} found no optimum inside the range it searched and stopped at {bandwidth_m:.1} m; \
             give the bandwidth in metres or take another rule",
            rule.word()
        ));
    }
    let mut accuracies: Vec<f64> =
        records.iter().map(|r| r.what.accuracy_m.unwrap_or(accuracy_m(&desk.plan.surface))).collect();
    let middle = accuracies.len() / 2;
    let typical_m = match accuracies.is_empty() {
        true => 0.0,
        false => *accuracies.select_nth_unstable_by(middle, f64::total_cmp).1,
    };
    if bandwidth_m < typical_m {
        outcome.warn(format!(
            "the bandwidth of {bandwidth_m:.1} m is smaller than the accuracy of the records ({typical_m:.0} m); \
             the surface shows where receivers erred"
        ));
    }
    let cell_m = done.surface.grid.cell_m;
    if cell_m * COARSE_CELLS > bandwidth_m {
        outcome.warn(format!("cells of {cell_m} m are coarse for a bandwidth of {bandwidth_m:.1} m"));
    }
    if done.surface.outside > 0 {
        outcome.warn(format!(
            "{}: {} outside the area left out, since edge rule {} knows only what is inside (--edge none counts them)",
            desk.files_of(&["sign", "area"]),
            counted(done.surface.outside, "record"),
            done.surface.settings.edge.word()
        ));
    }
}

/// The members of `activity.json`.
pub(super) fn summary(desk: &Desk, done: &SurfaceDone, animals: &[OfAnimal], seconds: Seconds) -> Value {
    let surface: &Surface = &done.surface;
    let settings = &surface.settings;
    json!({
        "kernel": settings.kernel.word(),
        "bandwidth_m": settings.bandwidth_m,
        "rule": done.bandwidth.rule.map(Rule::word),
        "rules": rules(&done.rules),
        "edge": settings.edge.word(),
        "adaptive": surface.spread.map(|s| json!({
            "least_m": s.least_m, "median_m": s.median_m, "most_m": s.most_m,
        })),
        "cell_m": surface.grid.cell_m,
        "epsg": desk.job.frame.epsg(),
        "records": done.points.len(),
        "records_set_aside": desk.job.whereabouts.set_aside,
        "animals": animals.iter().map(|of| of.summary.clone()).collect::<Vec<_>>(),
        "outside": surface.outside,
        "repeats": done.weighed.repeats.surplus(),
        "median_age_days": done.weighed.median_age_days,
        "as_of": done.weighed.as_of.map(|d| d.to_string()),
        "sum_of_weights": surface.sum_of_weights,
        "integral": surface.integral,
        "peak": surface.peak_per_km2,
        "error_bound": {
            "relative": surface.error_bound.relative,
            "absolute_per_km2": surface.error_bound.absolute_per_km2,
        },
        "seconds": {
            "read": seconds.read, "rules": seconds.rules, "density": seconds.density, "write": seconds.write,
        },
    })
}

/// Metres by rule, `null` where a rule can say nothing.
fn rules(rules: &[(Rule, Result<Bandwidth, SurfaceError>)]) -> Map<String, Value> {
    let metres = |found: &Result<Bandwidth, SurfaceError>| {
        found.as_ref().map_or(Value::Null, |b| json!(round_to(b.bandwidth_m, 3)))
    };
    rules.iter().map(|(rule, found)| (rule.word().to_string(), metres(found))).collect()
}

/// Says for people what the surface is.
pub(super) fn in_words(done: &SurfaceDone, outcome: &mut Outcome) {
    let surface = &done.surface;
    let rule = done.bandwidth.rule.map_or("as given", Rule::word);
    let mut lines = vec![format!(
        "activity surface of {}: {} kernel, bandwidth {:.1} m ({rule}), peak {:.4} sign per km²",
        counted(done.points.len(), "record"),
        surface.settings.kernel.word(),
        surface.settings.bandwidth_m,
        surface.peak_per_km2
    )];
    let metres = |(rule, found): &(Rule, Result<Bandwidth, SurfaceError>)| match found {
        Ok(b) => format!(
            "{} {:.0} m{}",
            rule.word(),
            b.bandwidth_m,
            if b.at_search_edge { " (end of range)" } else { "" }
        ),
        Err(_) => format!("{} none", rule.word()),
    };
    lines.push(format!(
        "bandwidths by rule: {}",
        done.rules.iter().map(metres).collect::<Vec<_>>().join(", ")
    ));
    if let Some(spread) = surface.spread {
        lines.push(format!(
            "adaptive bandwidths from {:.0} to {:.0} m, median {:.0} m",
            spread.least_m, spread.most_m, spread.median_m
        ));
    }
    if let (Some(age), Some(as_of)) = (done.weighed.median_age_days, done.weighed.as_of) {
        lines.push(format!("median age of the sign: {age:.0} days before {as_of}"));
    }
    outcome.lines.splice(0..0, lines);
}
