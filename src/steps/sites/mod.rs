//! `sites`: ranked sites, their sides and their proof.

mod settings;
mod write;

use std::time::Instant;

use serde_json::{Map, Value, json};

use super::nodes::{self, NetworkDone};
use super::sign::chosen_sign;
use super::surface::{SurfaceDone, compute};
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::frame::{GroundPoint, LonLat, Placed};
use crate::network::{Network, TravelGraph};
use crate::record::{Record, StationState};
use crate::siting::select::Limits;
use crate::siting::{
    Candidate, Choosing, Fate, Ground, KeepOuts, Meeting, Part, Proposal, STEPS_TO_ONE, SitingSettings,
    Strokes, activity_part, cautions, convergence_part, lay_candidates, line_kind_part, propose, required_m,
};

/// Everything that the files and the summary are made from.
struct Done<'a> {
    desk: &'a Desk<'a>,
    settings: SitingSettings,
    network: &'a Network,
    records: Vec<&'a Placed<Record>>,
    candidates: Vec<Candidate>,
    parts: Vec<Part>,
    meetings: Vec<Option<Meeting>>,
    station_ids: Vec<String>,
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
    let settings = settings::settings_of(desk.plan)?;
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
    let done = choose(desk, settings, network, records, surface)?;
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
    let (parts, meetings) = parts(desk, &settings, done, &travel, &candidates, surface);
    let standing: Vec<_> = job.stations.iter().filter(|s| s.what.state == StationState::Set).collect();
    let stations: Vec<GroundPoint> = standing.iter().map(|s| s.ground).collect();
    let choosing = Choosing {
        ground: &ground,
        settings: &settings,
        travel: &travel,
        strokes: &strokes,
        candidates: &candidates,
        parts: &parts,
        side_values: None,
        meetings: &meetings,
        stations: &stations,
        limits: Limits::default(),
        scale,
    };
    let proposal = propose(&choosing).map_err(blame)?;
    let cautions = cautions(!job.keep_outs.is_empty(), job.area.is_some());
    let station_ids = standing.iter().map(|s| s.what.station_id.to_string()).collect();
    Ok(Done {
        desk,
        settings,
        network,
        records,
        candidates,
        parts,
        meetings,
        station_ids,
        proposal,
        cautions,
        scale,
    })
}

fn parts(
    desk: &Desk,
    settings: &SitingSettings,
    done: &NetworkDone,
    travel: &TravelGraph,
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
    let network = &done.network;
    let of_node: Vec<f64> = (0..network.nodes().len() as u32).map(|n| done.convergence.score(n)).collect();
    let reach_m = settings.spacing_m / 6.0;
    let weight = settings.weights.convergence;
    let (part, meetings) = convergence_part(candidates, network, travel, &of_node, reach_m, weight);
    parts.push(part);
    parts.push(line_kind_part(candidates, settings));
    parts.retain(|part| part.weight > 0.0);
    (parts, meetings)
}

fn summarise(
    done: &Done,
    choose_seconds: f64,
    write_seconds: f64,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let selection = &done.proposal.selection;
    let score = |units: i64| round_to(units as f64 / STEPS_TO_ONE, 6);
    let mut refusals = Map::new();
    for fate in done.proposal.fates.iter().filter(|fate| !matches!(fate, Fate::Chosen(_))) {
        let count = refusals.entry(fate.reason()).or_insert(json!(0));
        *count = json!(count.as_u64().unwrap_or(0) + 1);
    }
    let mut summary = Map::new();
    let mut put = |name: &str, value: Value| summary.insert(name.to_string(), value);
    put("cautions", json!(done.cautions));
    put("objective", json!("score"));
    put("sites", json!(done.proposal.sites.len()));
    put("candidates", json!(done.candidates.len()));
    put("total", json!(score(selection.total)));
    put("upper_bound", json!(score(selection.upper_bound)));
    put("gap", json!(round_to(selection.gap(), 6)));
    put("spacing_m", json!(done.settings.spacing_m));
    put("min_straight_m", json!(done.settings.straight_m()));
    put("budget", json!(done.settings.budget));
    put("stations_respected", json!(done.station_ids.len()));
    put("refusals", Value::Object(refusals));
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
        score(selection.total),
        score(selection.upper_bound),
        100.0 * selection.gap()
    ));
    outcome.set("sites", summary);
    Ok(())
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
