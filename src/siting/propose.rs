//! From candidates and scores to proposed sites.

use super::candidate::{Bar, Candidate, Ground};
use super::conflict::{Apart, conflicts};
use super::keep_out::Near;
use super::part::Meeting;
use super::score::{Part, scores};
use super::select::{Conflicts, Limits, Problem, Selection, select};
use super::settings::{SitingError, SitingSettings};
use super::side::{Choice, best_sides};
use super::stroke::Strokes;
use super::wind::SideValue;
use crate::frame::GroundPoint;
use crate::network::{Foot, Side, TravelGraph};

/// A station further than this from any line, in metres, is kept clear of in a straight
/// line only.
const STATION_REACH_M: f64 = 200.0;
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
    /// The nodes behind their convergence.
    pub meetings: &'a [Option<Meeting>],
    /// Where stations stand in the ground.
    pub stations: &'a [GroundPoint],
    /// When the search may stop.
    pub limits: Limits,
    /// Frame metres to a metre on the ground, at the most.
    pub scale: f64,
}

/// What became of a candidate.
#[derive(Clone, PartialEq, Debug)]
pub enum Fate {
    /// It is the site of this index.
    Chosen(usize),
    /// No side may bear a station; the bars of both sides.
    Barred([Option<Bar>; 2]),
    /// A station in the ground is nearer than the spacing; its index.
    NearStation(usize),
    /// The site of this index is nearer than the spacing.
    WithinSpacing(usize),
    /// It would fit, but the budget is used up.
    OverBudget,
    /// Its score is nothing.
    NoScore,
}

/// A proposed site.
#[derive(Clone, PartialEq, Debug)]
pub struct Site {
    /// Index of its candidate.
    pub candidate: usize,
    /// Its side of the line.
    pub side: Side,
    /// Why it does not alternate with the site before it on the line, if it does not.
    pub same_side_because: Option<String>,
    /// Travel distance to the nearest other site or station, in frame metres; `None` if no
    /// way leads to one.
    pub nearest_site_m: Option<f64>,
    /// The nearest keep-out.
    pub keep_out: Option<Near>,
}

/// A proposal.
pub struct Proposal {
    /// The sites, best score first.
    pub sites: Vec<Site>,
    /// What became of each candidate.
    pub fates: Vec<Fate>,
    /// The score of each candidate, in millionths.
    pub scores: Vec<i64>,
    /// The choice and its proof, in millionths.
    pub selection: Selection,
}

/// The travel distance that feet keep in the frame, so that it is at least the spacing both
/// in the frame and on the ground, in the files as written.
pub fn required_m(settings: &SitingSettings, scale: f64) -> f64 {
    settings.spacing_m * scale.max(1.0) + WRITING_MARGIN_M
}

/// Chooses sites and their sides.
///
/// # Errors
/// [`SitingError::NothingStands`] if no candidate may bear a site.
pub fn propose(from: &Choosing) -> Result<Proposal, SitingError> {
    let candidates = from.candidates;
    let scores = scores(from.parts, candidates.len());
    let apart = Apart {
        travel_m: required_m(from.settings, from.scale),
        straight_m: match from.settings.straight_m() {
            0.0 => 0.0,
            straight_m => straight_m * from.scale.max(1.0) + WRITING_MARGIN_M,
        },
    };
    let mut fates: Vec<Fate> = vec![Fate::NoScore; candidates.len()];
    for (fate, candidate) in fates.iter_mut().zip(candidates) {
        if !candidate.stands() {
            *fate = Fate::Barred(candidate.sides.clone().map(|side| side.bar));
        }
    }
    near_stations(from, apart, &mut fates);
    let open: Vec<usize> = (0..candidates.len()).filter(|&i| fates[i] == Fate::NoScore).collect();
    if open.is_empty() {
        return Err(nothing_stands(&fates));
    }
    let feet: Vec<Foot> = open.iter().map(|&i| candidates[i].foot).collect();
    let pairs = conflicts(from.travel, &feet, apart);
    let problem = Problem {
        weights: open.iter().map(|&i| scores[i]).collect(),
        costs: vec![1; open.len()],
        conflicts: Conflicts::from_pairs(open.len(), &pairs),
        budget: from.settings.budget,
    };
    let selection = select(&problem, from.limits);
    let mut ranked: Vec<usize> = selection.chosen.iter().map(|&k| open[k as usize]).collect();
    ranked.sort_by_key(|&i| (-scores[i], i));
    tell_fates(&ranked, &open, &problem, &mut fates);
    let sites = sites(from, &ranked);
    Ok(Proposal { sites, fates, scores, selection })
}

fn near_stations(from: &Choosing, apart: Apart, fates: &mut [Fate]) {
    let reach = |at: &GroundPoint| {
        let on_lines = |e: &crate::network::Edge| e.kinds.meets(from.travel.kinds());
        from.ground.network.nearest_foot(*at, STATION_REACH_M, on_lines)
    };
    let feet: Vec<Foot> = from.candidates.iter().map(|c| c.foot).collect();
    for (s, at) in from.stations.iter().enumerate() {
        let foot = reach(at);
        let near = foot.map(|f| from.travel.distances(&[f], &feet, 2.0 * apart.travel_m));
        for (i, fate) in fates.iter_mut().enumerate().filter(|(_, fate)| **fate == Fate::NoScore) {
            let by_way = near.as_ref().and_then(|near| near.get(0, i));
            let too_near = match by_way {
                Some(distance_m) => distance_m < apart.travel_m,
                None => at.distance_m(feet[i].at) < apart.straight_m,
            };
            if too_near {
                *fate = Fate::NearStation(s);
            }
        }
    }
}

