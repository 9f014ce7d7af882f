//! From candidates and scores to proposed sites.

use super::alternate::sides;
use super::candidate::{Candidate, Ground};
use super::cluster::{Around, HotNode, hot_nodes};
use super::fate::{Fate, first_fates, nothing_stands, tell_fates};
use super::field::{Field, Standing};
use super::fixed::{check_fixed, fixed};
use super::keep_out::Near;
use super::layout::Layout;
use super::reach::{Demand, choose_by_reach};
use super::review::{Review, Reviewing, must_go, reviews};
use super::score::{Part, scores};
use super::select::Limits;
use super::settings::{Objective, SitingError, SitingSettings};
use super::stability::{Reweighting, Stability, Watch, stability};
use super::stroke::Strokes;
use super::target::{aparts, leads};
use super::wind::SideValue;
use crate::frame::{GroundPoint, Placed};
use crate::network::{Foot, Side, TravelGraph};
use crate::record::Station;

/// The gap that is good enough when weights are only tried.
pub(super) const REWEIGHTED_TOLERANCE: f64 = 0.005;
/// The work that may go into one such choice.
const REWEIGHTED_WORK: u64 = 30_000_000;
/// Where nothing is found within reach, the reach grows by this factor.
const REACH_GROWS: f64 = 4.0;
/// After growing to this many times the first reach, everything is searched.
const MOST_GROWN: f64 = 64.0;
/// Added to every distance that is to hold in the written files, in metres: coordinates are
/// rounded there, of the sites and of the lines.
pub const WRITING_MARGIN_M: f64 = 0.25;

/// What the choice is made from.
pub struct Choosing<'a> {
    /// What stands around.
    pub ground: &'a Ground<'a>,
    /// Settings.
    pub settings: &'a SitingSettings,
    /// The lines that feet are reached along.
    pub travel: &'a TravelGraph,
    /// The lines as a traveller follows them.
    pub strokes: &'a Strokes,
    /// The candidates.
    pub candidates: &'a [Candidate],
    /// The parts of their scores.
    pub parts: &'a [Part],
    /// What the wind says of their sides, if it decides anything.
    pub side_values: Option<&'a [[SideValue; 2]]>,
    /// The convergence of each node in 0..=1.
    pub convergence: &'a [f64],
    /// Stations in the ground.
    pub stations: &'a [&'a Placed<Station>],
    /// Where non-target animals were recorded.
    pub non_target: &'a [GroundPoint],
    /// Where activity lies, for `coverage`.
    pub demand: &'a [Demand],
    /// When the search may stop.
    pub limits: Limits,
    /// Frame metres to a metre on the ground, at the most.
    pub scale: f64,
}

/// A proposed site.
#[derive(Clone, PartialEq, Debug)]
pub struct Site {
    /// Index of its candidate.
    pub candidate: usize,
    /// What it adds to the total, in millionths: its score, or less for a further site of a
    /// cluster.
    pub gain: i64,
    /// The hot node of its cluster.
    pub cluster: Option<u32>,
    /// Its side of the line.
    pub side: Side,
    /// Why it does not alternate with the site before it on the line, if it does not.
    pub same_side_because: Option<String>,
    /// Travel distance to the nearest other site or station, in frame metres; `None` if no
    /// way leads to one.
    pub nearest_site_m: Option<f64>,
    /// The nearest keep-out.
    pub keep_out: Option<Near>,
    /// How it holds up under other weights, if that was measured.
    pub stability: Option<Stability>,
}

/// A proposal.
pub struct Proposal {
    /// The sites, greatest gain first.
    pub sites: Vec<Site>,
    /// What became of each candidate.
    pub fates: Vec<Fate>,
    /// The score of each candidate, in millionths.
    pub scores: Vec<i64>,
    /// The target that each candidate is meant for; empty without targets.
    pub leads: Vec<u32>,
    /// The sum of the gains in millionths.
    pub total: i64,
    /// No choice has a greater sum.
    pub upper_bound: i64,
    /// What to do with each station in the ground, those that must be lifted first.
    pub reviews: Vec<Review>,
}

