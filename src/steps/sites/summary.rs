//! `sites.json`, and what is said of the sites.

use serde_json::{Map, Value, json};

use super::{Done, wind};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::siting::{Fate, Review, STEPS_TO_ONE, Site, Target};
use crate::steps::written::members;
use crate::steps::{Outcome, StepError};
use crate::verdict::Task;

/// With fewer random weightings than this, shares of them are off by more than a tenth.
const FEW_WEIGHTINGS: u64 = 100;

pub(super) fn summarise(
    done: &Done,
    choose_seconds: f64,
    write_seconds: f64,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let proposal = &done.proposal;
    let score = |units: i64| round_to(units as f64 / STEPS_TO_ONE, 6);
    let mut summary = Map::new();
    let mut put = |name: &str, value: Value| summary.insert(name.to_string(), value);
    put("cautions", json!(done.cautions));
    put("objective", json!(done.settings.objective.word()));
    put("sites", json!(done.proposal.sites.len()));
    put("candidates", json!(done.candidates.len()));
    put("total", json!(score(proposal.total)));
    put("upper_bound", json!(score(proposal.upper_bound)));
    put("gap", json!(round_to(proposal.gap(), 6)));
    put("spacing_m", json!(done.settings.spacing_m));
    put("min_straight_m", json!(done.settings.straight_m()));
    let nearest = done.nearness.nearest_m.iter().flatten().copied().min_by(f64::total_cmp);
    put("nearest_straight_m", json!(nearest.map(|d| round_to(d, 2))));
    put("budget", json!(done.settings.budget));
    if !done.settings.targets.is_empty() {
        put("targets", targets(done));
    }
    if let Some(period) = &done.desk.plan.select.period {
        put("period", json!(period));
    }
    put("fixed", json!(done.settings.must.len()));
    let must_go = proposal.reviews.iter().filter(|r| r.must_go).count();
    put("stations_respected", json!(done.stations.len() - must_go));
    put("refusals", refusals(done));
    if let Some(wind) = &done.wind {
        put("wind", wind::summary(done, wind, outcome)?);
    }
    if !done.desk.job.stations.is_empty() {
        put("stations", json!(stations(done)));
    }
    for (name, value) in how_they_hold_up(done) {
        put(name, value);
    }
    if let Some(age) = age_of_sign(done, outcome) {
        put("sign", age);
    }
    put("frame_scale", json!(round_to(done.scale, 9)));
    put("seconds", json!({ "choose": choose_seconds, "write": write_seconds }));
    if done.settings.budget.is_none() {
        summary.remove("budget");
    }
    set.write_summary("sites.json", &Value::Object(summary.clone()))?;
    for caution in done.cautions.iter().take_while(|c| c.starts_with("The plan has no")) {
        outcome.warn(caution.clone());
    }
    say_sites(done, outcome);
    done.verdicts.tell(&done.desk.job.stations, outcome);
    outcome.set("sites", summary);
    Ok(())
}

fn say_sites(done: &Done, outcome: &mut Outcome) {
    let proposal = &done.proposal;
    let score = |units: i64| units as f64 / STEPS_TO_ONE;
    let straight = match done.settings.straight_m() {
        0.0 => "no least distance in a straight line".to_string(),
        metres => format!("at least {metres} m in a straight line"),
    };
    outcome.say(format!(
        "{} sites of {} candidates, spacing {} m along lines and {straight} (yours to set); total score {:.3}, at most {:.3} is possible (gap {:.2} %)",
        proposal.sites.len(),
        done.candidates.len(),
        done.settings.spacing_m,
        score(proposal.total),
        score(proposal.upper_bound),
        100.0 * proposal.gap()
    ));
    for said in &done.nearness.stations {
        outcome.warn(said.clone());
    }
    let near = done.nearness.cautions.iter().filter(|c| !c.is_empty()).count();
    if near > 0 {
        outcome.warn(format!(
            "{} nearer to another, or to a station, than {} m in a straight line; the cautions say which",
            if near == 1 { "1 fixed site stands".to_string() } else { format!("{near} fixed sites stand") },
            done.settings.straight_m()
        ));
    }
    tell_sites_without_sign(done, outcome);
    tell_stability(done, outcome);
}

/// How many candidates bear no site, by reason.
fn refusals(done: &Done) -> Value {
    let mut refusals = Map::new();
    for fate in done.proposal.fates.iter().filter(|fate| !matches!(fate, Fate::Chosen(_))) {
        let count = refusals.entry(fate.reason()).or_insert(json!(0));
        *count = json!(count.as_u64().unwrap_or(0) + 1);
    }
    Value::Object(refusals)
}

/// Members on weightings and on sign within reach, where there are any.
fn how_they_hold_up(done: &Done) -> Vec<(&'static str, Value)> {
    let mut told = Vec::new();
    if let Some(hangs) = hanging(done) {
        told.push(("weightings", json!(done.settings.weightings)));
        told.push(("rank_stability_within", json!(round_to(stability_within(done), 3))));
        told.push(("hang_on_one_weight", hangs));
    }
    told.extend(sites_without_sign(done).map(|count| ("sites_without_sign", json!(count))));
    told
}

