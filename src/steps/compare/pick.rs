//! Which records and legs are the season before, and which the season after.

use std::collections::{BTreeSet, HashSet};
use std::sync::Arc;

use jiff::civil::Date;

use crate::frame::{Placed, Traced};
use crate::plan::{self, Plan, SeasonOrFile, SignLayer};
use crate::record::{Record, SurveyLeg};
use crate::steps::{Desk, Outcome, StepError};

/// One season of the two.
pub(super) struct Picked<'j> {
    /// What it is called in messages.
    pub name: String,
    pub records: Vec<&'j Placed<Record>>,
    pub legs: Vec<&'j Traced<SurveyLeg>>,
}

/// The plan with the files that are named as seasons among its sign.
pub fn with_season_files(plan: &Plan) -> Plan {
    let mut plan = plan.clone();
    for season in [&plan.compare.before, &plan.compare.after] {
        if let Some(SeasonOrFile::File(file)) = season
            && !plan.sign.iter().any(|layer| layer.file == *file)
        {
            plan.sign.push(SignLayer { file: file.clone(), ..Default::default() });
        }
    }
    plan
}

/// Picks both seasons from the chosen records.
pub(super) fn pick<'j>(
    desk: &'j Desk,
    chosen: &[&'j Placed<Record>],
    outcome: &mut Outcome,
) -> Result<[Picked<'j>; 2], StepError> {
    let [before, after] = asked(desk.plan)?;
    let mut picked = [season(desk, chosen, &before, outcome)?, season(desk, chosen, &after, outcome)?];
    let address = |record: &&'j Placed<Record>| std::ptr::from_ref::<Placed<Record>>(record);
    let earlier: HashSet<_> = picked[0].records.iter().map(address).collect();
    let shared = picked[1].records.iter().filter(|r| earlier.contains(&address(r))).count();
    if shared > 0 {
        let what = format!("{before} and {after} share {shared} records; two seasons must not overlap");
        return Err(request(desk, what));
    }
    let claims = [Claim::of(desk.plan, &before, &picked[0]), Claim::of(desk.plan, &after, &picked[1])];
    let legs: Vec<_> = desk.job.legs.iter().map(|leg| (leg, of_which(&claims, &leg.what))).collect();
    let neither = legs.iter().filter(|(_, which)| which.is_none()).count();
    if neither > 0 {
        outcome.warn(format!("{}: {neither} legs belong to neither season", desk.files_of(&["survey"])));
    }
    for (leg, which) in legs {
        if let Some(which) = which {
            picked[which].legs.push(leg);
        }
    }
    Ok(picked)
}

pub(super) fn request(desk: &Desk, what: impl ToString) -> StepError {
    StepError::Request { files: desk.files_of(&["sign", "survey"]), what: what.to_string() }
}

/// The two seasons asked for; without any, the two that the plan names, the earlier first.
fn asked(plan: &Plan) -> Result<[SeasonOrFile; 2], StepError> {
    match (&plan.compare.before, &plan.compare.after) {
        (Some(before), Some(after)) => return Ok([before.clone(), after.clone()]),
        (None, None) if plan.seasons.len() == 2 => {
            let mut seasons: Vec<_> = plan.seasons.iter().collect();
            seasons.sort_by_key(|(_, range)| range.from.0);
            let named = |i: usize| SeasonOrFile::Season(seasons[i].0.clone());
            return Ok([named(0), named(1)]);
        }
        _ => {}
    }
    let missing = if plan.compare.before.is_none() { "compare.before" } else { "compare.after" };
    Err(StepError::Setting {
        key: missing,
        what: "say which season: a name from [seasons], a label that records carry, or a file (--before, --after)"
            .into(),
    })
}

fn season<'j>(
    desk: &'j Desk,
    chosen: &[&'j Placed<Record>],
    asked: &SeasonOrFile,
    outcome: &mut Outcome,
) -> Result<Picked<'j>, StepError> {
    let keep = |wanted: &dyn Fn(&Record) -> bool| -> Vec<&'j Placed<Record>> {
        chosen.iter().copied().filter(|r| wanted(&r.what)).collect()
    };
    let (name, records) = match asked {
        SeasonOrFile::File(file) => {
            let path = desk.plan.base.join(file);
            let stem =
                file.file_stem().map_or_else(|| asked.to_string(), |s| s.to_string_lossy().into_owned());
            (stem, keep(&|r| *r.source.file == *path))
        }
        SeasonOrFile::Season(name) => match desk.plan.seasons.get(name) {
            Some(range) => {
                let undated = chosen.iter().filter(|r| r.what.date.is_none()).count();
                if undated > 0 {
                    outcome.warn(format!(
                        "{}: {undated} records without a date belong to no season",
                        desk.files_of(&["sign"])
                    ));
                }
                (name.clone(), keep(&|r| r.date.is_some_and(|day| is_in(range, day))))
            }
            None => (name.clone(), keep(&|r| carries(r, name))),
        },
    };
    if records.is_empty()
        && matches!(asked, SeasonOrFile::Season(name) if !desk.plan.seasons.contains_key(name))
    {
        return Err(request(desk, unknown_season(desk.plan, chosen, &name)));
    }
    Ok(Picked { name, records, legs: Vec::new() })
}

