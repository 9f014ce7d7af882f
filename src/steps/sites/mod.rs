//! `sites`: ranked sites, their sides and their proof.

mod settings;
mod write;

use std::time::Instant;

use serde_json::{Map, Value, json};

use super::along_part::rate_part;
use super::nodes::{self, NetworkDone};
use super::sign::chosen_sign;
use super::surface::{SurfaceDone, compute};
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::frame::{GroundPoint, LonLat, Placed};
use crate::network::{Network, TravelGraph};
use crate::record::{Record, Station, StationState};
use crate::siting::wind::{Period, SideValue, WindRecord};
use crate::siting::{
    self, Candidate, Choosing, Fate, Ground, KeepOuts, Meeting, Objective, Part, Proposal, Review,
    STEPS_TO_ONE, SitingSettings, Strokes, Verdict, activity_part, against_greatest, cautions,
    convergence_part, demand_of, lay_candidates, line_kind_part, propose, required_m, sign_near, wind_part,
};

/// Everything that the files and the summary are made from.
struct Done<'a> {
    desk: &'a Desk<'a>,
    settings: SitingSettings,
    network: &'a Network,
    records: Vec<&'a Placed<Record>>,
    non_target: Vec<&'a Placed<Record>>,
    candidates: Vec<Candidate>,
    parts: Vec<Part>,
    meetings: Vec<Option<Meeting>>,
    wind: Option<WindRecord>,
    side_values: Option<Vec<[SideValue; 2]>>,
    stations: Vec<&'a Placed<Station>>,
    proposal: Proposal,
    cautions: Vec<String>,
    scale: f64,
}

/// Proposes sites and writes their files. `surface` and `network` are what steps
/// before this one made; what is missing is made here.
///
/// # Errors
/// [`StepError::Setting`] for a setting that makes no sense; [`StepError::Request`] where
/// there is no line, or no candidate may bear a site; [`StepError::Output`].
pub fn sites(
    desk: &Desk,
    set: &mut OutputSet,
    surface: Option<&SurfaceDone>,
    network: Option<&NetworkDone>,
) -> Result<Outcome, StepError> {
    let mut outcome = desk.outcome();
    let started = Instant::now();
    let settings = settings::settings_of(desk.plan, &desk.job.frame)?;
    let records = chosen_sign(desk, &mut outcome).records;
    let made = match surface {
        None if !records.is_empty() => Some(compute(desk, &mut outcome)?),
        _ => None,
    };
    let surface = surface.or(made.as_ref());
    let built = match network {
        None => Some(nodes::compute(desk, &mut outcome)?),
        Some(_) => None,
    };
    if let Some(built) = &built {
        nodes::write_network(desk, &built.network, set)?;
    }
    let Some(network) = network.or(built.as_ref()) else { return Ok(outcome) };
    desk.progress.stage("choosing sites", None);
    let done = choose(desk, settings, network, records, surface, &mut outcome)?;
    let choose_seconds = started.elapsed().as_secs_f64();
    desk.progress.stage("writing the sites", None);
    write::write(&done, set)?;
    summarise(&done, choose_seconds, started.elapsed().as_secs_f64() - choose_seconds, set, &mut outcome)?;
    Ok(outcome)
}

fn request(desk: &Desk, roles: &[&str], what: impl ToString) -> StepError {
    StepError::Request { files: desk.files_of(roles), what: what.to_string() }
}

