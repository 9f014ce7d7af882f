//! `sites`: ranked sites, their sides and their proof.

mod ids;
mod nearness;
mod parts;
mod settings;
mod summary;
mod wind;
mod write;

use std::collections::HashMap;
use std::sync::Arc;
use std::time::Instant;

use jiff::civil::Date;

use super::check_rows::read_checks;
use super::nodes::{self, NetworkDone};
use super::sign::{chosen_sign, hold_some_left};
use super::surface::{SurfaceDone, compute};
use super::verdicts::{Verdicts, standing, verdicts};
use super::written::said_first;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::frame::{LonLat, Placed};
use crate::network::{Network, TravelGraph};
use crate::record::{Record, Station};
use crate::siting::wind::WindRecord;
use crate::siting::{
    self, Candidate, Choosing, Demand, Ground, KeepOuts, Meeting, Objective, Part, Proposal, Review,
    SideValue, SignAround, SitingSettings, Strokes, Target, Verdict, lay_candidates, propose_watched,
    required_m,
};
use crate::verdict::Gain;

/// What the steps before this one made, and what this one is asked for.
struct Made<'a> {
    desk: &'a Desk<'a>,
    settings: &'a SitingSettings,
    network: &'a Network,
    travel: &'a TravelGraph,
    /// The convergence of each node.
    of_node: &'a [f64],
    surface: Option<&'a SurfaceDone>,
    /// The chosen sign.
    records: &'a [&'a Placed<Record>],
}

/// Everything that the files and the summary are made from.
struct Done<'a> {
    desk: &'a Desk<'a>,
    settings: SitingSettings,
    network: &'a Network,
    sign: SignAround<'a>,
    /// The sign behind each part that counts sign, by the part's name, and how far around.
    heard: Vec<(String, SignAround<'a>, f64)>,
    non_target: SignAround<'a>,
    candidates: Vec<Candidate>,
    parts: Vec<Part>,
    meetings: Vec<Option<Meeting>>,
    wind: Option<WindRecord>,
    side_values: Option<Vec<[SideValue; 2]>>,
    stations: Vec<&'a Placed<Station>>,
    proposal: Proposal,
    nearness: nearness::Nearness,
    /// The ids of the sites, by rank.
    ids: Vec<String>,
    /// What is to be done with the stations.
    verdicts: Verdicts,
    cautions: Vec<String>,
    scale: f64,
    /// Sign of an earlier day is more than a year older than the latest.
    old_before: Option<Date>,
}

impl Done<'_> {
    /// The animal that a candidate is meant for.
    fn target_of(&self, candidate: usize) -> Option<&Target> {
        let lead = self.proposal.leads.get(candidate)?;
        self.settings.targets.get(*lead as usize)
    }
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
    let settings = settings::settings_of(desk)?;
    let chosen = chosen_sign(desk, &mut outcome);
    hold_some_left(desk, &chosen)?;
    let records = chosen.records;
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
    let tangle = network.network.tangle();
    if tangle.is_no_network() {
        let what = format!("no sites, since the lines make no network: {}", nodes::tangled(&tangle));
        return Err(request(desk, &["line"], what));
    }
    desk.progress.stage("choosing sites", None);
    let mut done = choose(desk, settings, network, records, surface, &mut outcome)?;
    desk.gains.get_or_init(|| gains_of(&done));
    done.verdicts = verdicts(desk, &read_checks(desk, &mut outcome)?, &mut outcome)?;
    let choose_seconds = started.elapsed().as_secs_f64();
    desk.progress.stage("writing the sites", None);
    write::write(&done, set)?;
    summary::summarise(
        &done,
        choose_seconds,
        started.elapsed().as_secs_f64() - choose_seconds,
        set,
        &mut outcome,
    )?;
    Ok(outcome)
}

/// What siting gains without each of the stations that stand and may stay, by id: nothing where a
/// station is best kept.
///
/// # Errors
/// Those of [`sites`], but for the writing.
pub(super) fn gains(desk: &Desk) -> Result<HashMap<Arc<str>, Gain>, StepError> {
    let mut unsaid = Outcome::default();
    let settings = SitingSettings { weightings: 0, ..settings::settings_of(desk)? };
    let records = chosen_sign(desk, &mut unsaid).records;
    let surface = match records.is_empty() {
        true => None,
        false => Some(compute(desk, &mut unsaid)?),
    };
    let network = nodes::compute(desk, &mut unsaid)?;
    desk.progress.stage("holding the stations against other places", None);
    let done = choose(desk, settings, &network, records, surface.as_ref(), &mut unsaid)?;
    Ok(gains_of(&done))
}

fn gains_of(done: &Done) -> HashMap<Arc<str>, Gain> {
    // Without sign a score is inferred from the lines alone, and no reason to dig a station up.
    if done.sign.all().is_empty() {
        return HashMap::new();
    }
    let gainful = done.proposal.reviews.iter().filter(|r| !r.must_go && r.verdict != Verdict::Keep);
    let gain = |review: &Review| {
        let id = done.stations[review.station].what.station_id.clone();
        (id, Gain { gain: review.gain, elsewhere: review.verdict == Verdict::Move })
    };
    gainful.map(gain).collect()
}

fn request(desk: &Desk, roles: &[&str], what: impl ToString) -> StepError {
    StepError::Request { files: desk.files_of(roles), what: what.to_string() }
}