impl Proposal {
    /// What may be missing: (`upper_bound` − `total`) / `upper_bound`.
    pub fn gap(&self) -> f64 {
        if self.upper_bound <= 0 {
            0.0
        } else {
            (self.upper_bound - self.total) as f64 / self.upper_bound as f64
        }
    }
}

/// The least travel distance that feet keep in the frame, so that it is at least the spacing
/// both in the frame and on the ground, in the files as written.
pub fn required_m(settings: &SitingSettings, scale: f64) -> f64 {
    settings.least_spacing_m() * scale.max(1.0) + WRITING_MARGIN_M
}

/// Chooses sites and their sides, measures how they hold up, and reviews the stations.
///
/// # Errors
/// [`SitingError::NothingStands`] if no candidate may bear a site;
/// [`SitingError::Impossible`] if fixed sites cannot stand together or beside stations.
pub fn propose(from: &Choosing) -> Result<Proposal, SitingError> {
    propose_watched(from, &|_, _| {})
}

/// As [`propose`], with somebody who is told how the random weightings go: they take most of the time.
///
/// # Errors
/// As [`propose`].
pub fn propose_watched(from: &Choosing, watch: Watch) -> Result<Proposal, SitingError> {
    let candidates = from.candidates;
    let scores = scores(from.parts, candidates.len());
    let leads = leads(&from.settings.targets, from.parts, candidates.len());
    let apart = aparts(from.settings, &leads, candidates.len(), from.scale);
    let mut fates = first_fates(from);
    let fixed = fixed(from, &fates)?;
    let standing: Vec<usize> = (0..candidates.len()).filter(|&i| fates[i] == Fate::NoScore).collect();
    if standing.is_empty() {
        return Err(nothing_stands(&fates));
    }
    // A station that must go keeps nothing else away.
    let staying: Vec<(usize, Standing)> = (from.stations.iter().enumerate())
        .filter(|(_, station)| must_go(from, station).is_none())
        .map(|(s, station)| {
            let name = format!("station {}", station.what.station_id);
            (s, Standing::new(name, station.ground, from.ground.network, from.travel))
        })
        .collect();
    let stations: Vec<Standing> = staying.iter().map(|(_, standing)| standing.clone()).collect();
    check_fixed(&fixed, candidates, &stations, from.travel, &apart, from.settings.budget)?;
    let fixed: Vec<usize> = fixed.into_iter().map(|(_, i)| i).collect();
    let hot = hot(from, &standing, &scores);
    let field = Field::new(candidates, standing, hot, &stations, from.travel, &apart);
    let layout = field.layout(&fixed, from.settings.budget, None);
    if layout.items.is_empty() && fixed.is_empty() {
        tell_fates(from, &field, &[], &scores, &mut fates);
        number_stations(&mut fates, &staying);
        return Err(nothing_stands(&fates));
    }
    let picked = match from.settings.objective {
        Objective::Score => layout.choose(&scores, from.limits),
        Objective::Coverage => choose_by_reach(&layout, candidates, &stations, from.demand, from.limits),
    };
    let mut ranked = picked.sites.clone();
    ranked.sort_by_key(|&(i, gain, _)| (-gain, i));
    tell_fates(from, &field, &ranked, &scores, &mut fates);
    number_stations(&mut fates, &staying);
    let mut sites = sites(from, &ranked, &stations);
    let by_score = from.settings.objective == Objective::Score;
    if by_score && from.settings.weightings > 0 && !sites.is_empty() {
        measure_stability(from, &layout, &ranked, watch, &mut sites);
    }
    let reviews = reviews(&Reviewing {
        from,
        field: &field,
        staying: &staying,
        fixed: &fixed,
        scores: &scores,
        picked: &picked,
    });
    let (total, upper_bound) = (picked.total, picked.upper_bound);
    Ok(Proposal { sites, fates, scores, leads, total, upper_bound, reviews })
}

/// Turns the field's numbers of stations into those of the input.
fn number_stations(fates: &mut [Fate], staying: &[(usize, Standing)]) {
    for fate in fates {
        if let Fate::NearStation(s) = fate {
            *s = staying[*s].0;
        }
    }
}