fn choose<'a>(
    desk: &'a Desk,
    settings: SitingSettings,
    done: &'a NetworkDone,
    records: Vec<&'a Placed<Record>>,
    surface: Option<&SurfaceDone>,
    outcome: &mut Outcome,
) -> Result<Done<'a>, StepError> {
    let (job, network) = (&desk.job, &done.network);
    let blame = |e| request(desk, &["line", "area", "keep_out", "station"], e);
    let ends: Vec<LonLat> =
        job.lines.iter().flat_map(|l| [l.path.first(), l.path.last()]).flatten().copied().collect();
    let scale = 1.0 + job.frame.scale_error(&ends).map_err(|e| request(desk, &["line"], e))?.worst;
    let kinds = network.settings().travel.with(settings.along);
    let (travel, strokes) = (TravelGraph::new(network, kinds), Strokes::new(network, kinds));
    let keep_outs = KeepOuts::new(&job.keep_outs);
    let area = job.area.as_ref().map(|a| &a.lonlat.polygons);
    let ground = Ground { frame: &job.frame, lines: &job.lines, network, area, keep_outs: &keep_outs };
    let candidates =
        lay_candidates(&ground, &settings, &strokes, required_m(&settings, scale)).map_err(blame)?;
    let wind = wind_record(desk, &settings);
    let side_values = wind.as_ref().filter(|wind| wind.decides()).map(|wind| {
        siting::side_values(&candidates, wind, settings.offset_m, |line| drains_to_deg(desk, line))
    });
    let names = settings::non_target_of(desk.plan);
    let is_non_target = |r: &&Placed<Record>| r.what.animal.as_ref().is_some_and(|a| names.contains(a));
    let non_target: Vec<&Placed<Record>> = job.records.iter().filter(is_non_target).collect();
    let of_node: Vec<f64> = (0..network.nodes().len() as u32).map(|n| done.convergence.score(n)).collect();
    let (mut parts, meetings) = parts(desk, &settings, (network, &travel, &of_node), &candidates, surface);
    // Where there are survey legs, sign per km searched takes the place of plain density.
    if let Some(activity) = parts.iter_mut().find(|part| part.name == "activity")
        && let Some(rate) = rate_part(desk, network, kinds, &candidates, activity.weight, outcome)?
    {
        *activity = rate;
    }
    parts.extend(side_values.as_ref().map(|sides| wind_part(&candidates, sides, settings.weights.wind)));
    parts.extend(non_target_part(desk, &settings, &candidates, &non_target));
    parts.retain(|part| part.weight > 0.0);
    let stations: Vec<&Placed<Station>> =
        job.stations.iter().filter(|s| s.what.state == StationState::Set).collect();
    let heard: Vec<GroundPoint> = non_target.iter().map(|r| r.ground).collect();
    let by_reach = settings.objective == Objective::Coverage;
    let demand = match surface.filter(|_| by_reach) {
        Some(made) => demand_of(&made.surface),
        None if by_reach => {
            return Err(request(desk, &["sign"], "coverage needs sign; there is none to use"));
        }
        None => Vec::new(),
    };
    let proposal = propose(&Choosing {
        ground: &ground,
        settings: &settings,
        travel: &travel,
        strokes: &strokes,
        candidates: &candidates,
        parts: &parts,
        side_values: side_values.as_deref(),
        convergence: &of_node,
        stations: &stations,
        non_target: &heard,
        demand: &demand,
        limits: settings::limits_of(desk.plan),
        scale,
    })
    .map_err(blame)?;
    let cautions = cautions(!job.keep_outs.is_empty(), job.area.is_some());
    Ok(Done {
        desk,
        settings,
        network,
        records,
        non_target,
        candidates,
        parts,
        meetings,
        wind,
        side_values,
        stations,
        proposal,
        cautions,
        scale,
    })
}

/// The wind, day and night parted by the sun over the middle of the lines.
fn wind_record(desk: &Desk, settings: &SitingSettings) -> Option<WindRecord> {
    let wind = desk.job.wind.as_ref()?;
    let line = desk.job.lines.get(desk.job.lines.len() / 2)?;
    Some(WindRecord::new(wind, *line.path.first()?, settings.wind.clone()))
}

/// Where night air drains to along a line, if the plan says so by the line's name.
fn drains_to_deg(desk: &Desk, line: u32) -> Option<f64> {
    let name = desk.job.lines[line as usize].what.name.as_deref()?;
    desk.plan.wind.drains_to_deg.get(name).copied()
}

/// Few records of non-target animals near count for a place, if the plan gives that a weight.
fn non_target_part(
    desk: &Desk,
    settings: &SitingSettings,
    candidates: &[Candidate],
    non_target: &[&Placed<Record>],
) -> Option<Part> {
    let weight = desk.plan.non_target.weight?.get();
    let near = |c: &Candidate| sign_near(non_target, c.foot.at, settings.reach_m).count;
    let raw: Vec<f64> = candidates.iter().map(near).collect();
    let value = against_greatest(&raw, |i| candidates[i].stands()).into_iter().map(|v| 1.0 - v).collect();
    Some(Part {
        name: "non_target".to_string(),
        weight,
        unit: "records of non-target animals within reach",
        from: desk.files_of(&["sign"]),
        raw,
        value,
    })
}

fn parts(
    desk: &Desk,
    settings: &SitingSettings,
    (network, travel, of_node): (&Network, &TravelGraph, &[f64]),
    candidates: &[Candidate],
    surface: Option<&SurfaceDone>,
) -> (Vec<Part>, Vec<Option<Meeting>>) {
    let mut parts = Vec::new();
    if let Some(made) = surface {
        let s = &made.surface;
        let from = format!(
            "{}, {} kernel with {:.0} m",
            desk.files_of(&["sign"]),
            s.settings.kernel.word(),
            s.settings.bandwidth_m
        );
        let weight = settings.weights.activity;
        parts.push(activity_part(
            "activity",
            weight,
            from,
            candidates,
            &made.points,
            s.settings.kernel,
            s.settings.bandwidth_m,
        ));
    }
    let reach_m = settings.spacing_m / 6.0;
    let weight = settings.weights.convergence;
    let (part, meetings) = convergence_part(candidates, network, travel, of_node, reach_m, weight);
    parts.push(part);
    parts.push(line_kind_part(candidates, settings));
    (parts, meetings)
}