fn carries(record: &Record, label: &str) -> bool {
    let same = |own: &Arc<str>| own.trim().to_lowercase() == label.trim().to_lowercase();
    record.occasion.season.as_ref().is_some_and(same)
}

fn unknown_season(plan: &Plan, chosen: &[&Placed<Record>], name: &str) -> String {
    let labels: BTreeSet<Arc<str>> = chosen.iter().filter_map(|r| r.what.occasion.season.clone()).collect();
    let mut known: Vec<String> = plan.seasons.keys().cloned().collect();
    known.extend(labels.iter().map(ToString::to_string));
    let known = if known.is_empty() { "none".to_string() } else { known.join(", ") };
    format!("\"{name}\" is neither a season of the plan nor a label that records carry; known: {known}")
}

/// Whether a day falls in a range of the plan, in any of its years.
fn is_in(range: &plan::Season, day: Date) -> bool {
    let (from, to) = (range.from.0, range.to.0);
    if range.years.is_empty() {
        return (from..=to).contains(&day);
    }
    let later = to.year() - from.year();
    range.years.iter().any(|&year| match (in_year(from, year), in_year(to, year.saturating_add(later))) {
        (Some(from), Some(to)) => (from..=to).contains(&day),
        _ => false,
    })
}

/// The same month and day in another year; 29 February becomes the 28th where it must.
fn in_year(day: Date, year: i16) -> Option<Date> {
    Date::new(year, day.month(), day.day()).or_else(|_| Date::new(year, day.month(), 28)).ok()
}

/// What tells whether a leg belongs to a season.
struct Claim<'j> {
    /// The plan's days, if the season is one of the plan's.
    range: Option<&'j plan::Season>,
    /// Outings that its records name.
    outings: HashSet<&'j str>,
    /// Days of its first and last record.
    span: Option<(Date, Date)>,
}

impl<'j> Claim<'j> {
    fn of(plan: &'j Plan, asked: &SeasonOrFile, picked: &Picked<'j>) -> Self {
        let range = match asked {
            SeasonOrFile::Season(name) => plan.seasons.get(name),
            SeasonOrFile::File(_) => None,
        };
        let days = || picked.records.iter().filter_map(|r| r.what.date);
        Self {
            range,
            outings: picked.records.iter().filter_map(|r| r.what.occasion.survey.as_deref()).collect(),
            span: days().min().zip(days().max()),
        }
    }

    fn names(&self, leg: &SurveyLeg) -> bool {
        leg.survey.as_deref().is_some_and(|id| self.outings.contains(id))
    }

    fn spans(&self, day: Date) -> bool {
        match self.range {
            Some(range) => is_in(range, day),
            None => self.span.is_some_and(|(first, last)| (first..=last).contains(&day)),
        }
    }
}

/// Which of the two seasons a leg belongs to: by the plan's days; else by the outing that
/// records of one season name; else by the days between their first and last record.
fn of_which(claims: &[Claim; 2], leg: &SurveyLeg) -> Option<usize> {
    let only = |test: &dyn Fn(&Claim) -> bool| match claims.each_ref().map(test) {
        [true, false] => Some(0),
        [false, true] => Some(1),
        _ => None,
    };
    let by_plan = |claim: &Claim| claim.range.is_some() && leg.date.is_some_and(|day| claim.spans(day));
    only(&by_plan)
        .or_else(|| only(&|claim| claim.names(leg)))
        .or_else(|| only(&|claim| leg.date.is_some_and(|day| claim.spans(day))))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::plan::DayText;

    fn range(from: &str, to: &str, years: Vec<i16>) -> plan::Season {
        let day = |text: &str| DayText(text.parse().unwrap());
        plan::Season { from: day(from), to: day(to), years }
    }

    #[test]
    fn a_range_is_meant_once_or_in_the_years_it_lists() {
        let day = |text: &str| text.parse::<Date>().unwrap();
        let once = range("2024-03-01", "2024-05-31", vec![]);
        assert!(is_in(&once, day("2024-05-31")) && !is_in(&once, day("2025-03-02")));
        let summers = range("2020-12-01", "2021-02-28", vec![2021, 2023]);
        assert!(is_in(&summers, day("2022-01-15")) && is_in(&summers, day("2023-12-01")));
        assert!(!is_in(&summers, day("2021-01-15")) && !is_in(&summers, day("2023-01-15")));
        let leap = range("2024-02-29", "2024-03-02", vec![2023]);
        assert!(is_in(&leap, day("2023-02-28")) && !is_in(&leap, day("2023-02-27")));
    }
}