fn tell_fates(ranked: &[usize], open: &[usize], problem: &Problem, fates: &mut [Fate]) {
    let mut site_of = vec![None; fates.len()];
    for (s, &i) in ranked.iter().enumerate() {
        site_of[i] = Some(s);
        fates[i] = Fate::Chosen(s);
    }
    for (k, &i) in open.iter().enumerate() {
        if site_of[i].is_some() {
            continue;
        }
        let against = problem.conflicts.of(k as u32).iter().filter_map(|&u| site_of[open[u as usize]]).min();
        fates[i] = match against {
            Some(site) => Fate::WithinSpacing(site),
            None if problem.weights[k] <= 0 => Fate::NoScore,
            None => Fate::OverBudget,
        };
    }
}

fn nothing_stands(fates: &[Fate]) -> SitingError {
    let mut counts = std::collections::BTreeMap::new();
    for fate in fates {
        *counts.entry(fate.reason()).or_insert(0_usize) += 1;
    }
    let reasons: Vec<String> = counts.into_iter().map(|(reason, n)| format!("{n} {reason}")).collect();
    SitingError::NothingStands { candidates: fates.len(), reasons: reasons.join(", ") }
}

impl Fate {
    /// The reason in a few words, the same for all candidates of a kind.
    pub fn reason(&self) -> &'static str {
        match self {
            Fate::Chosen(_) => "chosen",
            Fate::Barred(bars) => match bars.each_ref().map(Option::as_ref) {
                [Some(Bar::OutsideArea), Some(Bar::OutsideArea)] => "outside the area",
                [Some(Bar::KeepOut(_)), _] | [_, Some(Bar::KeepOut(_))] => "within a keep-out",
                [Some(Bar::OutsideArea), _] | [_, Some(Bar::OutsideArea)] => "outside the area",
                _ => "without a right side: another line lies nearer or between",
            },
            Fate::NearStation(_) => "within the spacing of a station in the ground",
            Fate::WithinSpacing(_) => "within the spacing of a site",
            Fate::OverBudget => "over budget",
            Fate::NoScore => "without any score",
        }
    }
}

fn sites(from: &Choosing, ranked: &[usize]) -> Vec<Site> {
    let sides = sides(from, ranked);
    let mut feet: Vec<Foot> = ranked.iter().map(|&i| from.candidates[i].foot).collect();
    let chosen = feet.len();
    let on_lines = |e: &crate::network::Edge| e.kinds.meets(from.travel.kinds());
    let station_foot = |at: &GroundPoint| from.ground.network.nearest_foot(*at, STATION_REACH_M, on_lines);
    feet.extend(from.stations.iter().filter_map(station_foot));
    let distances = from.travel.distances(&feet[..chosen], &feet, f64::INFINITY);
    let nearest = |s: usize| {
        let others = distances.row(s).filter(|&(k, _)| k as usize != s);
        others.map(|(_, d)| d).min_by(f64::total_cmp)
    };
    let site = |(s, (&candidate, (side, same_side_because))): (usize, (&usize, (Side, Option<String>)))| {
        let place = from.candidates[candidate].sides[side as usize].place;
        let keep_out = from.ground.keep_outs.nearest(place);
        Site { candidate, side, same_side_because, nearest_site_m: nearest(s), keep_out }
    };
    ranked.iter().zip(sides).enumerate().map(site).collect()
}

/// The side of each site in the line's digitised direction, and why it is the side of the
/// site before it, where it is.
fn sides(from: &Choosing, ranked: &[usize]) -> Vec<(Side, Option<String>)> {
    let mut order: Vec<usize> = (0..ranked.len()).collect();
    let place = |s: usize| from.candidates[ranked[s]].on_stroke;
    order.sort_by(|&a, &b| place(a).0.cmp(&place(b).0).then(place(a).1.total_cmp(&place(b).1)));
    let mut told = vec![(Side::Left, None); ranked.len()];
    for run in order.chunk_by(|&a, &b| place(a).0 == place(b).0) {
        let choices: Vec<Choice> = run.iter().map(|&s| choice(from, ranked[s])).collect();
        let taken = best_sides(&choices);
        for (k, &s) in run.iter().enumerate() {
            let same = k > 0 && taken[k] == taken[k - 1];
            let because = same.then(|| because(from, ranked[s], turned(from, ranked[s], taken[k].other())));
            told[s] = (turned(from, ranked[s], taken[k]), because);
        }
    }
    told
}

/// A side of the stroke as a side of the line, or the other way round.
fn turned(from: &Choosing, candidate: usize, side: Side) -> Side {
    let c = &from.candidates[candidate];
    let edge_against = from.strokes.of(c.foot.edge).is_some_and(|on| on.against);
    if edge_against == c.against { side } else { side.other() }
}

fn choice(from: &Choosing, candidate: usize) -> Choice {
    let c = &from.candidates[candidate];
    let value = |stroke_side: Side| {
        let side = turned(from, candidate, stroke_side) as usize;
        let wind = from.side_values.map_or(0.0, |values| values[candidate][side].both);
        c.sides[side].bar.is_none().then_some(wind)
    };
    Choice { value: [value(Side::Left), value(Side::Right)] }
}

fn because(from: &Choosing, candidate: usize, other: Side) -> String {
    match &from.candidates[candidate].sides[other as usize].bar {
        Some(Bar::OutsideArea) => format!("the {} is outside the area", other.word()),
        Some(Bar::KeepOut(near)) => format!(
            "the {} is {:.0} m from a keep-out of {:.0} m",
            other.word(),
            near.distance_m,
            near.limit_m
        ),
        Some(Bar::OtherLine(kind)) => format!("a {kind} lies nearer or between on the {}", other.word()),
        None if from.side_values.is_some() => "the wind favours this side".to_string(),
        None => "sides further along the line call for it".to_string(),
    }
}