fn hot(from: &Choosing, standing: &[usize], scores: &[i64]) -> Vec<HotNode> {
    let clusters = from.settings.cluster > 1 && from.settings.objective == Objective::Score;
    let heard: Vec<&Part> = from.parts.iter().filter(|p| p.name.starts_with("activity")).collect();
    if !clusters || heard.is_empty() {
        return Vec::new();
    }
    let activity: Vec<f64> = (0..from.candidates.len())
        .map(|i| heard.iter().map(|part| part.value[i]).fold(0.0, f64::max))
        .collect();
    hot_nodes(&Around {
        candidates: from.candidates,
        open: standing,
        scores,
        activity: &activity,
        convergence: from.convergence,
        network: from.ground.network,
        travel: from.travel,
        settings: from.settings,
        reach_m: required_m(from.settings, from.scale) / 6.0,
    })
}

fn measure_stability(
    from: &Choosing,
    layout: &Layout,
    ranked: &[(usize, i64, Option<u32>)],
    watch: Watch,
    sites: &mut [Site],
) {
    let chosen: Vec<usize> = ranked.iter().map(|&(i, ..)| i).collect();
    let limits =
        Limits { tolerance: REWEIGHTED_TOLERANCE, work: REWEIGHTED_WORK, seconds: from.limits.seconds };
    let reweighting = Reweighting {
        layout,
        candidates: from.candidates,
        parts: from.parts,
        sites: &chosen,
        weightings: from.settings.weightings,
        seed: from.settings.seed,
        spacing_m: from.settings.spacing_m,
        limits,
    };
    for (site, stability) in sites.iter_mut().zip(stability(&reweighting, watch)) {
        site.stability = Some(stability);
    }
}

fn sites(from: &Choosing, ranked: &[(usize, i64, Option<u32>)], stations: &[Standing]) -> Vec<Site> {
    let chosen: Vec<usize> = ranked.iter().map(|&(i, ..)| i).collect();
    let sides = sides(from, &chosen);
    let mut feet: Vec<Foot> = chosen.iter().map(|&i| from.candidates[i].foot).collect();
    feet.extend(stations.iter().filter_map(|s| s.foot));
    let nearest = nearest_m(from.travel, &feet, chosen.len(), 2.0 * from.settings.spacing_m);
    let mut sites = Vec::with_capacity(chosen.len());
    for (s, (&(candidate, gain, cluster), (side, same_side_because))) in ranked.iter().zip(sides).enumerate()
    {
        let place = from.candidates[candidate].sides[side as usize].place;
        sites.push(Site {
            candidate,
            gain,
            cluster,
            side,
            same_side_because,
            nearest_site_m: nearest[s],
            keep_out: from.ground.keep_outs.nearest(place),
            stability: None,
        });
    }
    sites
}

/// How far the nearest other foot is from each of the first `count`, in frame metres; `None` where
/// no way leads to one.
///
/// The reach begins at `first_m` and grows until something is found: all distances among twenty
/// thousand sites would take gigabytes, and each site has a neighbour within a few spacings.
fn nearest_m(travel: &TravelGraph, feet: &[Foot], count: usize, first_m: f64) -> Vec<Option<f64>> {
    let mut nearest = vec![None; count];
    let mut open: Vec<usize> = (0..count).collect();
    let mut reach_m = first_m;
    while !open.is_empty() {
        let sources: Vec<Foot> = open.iter().map(|&s| feet[s]).collect();
        let found = travel.each_row(&sources, feet, reach_m, |k, row| {
            let others = row.into_iter().filter(|&(other, _)| other as usize != open[k]);
            others.map(|(_, d)| d).min_by(f64::total_cmp)
        });
        open.iter().zip(found).for_each(|(&s, d)| nearest[s] = d);
        if reach_m == f64::INFINITY {
            break;
        }
        open.retain(|&s| nearest[s].is_none());
        reach_m = if reach_m < first_m * MOST_GROWN { reach_m * REACH_GROWS } else { f64::INFINITY };
    }
    nearest
}
