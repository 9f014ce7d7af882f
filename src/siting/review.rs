//! Stations in the ground: which to keep, which to move, which to lift.

use geo::Contains;
use geo_types::{MultiPolygon, Point};
use rayon::prelude::*;

use super::candidate::Ground;
use super::field::{Field, Standing};
use super::keep_out::KeepOuts;
use super::layout::{Layout, Picked};
use super::propose::{Choosing, REWEIGHTED_TOLERANCE};
use super::select::Limits;
use super::settings::Objective;
use crate::frame::{LonLat, Placed};
use crate::record::Station;

/// What is best done with a station.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Verdict {
    /// It stands well enough.
    Keep,
    /// Another place nearby is worth more by the gain.
    Move,
    /// It should not stand there.
    Lift,
}

impl Verdict {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Verdict::Keep => "keep",
            Verdict::Move => "move",
            Verdict::Lift => "lift",
        }
    }
}

/// A station's verdict.
#[derive(Clone, PartialEq, Debug)]
pub struct Review {
    /// Index of the station.
    pub station: usize,
    /// What to do.
    pub verdict: Verdict,
    /// Whether it must go, whatever the scores say.
    pub must_go: bool,
    /// What the whole layer's score gains by it, in 0..; 0 for a station that is kept.
    pub gain: f64,
    /// Where to move it: a candidate.
    pub to: Option<usize>,
    /// Why.
    pub because: String,
}

/// The work that may go into the choice behind one verdict.
const REVIEW_WORK: u64 = 300_000_000;

/// Pegs are not moved for less than this gain in score.
pub const WORTH_MOVING: f64 = 0.1;

/// A village is many keep-outs: so many are named.
const NAMED_KEEP_OUTS: usize = 5;

/// What bars places: keep-outs, what the plan bars by hand, and the edge of the area.
#[derive(Clone, Copy)]
pub struct Barred<'a> {
    /// The keep-outs.
    pub keep_outs: &'a KeepOuts,
    /// What the plan bars by hand.
    pub never: &'a KeepOuts,
    /// The area under control, in longitude and latitude degrees.
    pub area: Option<&'a MultiPolygon<f64>>,
}

impl Barred<'_> {
    /// Every reason why no station may stay at a place, the gravest first; none where it may. What
    /// stands is held against the distances as they are, without the error of placing it.
    pub fn breaches(&self, place: LonLat) -> Vec<String> {
        let mut near = self.keep_outs.violations(place, 0.0);
        near.sort_by(|a, b| (b.limit_m - b.distance_m).total_cmp(&(a.limit_m - a.distance_m)));
        let more = near.len().saturating_sub(NAMED_KEEP_OUTS);
        let more = (more > 0).then(|| format!("{more} more keep-outs are nearer than their distance"));
        let too_near = near.iter().take(NAMED_KEEP_OUTS).map(|near| {
            let name = self.keep_outs.name(near.keep_out);
            format!("it stands {:.1} m from {name}, whose distance is {} m", near.distance_m, near.limit_m)
        });
        let barred = self.never.violations(place, 0.0);
        let barred =
            barred.iter().map(|b| format!("the plan bars its place: {}", self.never.name(b.keep_out)));
        let at = Point::new(place.lon_deg(), place.lat_deg());
        let outside = self.area.is_some_and(|area| !area.contains(&at));
        let outside = outside.then(|| "it stands outside the area".to_string());
        too_near.chain(more).chain(barred).chain(outside).collect()
    }
}

/// Why a station may not stay where it is, if it may not.
pub(super) fn must_go(from: &Choosing, station: &Placed<Station>) -> Option<String> {
    let Ground { keep_outs, never, area, .. } = *from.ground;
    let breaches = Barred { keep_outs, never, area }.breaches(station.at);
    (!breaches.is_empty()).then(|| breaches.join("; "))
}

/// What is there to review by.
pub(super) struct Reviewing<'a> {
    /// What the choice was made from.
    pub from: &'a Choosing<'a>,
    /// Who is too near whom, with the stations that may stay.
    pub field: &'a Field,
    /// Those stations, by the field's numbers, each with its number in `from`.
    pub staying: &'a [(usize, Standing)],
    /// The fixed candidates.
    pub fixed: &'a [usize],
    /// Scores in millionths.
    pub scores: &'a [i64],
    /// The choice with all of them standing.
    pub picked: &'a Picked,
}

/// A verdict for every station: those that must go first, then other lifts, moves, and those
/// that are kept, each by falling gain. Each gain is of that station alone, the others
/// standing.
pub(super) fn reviews(with: &Reviewing) -> Vec<Review> {
    let gone = with.from.stations.iter().enumerate().filter_map(|(station, placed)| {
        let because = must_go(with.from, placed)?;
        Some(Review { station, verdict: Verdict::Lift, must_go: true, gain: 0.0, to: None, because })
    });
    let mut reviews: Vec<Review> = gone.collect();
    let rest: Vec<Review> = (0..with.staying.len()).into_par_iter().map(|s| review(with, s)).collect();
    reviews.extend(rest);
    reviews.sort_by(|a, b| {
        let rank = |r: &Review| match r.verdict {
            Verdict::Lift => u8::from(!r.must_go),
            Verdict::Move => 2,
            Verdict::Keep => 3,
        };
        rank(a).cmp(&rank(b)).then(b.gain.total_cmp(&a.gain)).then(a.station.cmp(&b.station))
    });
    reviews
}

/// What the layer gains if one station is free to move: the choice with the others standing
/// and one more site in the budget, against the choice with all standing and the score of
/// the station's place.
fn review(with: &Reviewing, s: usize) -> Review {
    let from = with.from;
    let (station, ref standing) = with.staying[s];
    let kept =
        |because| Review { station, verdict: Verdict::Keep, must_go: false, gain: 0.0, to: None, because };
    if from.settings.objective == Objective::Coverage {
        return kept("it reaches activity that is not counted again".to_string());
    }
    let one_more = from.settings.budget.map(|n| n.saturating_add(1));
    let layout: Layout = with.field.layout(with.fixed, one_more, Some(s));
    let limits =
        Limits { tolerance: REWEIGHTED_TOLERANCE, work: from.limits.work.min(REVIEW_WORK), ..from.limits };
    let free = layout.choose(with.scores, limits);
    let own = score_at(from, standing, with.scores);
    let gain = (free.total - with.picked.total - own) as f64 / super::score::STEPS_TO_ONE;
    if gain < WORTH_MOVING {
        return kept(format!("no other place is worth {WORTH_MOVING} more to the whole layer"));
    }
    let chosen = |i: &usize| with.picked.sites.iter().any(|(j, ..)| j == i);
    let to = free.sites.iter().map(|&(i, ..)| i).find(|i| !chosen(i));
    let (verdict, because) = match to {
        Some(_) => (Verdict::Move, "the whole layer gains by another place"),
        None => (Verdict::Lift, "the whole layer gains without it"),
    };
    Review { station, verdict, must_go: false, gain, to, because: because.to_string() }
}

/// The score of a station's place: that of the nearest candidate.
fn score_at(from: &Choosing, station: &Standing, scores: &[i64]) -> i64 {
    let away = |i: usize| from.candidates[i].foot.at.distance_m(station.at);
    let nearest = (0..from.candidates.len()).min_by(|&a, &b| away(a).total_cmp(&away(b)));
    nearest.filter(|&i| away(i) <= from.settings.spacing_m).map_or(0, |i| scores[i])
}
