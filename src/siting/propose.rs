//! From candidates and scores to proposed sites.

use geo::Contains;
use geo_types::{MultiPolygon, Point};
use rayon::prelude::*;

use super::candidate::{Bar, Candidate, Ground};
use super::cluster::{Around, HotNode, hot_nodes};
use super::conflict::Apart;
use super::field::{Field, Standing, check_fixed};
use super::keep_out::Near;
use super::layout::{Layout, Picked};
use super::reach::choose_by_reach;
use super::review::{Review, Verdict, Without, review};
use super::score::{Part, scores};
use super::select::Limits;
use super::settings::{Objective, SitingError, SitingSettings};
use super::side::{Choice, best_sides};
use super::stability::{Reweighting, Stability, stability};
use super::stroke::Strokes;
use super::wind::SideValue;
use crate::frame::{GroundPoint, Placed};
use crate::network::{Foot, Side, TravelGraph};
use crate::record::Station;

/// A fixed site is taken for the nearest candidate this near, in metres.
const FIXED_REACH_M: f64 = 100.0;
/// The gap that is good enough when weights are only tried.
const REWEIGHTED_TOLERANCE: f64 = 0.005;
/// The work that may go into one such choice.
const REWEIGHTED_WORK: u64 = 30_000_000;
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
    /// Where activity lies, for `coverage`: places with their share of it.
    pub demand: &'a [(GroundPoint, f64)],
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
    /// The plan bars the place, by this name.
    Never(String),
    /// A non-target animal was recorded too near.
    NonTarget,
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

/// The travel distance that feet keep in the frame, so that it is at least the spacing both
/// in the frame and on the ground, in the files as written.
pub fn required_m(settings: &SitingSettings, scale: f64) -> f64 {
    settings.spacing_m * scale.max(1.0) + WRITING_MARGIN_M
}

/// Chooses sites and their sides, measures how they hold up, and reviews the stations.
///
/// # Errors
/// [`SitingError::NothingStands`] if no candidate may bear a site;
/// [`SitingError::Impossible`] if fixed sites cannot stand together or beside stations.
pub fn propose(from: &Choosing) -> Result<Proposal, SitingError> {
    let candidates = from.candidates;
    let scores = scores(from.parts, candidates.len());
    let apart = apart(from.settings, from.scale);
    let mut fates = first_fates(from);
    let standing: Vec<usize> = (0..candidates.len()).filter(|&i| fates[i] == Fate::NoScore).collect();
    if standing.is_empty() {
        return Err(nothing_stands(&fates));
    }
    let named = |s: &&Placed<Station>| {
        let name = format!("station {}", s.what.station_id);
        Standing::new(name, s.ground, from.ground.network, from.travel)
    };
    let stations: Vec<Standing> = from.stations.iter().map(named).collect();
    let fixed = fixed(from, &standing)?;
    let feet: Vec<(String, Foot)> =
        fixed.iter().map(|(name, i)| (format!("the fixed site {name}"), candidates[*i].foot)).collect();
    check_fixed(&feet, &stations, from.travel, apart, from.settings.budget)?;
    let fixed: Vec<usize> = fixed.into_iter().map(|(_, i)| i).collect();
    let hot = hot(from, &standing, &scores, apart);
    let field = Field::new(candidates, standing, hot, &stations, from.travel, apart);
    let layout = field.layout(&fixed, from.settings.budget, None);
    if layout.items.is_empty() && fixed.is_empty() {
        tell_fates(from, &field, &[], &scores, &mut fates);
        return Err(nothing_stands(&fates));
    }
    let picked = match from.settings.objective {
        Objective::Score => layout.choose(&scores, from.limits),
        Objective::Coverage => {
            let reach_m = from.settings.reach_m;
            choose_by_reach(&layout, candidates, &stations, from.demand, reach_m, from.limits)
        }
    };
    let mut ranked = picked.sites.clone();
    ranked.sort_by_key(|&(i, gain, _)| (-gain, i));
    tell_fates(from, &field, &ranked, &scores, &mut fates);
    let mut sites = sites(from, &ranked, &stations);
    let by_score = from.settings.objective == Objective::Score;
    if by_score && from.settings.weightings > 0 && !sites.is_empty() {
        measure_stability(from, &layout, &ranked, &mut sites);
    }
    let reviews = reviews(from, &field, &fixed, &scores, &picked, &stations);
    Ok(Proposal { sites, fates, scores, total: picked.total, upper_bound: picked.upper_bound, reviews })
}