fn summarise(
    done: &Done,
    choose_seconds: f64,
    write_seconds: f64,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let proposal = &done.proposal;
    let score = |units: i64| round_to(units as f64 / STEPS_TO_ONE, 6);
    let mut refusals = Map::new();
    for fate in done.proposal.fates.iter().filter(|fate| !matches!(fate, Fate::Chosen(_))) {
        let count = refusals.entry(fate.reason()).or_insert(json!(0));
        *count = json!(count.as_u64().unwrap_or(0) + 1);
    }
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
    put("budget", json!(done.settings.budget));
    put("stations_respected", json!(done.stations.len()));
    put("refusals", Value::Object(refusals));
    if let Some(wind) = &done.wind {
        put("wind", wind_summary(done, wind, outcome)?);
    }
    if !proposal.reviews.is_empty() {
        put("stations", json!(proposal.reviews.iter().map(|r| review(done, r)).collect::<Vec<_>>()));
    }
    if let Some(hangs) = hanging(done) {
        put("weightings", json!(done.settings.weightings));
        put("hang_on_one_weight", hangs);
    }
    if let Some(age) = age_of_sign(&done.records, outcome) {
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
    outcome.say(format!(
        "{} sites of {} candidates, spacing {} m (yours to set); total score {:.3}, at most {:.3} is possible (gap {:.2} %)",
        done.proposal.sites.len(),
        done.candidates.len(),
        done.settings.spacing_m,
        score(proposal.total),
        score(proposal.upper_bound),
        100.0 * proposal.gap()
    ));
    tell_stations(done, outcome);
    outcome.set("sites", summary);
    Ok(())
}

/// Day and night apart: hours, calm, rose; how far the instrument is.
fn wind_summary(done: &Done, wind: &WindRecord, outcome: &mut Outcome) -> Result<Value, StepError> {
    let period = |p: &Period| {
        json!({
            "hours": round_to(p.hours + p.rose.calm, 2),
            "calm_share": round_to(p.calm_share, 4),
            "rose_from_north_clockwise": p.rose.hours.map(|h| round_to(h, 2)),
        })
    };
    let mut told = Map::new();
    told.insert("decides".to_string(), json!(wind.decides()));
    told.insert("day".to_string(), period(&wind.day));
    told.insert("night".to_string(), period(&wind.night));
    let table = &done.desk.plan.wind;
    if let Some(at) = table.at {
        let at = settings::ground(&done.desk.job.frame, at, "wind.at")?;
        let nearest = done.candidates.iter().map(|c| c.foot.at.distance_m(at)).fold(f64::INFINITY, f64::min);
        told.insert("instrument_distance_m".to_string(), json!(round_to(nearest, 0)));
    }
    if let (Some(there), Some(here)) = (table.height_m, table.place_height_m) {
        told.insert("instrument_height_difference_m".to_string(), json!(round_to(there - here, 1)));
    }
    if !wind.decides() {
        let least = wind.settings().least_hours;
        outcome.warn(format!(
            "{}: fewer than {least} hours with wind; wind decides nothing",
            done.desk.files_of(&["wind"])
        ));
    }
    Ok(Value::Object(told))
}

fn review(done: &Done, review: &Review) -> Value {
    let mut told = json!({
        "station_id": done.stations[review.station].what.station_id.as_ref(),
        "verdict": review.verdict.word(),
        "gain": round_to(review.gain, 6),
        "because": review.because,
    });
    if let (Some(to), Some(told)) = (review.to, told.as_object_mut()) {
        let place = done.candidates[to].place;
        told.insert("to".to_string(), json!([round_to(place.lon_deg(), 7), round_to(place.lat_deg(), 7)]));
    }
    told
}

/// The sites that hang on the weight of one part, by part.
fn hanging(done: &Done) -> Option<Value> {
    let mut by_part: Map<String, Value> = Map::new();
    for (rank, site) in done.proposal.sites.iter().enumerate() {
        if let [part] = site.stability.as_ref()?.hangs_on.as_slice() {
            let ids = by_part.entry(part.clone()).or_insert(json!([]));
            ids.as_array_mut()?.push(json!(write::site_id(rank)));
        }
    }
    Some(Value::Object(by_part))
}

fn tell_stations(done: &Done, outcome: &mut Outcome) {
    for review in &done.proposal.reviews {
        let id = &done.stations[review.station].what.station_id;
        match review.verdict {
            Verdict::Lift => outcome.warn(format!("station {id}: lift; {}", review.because)),
            Verdict::Move => outcome.say(format!("station {id}: move, gains {:.2}", review.gain)),
            Verdict::Keep => {}
        }
    }
    let keep = done.proposal.reviews.iter().filter(|r| r.verdict == Verdict::Keep).count();
    if !done.stations.is_empty() {
        outcome.say(format!("{keep} of {} stations in the ground are best kept", done.stations.len()));
    }
}

/// How old the sign is, counted back from the latest of it, not from today: the same input
/// gives the same output on any day.
fn age_of_sign(records: &[&Placed<Record>], outcome: &mut Outcome) -> Option<Value> {
    let days = || records.iter().filter_map(|r| r.what.date);
    let (first, last) = (days().min()?, days().max()?);
    let year_before = last.checked_sub(jiff::Span::new().years(1)).ok()?;
    let old = days().filter(|day| *day < year_before).count();
    if old > 0 {
        outcome.warn(format!(
            "{old} of {} records are more than a year older than the latest ({last})",
            records.len()
        ));
    }
    Some(json!({
        "records": records.len(),
        "first": first.to_string(),
        "last": last.to_string(),
        "older_than_a_year": old,
    }))
}