fn lay(
    ground: &Ground,
    settings: &SitingSettings,
    strokes: &Strokes,
    scale: f64,
) -> Result<Vec<Candidate>, siting::SitingError> {
    lay_candidates(ground, settings, strokes, required_m(settings, scale))
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
    let blame = |e| request(desk, &["line", "area", "keep_out", "station", "must", "never"], e);
    let (scale, kinds) = (worst_scale(desk)?, network.settings().travel.with(settings.along));
    let (travel, strokes) = (&TravelGraph::new(network, kinds), &Strokes::new(network, kinds));
    let (keep_outs, never) = (&KeepOuts::new(&job.keep_outs), &KeepOuts::new(&job.never));
    let area = job.area.as_ref().map(|a| &a.lonlat.polygons);
    let ground = Ground { frame: &job.frame, lines: &job.lines, network, area, keep_outs, never };
    let candidates = lay(&ground, &settings, strokes, scale).map_err(blame)?;
    let of_node = &(0..network.nodes().len() as u32).map(|n| done.convergence.score(n)).collect::<Vec<_>>();
    let made = Made { desk, settings: &settings, network, travel, of_node, surface, records: &records };
    let (non_target, stations) = (non_target(desk), standing(desk, &read_checks(desk, outcome)?));
    let Weighed { wind, side_values, parts, meetings, demand } =
        weigh(&made, &candidates, &non_target, outcome)?;
    let choosing = Choosing {
        ground: &ground,
        settings: &settings,
        travel,
        strokes,
        candidates: &candidates,
        parts: &parts,
        side_values: side_values.as_deref(),
        convergence: of_node,
        stations: &stations,
        non_target: &non_target.iter().map(|r| r.ground).collect::<Vec<_>>(),
        demand: &demand,
        limits: settings::limits_of(desk.plan),
        scale,
    };
    let proposal = propose_watched(&choosing, &|done, of| tell_weightings(desk, done, of)).map_err(blame)?;
    let ids = ids::ids(desk, &proposal.sites, &candidates)?;
    Ok(Done {
        desk,
        nearness: nearness::nearness(&settings, &candidates, &proposal, &ids, &stations),
        ids,
        verdicts: Verdicts::default(),
        heard: heard(&settings, &records),
        settings,
        network,
        old_before: old_before(&records),
        sign: SignAround::new(records),
        non_target: SignAround::new(non_target),
        candidates,
        parts,
        meetings,
        wind,
        side_values,
        stations,
        proposal,
        cautions: said_first(desk),
        scale,
    })
}

/// Shows how far the random weightings are: they take most of the time.
fn tell_weightings(desk: &Desk, done: u64, of: u64) {
    match done {
        0 => desk.progress.stage(&format!("choosing anew under {of} random weightings"), Some(of)),
        _ => desk.progress.reach(done),
    }
}

/// What speaks for and against each candidate.
struct Weighed {
    wind: Option<WindRecord>,
    side_values: Option<Vec<[SideValue; 2]>>,
    parts: Vec<Part>,
    meetings: Vec<Option<Meeting>>,
    /// The activity to be covered; none unless coverage is the objective.
    demand: Vec<Demand>,
}

fn weigh(
    made: &Made,
    candidates: &[Candidate],
    non_target: &[&Placed<Record>],
    outcome: &mut Outcome,
) -> Result<Weighed, StepError> {
    let (desk, settings) = (made.desk, made.settings);
    let wind = wind::wind_record(desk, settings);
    let side_values = wind.as_ref().filter(|wind| wind.decides()).map(|wind| {
        siting::side_values(candidates, wind, settings.offset_m, |line| wind::drains_to_deg(desk, line))
    });
    let parts::Scored { parts, meetings } =
        parts::score(made, candidates, side_values.as_deref(), non_target, outcome)?;
    let demand = match settings.objective {
        Objective::Coverage => parts::demand(made)?,
        Objective::Score => Vec::new(),
    };
    Ok(Weighed { wind, side_values, parts, meetings, demand })
}

/// The sign behind each part of the score that counts sign.
fn heard<'a>(
    settings: &SitingSettings,
    records: &[&'a Placed<Record>],
) -> Vec<(String, SignAround<'a>, f64)> {
    if settings.targets.is_empty() {
        return vec![("activity".to_string(), SignAround::new(records.iter().copied()), settings.reach_m)];
    }
    let of_target = |target: &Target| {
        let own = records.iter().copied().filter(|r| r.what.animal.as_ref() == Some(&target.animal));
        (target.part_name(), SignAround::new(own), target.reach_m)
    };
    settings.targets.iter().map(of_target).collect()
}

/// The records of animals that are not to be harmed.
fn non_target<'a>(desk: &'a Desk) -> Vec<&'a Placed<Record>> {
    let names = settings::non_target_of(desk.plan);
    let is_named = |r: &&Placed<Record>| r.what.animal.as_ref().is_some_and(|a| names.contains(a));
    desk.job.records.iter().filter(is_named).collect()
}

/// The greatest stretch of the frame over the ends of the lines.
fn worst_scale(desk: &Desk) -> Result<f64, StepError> {
    let job = &desk.job;
    let ends: Vec<LonLat> =
        job.lines.iter().flat_map(|l| [l.path.first(), l.path.last()]).flatten().copied().collect();
    let error = job.frame.scale_error(&ends).map_err(|e| request(desk, &["line"], e))?;
    Ok(1.0 + error.worst)
}

/// A year before the latest record. Not before today: the same input gives the same output on
/// any day.
fn old_before(records: &[&Placed<Record>]) -> Option<Date> {
    let latest = records.iter().filter_map(|r| r.what.date).max()?;
    latest.checked_sub(jiff::Span::new().years(1)).ok()
}