fn apart(settings: &SitingSettings, scale: f64) -> Apart {
    let straight_m = match settings.straight_m() {
        0.0 => 0.0,
        straight_m => straight_m * scale.max(1.0) + WRITING_MARGIN_M,
    };
    Apart { travel_m: required_m(settings, scale), straight_m }
}

/// What is known of each candidate before anything is chosen; `NoScore` where nothing speaks
/// against it.
fn first_fates(from: &Choosing) -> Vec<Fate> {
    let fate = |candidate: &Candidate| {
        let at = candidate.foot.at;
        let never = from.settings.never.iter().find(|(_, place, within_m)| place.distance_m(at) <= *within_m);
        let heard = |m: f64| from.non_target.iter().any(|place| place.distance_m(at) <= m);
        if !candidate.stands() {
            Fate::Barred(candidate.sides.clone().map(|side| side.bar))
        } else if let Some((name, ..)) = never {
            Fate::Never(name.clone())
        } else if from.settings.non_target_keep_out_m.is_some_and(heard) {
            Fate::NonTarget
        } else {
            Fate::NoScore
        }
    };
    from.candidates.iter().map(fate).collect()
}

/// The candidate that each fixed site is taken for: the nearest one that stands.
fn fixed(from: &Choosing, standing: &[usize]) -> Result<Vec<(String, usize)>, SitingError> {
    let mut found = Vec::new();
    for (name, at) in &from.settings.must {
        let away = |i: &usize| from.candidates[*i].foot.at.distance_m(*at);
        let nearest = standing.iter().copied().min_by(|a, b| away(a).total_cmp(&away(b)));
        match nearest.filter(|i| away(i) <= FIXED_REACH_M) {
            Some(i) => found.push((name.clone(), i)),
            None => {
                let what = format!(
                    "no candidate that may bear a site lies within {FIXED_REACH_M} m of the fixed site {name}"
                );
                return Err(SitingError::Impossible(what));
            }
        }
    }
    Ok(found)
}

fn hot(from: &Choosing, standing: &[usize], scores: &[i64], apart: Apart) -> Vec<HotNode> {
    let activity = from.parts.iter().find(|p| p.name.starts_with("activity"));
    let clusters = from.settings.cluster > 1 && from.settings.objective == Objective::Score;
    let Some(activity) = activity.filter(|_| clusters) else { return Vec::new() };
    hot_nodes(&Around {
        candidates: from.candidates,
        open: standing,
        scores,
        activity: &activity.value,
        convergence: from.convergence,
        network: from.ground.network,
        travel: from.travel,
        settings: from.settings,
        reach_m: apart.travel_m / 6.0,
    })
}

fn tell_fates(
    from: &Choosing,
    field: &Field,
    ranked: &[(usize, i64, Option<u32>)],
    scores: &[i64],
    fates: &mut [Fate],
) {
    let mut site_at = vec![None; field.blocked.len()];
    for (s, &(i, _, node)) in ranked.iter().enumerate() {
        if let Some(p) = field.counts_from(i, node) {
            site_at[p].get_or_insert(s);
        }
        fates[i] = Fate::Chosen(s);
    }
    for (p, &i) in field.standing.iter().enumerate() {
        if fates[i] != Fate::NoScore {
            continue;
        }
        let against = field.near.of(p as u32).iter().filter_map(|&q| site_at[q as usize]).min();
        fates[i] = match (field.blocked[p].first(), against) {
            (Some(&station), _) => Fate::NearStation(station as usize),
            (None, Some(site)) => Fate::WithinSpacing(site),
            (None, None) if scores[i] > 0 && from.settings.budget.is_some() => Fate::OverBudget,
            (None, None) => Fate::NoScore,
        };
    }
}

