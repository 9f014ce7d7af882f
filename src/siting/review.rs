//! Stations in the ground: which to keep, which to move, which to lift.

use super::layout::Layout;
use super::select::Limits;

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
    /// What the whole layer's score gains by it, in 0..; 0 for a station that is kept.
    pub gain: f64,
    /// Where to move it: a candidate.
    pub to: Option<usize>,
    /// Why.
    pub because: String,
}

/// Pegs are not moved for less than this gain in score.
pub const WORTH_MOVING: f64 = 0.1;

/// A station and the choice that would be made were it not there.
pub struct Without<'a> {
    /// Index of the station.
    pub station: usize,
    /// Score of its place in millionths.
    pub score: i64,
    /// The layout with the others standing and one more site in the budget.
    pub layout: &'a Layout,
}

/// What the layer gains if one station is free to move. `with` is the total of the choice
/// with all stations standing, in millionths.
pub fn review(without: &Without, scores: &[i64], with: i64, chosen: &[usize], limits: Limits) -> Review {
    let free = without.layout.choose(scores, limits);
    let gain = (free.total - with - without.score) as f64 / super::score::STEPS_TO_ONE;
    let new = free.sites.iter().map(|&(i, ..)| i).find(|i| !chosen.contains(i));
    let keep = gain < WORTH_MOVING;
    let (verdict, because) = match (keep, new) {
        (true, _) => {
            (Verdict::Keep, format!("no other place is worth {WORTH_MOVING} more to the whole layer"))
        }
        (false, Some(_)) => (Verdict::Move, "the whole layer gains by another place".to_string()),
        (false, None) => (Verdict::Lift, "the whole layer gains without it".to_string()),
    };
    let to = if keep { None } else { new };
    Review { station: without.station, verdict, gain: if keep { 0.0 } else { gain }, to, because }
}