/// How many sites have no sign within reach; `None` where no sign was used.
fn sites_without_sign(done: &Done) -> Option<usize> {
    if done.sign.all().is_empty() {
        return None;
    }
    let foot = |site: &Site| done.candidates[site.candidate].foot.at;
    let bare = |site: &&Site| done.sign.within(foot(site), done.settings.reach_m).next().is_none();
    Some(done.proposal.sites.iter().filter(bare).count())
}

fn tell_sites_without_sign(done: &Done, outcome: &mut Outcome) {
    let Some(count @ 1..) = sites_without_sign(done) else { return };
    let advice = match done.settings.budget {
        None => {
            "; without a budget every place that keeps the spacing gets a site, and --budget N keeps the N best"
        }
        Some(_) => "",
    };
    outcome.say(format!(
        "{count} of {} sites have no sign within {:.0} m{advice}",
        done.proposal.sites.len(),
        done.settings.reach_m
    ));
}

/// How far a share of so many weightings may be from what ever more of them would give: half the
/// widest interval of a share at 95 percent, 0.98/√n.
fn stability_within(done: &Done) -> f64 {
    0.98 / (done.settings.weightings.max(1) as f64).sqrt()
}

/// Warns where the shares of weightings are too coarse to compare sites by.
fn tell_stability(done: &Done, outcome: &mut Outcome) {
    let count = done.settings.weightings;
    let measured = done.proposal.sites.iter().any(|site| site.stability.is_some());
    if measured && count < FEW_WEIGHTINGS {
        outcome.warn(format!(
            "rank_stability rests on {count} random weightings: it goes in steps of {:.2} and may be off by {:.2}; \
             1000 tell it to 0.03",
            1.0 / count as f64,
            stability_within(done)
        ));
    }
}

/// What each target animal asks for, and how many sites are meant for it.
fn targets(done: &Done) -> Value {
    let told = |target: &Target| {
        let meant = |site: &&Site| done.target_of(site.candidate) == Some(target);
        let summary = json!({
            "weight": target.weight,
            "reach_m": target.reach_m,
            "spacing_m": target.spacing_m,
            "min_straight_m": done.settings.straight_of_m(target.spacing_m),
            "sites": done.proposal.sites.iter().filter(meant).count(),
        });
        (target.animal.word().to_string(), summary)
    };
    Value::Object(done.settings.targets.iter().map(told).collect())
}

/// Every station with its verdict, the most pressing first, and what siting gains without it.
fn stations(done: &Done) -> Vec<Value> {
    let review =
        |id: &str| done.proposal.reviews.iter().find(|r| *done.stations[r.station].what.station_id == *id);
    let mut told: Vec<(Task, f64, Value)> = Vec::new();
    for station in &done.desk.job.stations {
        let id = &*station.what.station_id;
        let (task, review) = (done.verdicts.task(id), review(id));
        let gain = review.map_or(0.0, |r| r.gain);
        told.push((task, gain, one_station(done, id, task, review)));
    }
    told.sort_by(|a, b| a.0.cmp(&b.0).then(b.1.total_cmp(&a.1)));
    told.into_iter().map(|(.., value)| value).collect()
}

fn one_station(done: &Done, id: &str, task: Task, review: Option<&Review>) -> Value {
    let verdict = match task {
        Task::Serve => "keep",
        other => other.word(),
    };
    let mut told = members(json!({ "station_id": id, "verdict": verdict }));
    done.verdicts.put(id, &mut told);
    told.insert("gain".to_string(), json!(round_to(review.map_or(0.0, |r| r.gain), 6)));
    told.insert("because".to_string(), told["task_reason"].clone());
    if let Some(to) = review.and_then(|r| r.to) {
        let place = done.candidates[to].place;
        told.insert("to".to_string(), json!([round_to(place.lon_deg(), 7), round_to(place.lat_deg(), 7)]));
    }
    Value::Object(told)
}

/// The sites that hang on the weight of one part, by part.
fn hanging(done: &Done) -> Option<Value> {
    let mut by_part: Map<String, Value> = Map::new();
    for (rank, site) in done.proposal.sites.iter().enumerate() {
        if let [part] = site.stability.as_ref()?.hangs_on.as_slice() {
            let ids = by_part.entry(part.clone()).or_insert(json!([]));
            ids.as_array_mut()?.push(json!(done.ids[rank]));
        }
    }
    Some(Value::Object(by_part))
}

/// How old the sign is, counted back from the latest of it.
fn age_of_sign(done: &Done, outcome: &mut Outcome) -> Option<Value> {
    let days = || done.sign.all().iter().filter_map(|r| r.what.date);
    let (first, last) = (days().min()?, days().max()?);
    let old = days().filter(|day| done.old_before.is_some_and(|old| *day < old)).count();
    if old > 0 {
        outcome.warn(format!(
            "{}: {old} of {} records are more than a year older than the latest ({last})",
            done.desk.files_of(&["sign"]),
            done.sign.all().len()
        ));
    }
    Some(json!({
        "records": done.sign.all().len(),
        "first": first.to_string(),
        "last": last.to_string(),
        "older_than_a_year": old,
    }))
}