fn measure_stability(
    from: &Choosing,
    layout: &Layout,
    ranked: &[(usize, i64, Option<u32>)],
    sites: &mut [Site],
) {
    let chosen: Vec<usize> = ranked.iter().map(|&(i, ..)| i).collect();
    let limits =
        Limits { tolerance: REWEIGHTED_TOLERANCE, work: REWEIGHTED_WORK, seconds: from.limits.seconds };
    let told = stability(&Reweighting {
        layout,
        candidates: from.candidates,
        parts: from.parts,
        sites: &chosen,
        weightings: from.settings.weightings,
        seed: from.settings.seed,
        spacing_m: from.settings.spacing_m,
        limits,
    });
    for (site, stability) in sites.iter_mut().zip(told) {
        site.stability = Some(stability);
    }
}

/// Lifts first, then the greatest gain.
fn reviews(
    from: &Choosing,
    field: &Field,
    fixed: &[usize],
    scores: &[i64],
    picked: &Picked,
    stations: &[Standing],
) -> Vec<Review> {
    let chosen: Vec<usize> = picked.sites.iter().map(|&(i, ..)| i).collect();
    let limits = Limits { tolerance: REWEIGHTED_TOLERANCE, ..from.limits };
    let one_more = from.settings.budget.map(|n| n.saturating_add(1));
    let mut reviews: Vec<Review> = (0..stations.len())
        .into_par_iter()
        .map(|station| {
            if let Some(because) = must_go(from, station) {
                return Review { station, verdict: Verdict::Lift, gain: 0.0, to: None, because };
            }
            if from.settings.objective == Objective::Coverage {
                let because = "it reaches activity that is not counted again".to_string();
                return Review { station, verdict: Verdict::Keep, gain: 0.0, to: None, because };
            }
            let layout = field.layout(fixed, one_more, Some(station));
            let score = score_at(from, &stations[station], scores);
            review(&Without { station, score, layout: &layout }, scores, picked.total, &chosen, limits)
        })
        .collect();
    reviews.sort_by(|a, b| {
        let order = |r: &Review| (r.verdict != Verdict::Lift, r.verdict == Verdict::Keep);
        order(a).cmp(&order(b)).then(b.gain.total_cmp(&a.gain)).then(a.station.cmp(&b.station))
    });
    reviews
}

/// Why a station may not stay where it is.
fn must_go(from: &Choosing, station: usize) -> Option<String> {
    let place = from.stations[station].at;
    let inside = |area: &MultiPolygon<f64>| area.contains(&Point::new(place.lon_deg(), place.lat_deg()));
    if let Some(near) = from.ground.keep_outs.violated(place, 0.0) {
        return Some(format!(
            "it stands {:.1} m from keep-out {}, whose limit is {} m",
            near.distance_m,
            near.keep_out + 1,
            near.limit_m
        ));
    }
    from.ground.area.is_some_and(|area| !inside(area)).then(|| "it stands outside the area".to_string())
}

/// The score of a station's place: that of the nearest candidate.
fn score_at(from: &Choosing, station: &Standing, scores: &[i64]) -> i64 {
    let away = |i: usize| from.candidates[i].foot.at.distance_m(station.at);
    let nearest = (0..from.candidates.len()).min_by(|&a, &b| away(a).total_cmp(&away(b)));
    nearest.filter(|&i| away(i) <= from.settings.spacing_m).map_or(0, |i| scores[i])
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
            Fate::Never(_) => "barred by the plan",
            Fate::NonTarget => "near a record of a non-target animal",
            Fate::NearStation(_) => "within the spacing of a station in the ground",
            Fate::WithinSpacing(_) => "within the spacing of a site",
            Fate::OverBudget => "over budget",
            Fate::NoScore => "without any score",
        }
    }
}

fn sites(from: &Choosing, ranked: &[(usize, i64, Option<u32>)], stations: &[Standing]) -> Vec<Site> {
    let chosen: Vec<usize> = ranked.iter().map(|&(i, ..)| i).collect();
    let sides = sides(from, &chosen);
    let mut feet: Vec<Foot> = chosen.iter().map(|&i| from.candidates[i].foot).collect();
    feet.extend(stations.iter().filter_map(|s| s.foot));
    let distances = from.travel.distances(&feet[..chosen.len()], &feet, f64::INFINITY);
    let nearest = |s: usize| {
        let others = distances.row(s).filter(|&(k, _)| k as usize != s);
        others.map(|(_, d)| d).min_by(f64::total_cmp)
    };
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
            nearest_site_m: nearest(s),
            keep_out: from.ground.keep_outs.nearest(place),
            stability: None,
        });
    }
    sites
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
