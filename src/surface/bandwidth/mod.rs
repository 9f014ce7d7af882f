//! Rules that choose a bandwidth from the places of the points.
//!
//! The rules answer different questions and disagree by eight times and more on clustered
//! sign, so all of them are worth showing side by side ([`every_rule`]). They are derived
//! for the Gaussian; since the bandwidth is a standard deviation they serve every kernel.
//! Weights do not count, but points of no weight are left out.

mod diggle;
mod leave_one_out;
mod likelihood;
mod lscv;
mod near;
mod plug_in;
mod reference;
mod search;
mod spectrum;

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::edge::SetCovariance;
use super::{Extent, SurfaceError, WeightedPoint, Window};

/// A rule for the bandwidth.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Rule {
    /// Normal reference: √(sd_x sd_y) n^(−1/6) (Scott 1992, Silverman 1986). Right for one
    /// round cloud of points; too wide for several.
    Scott,
    /// The widest bandwidth that any density of this spread could want (Terrell 1990).
    Oversmooth,
    /// Least-squares cross-validation (Rudemo 1982, Bowman 1984). Narrow and shaky; driven
    /// to zero by duplicates and rounded coordinates.
    Lscv,
    /// Likelihood cross-validation (Habbema et al. 1974, Duin 1976). Wide where single
    /// points lie far out.
    Likelihood,
    /// Two-stage plug-in with one bandwidth an axis (Wand & Jones 1994, pilots of Duong &
    /// Hazelton 2003); the geometric mean of the two.
    PlugIn,
    /// Mean square error for a clustered (Cox) process (Diggle 1985, Berman & Diggle 1989).
    /// Narrow.
    Diggle,
}

impl Rule {
    /// Every rule, in the order used for output.
    pub const ALL: [Rule; 6] =
        [Rule::Scott, Rule::Oversmooth, Rule::Lscv, Rule::Likelihood, Rule::PlugIn, Rule::Diggle];

    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            Rule::Scott => "scott",
            Rule::Oversmooth => "oversmooth",
            Rule::Lscv => "lscv",
            Rule::Likelihood => "likelihood",
            Rule::PlugIn => "plug-in",
            Rule::Diggle => "diggle",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<Rule> {
        Rule::ALL.into_iter().find(|rule| rule.word() == word.trim().to_lowercase())
    }
}

/// A bandwidth and the rule it comes from.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Bandwidth {
    /// Standard deviation along an axis, in metres.
    pub bandwidth_m: f64,
    /// The rule; `None` if the user gave the metres.
    pub rule: Option<Rule>,
    /// The rule's optimum lies at the edge of the range it searched: it says "less than
    /// this" or "more than this", and no more.
    pub at_search_edge: bool,
}

impl Bandwidth {
    /// A bandwidth that the user gave.
    pub const fn given(bandwidth_m: f64) -> Self {
        Self { bandwidth_m, rule: None, at_search_edge: false }
    }
}

/// Side of a box in metres within which places are one place to any receiver.
const ONE_PLACE_M: f64 = 1.0;
/// Spread along a line over the spread across it from which places count as a line: on a
/// fence of some kilometres, what is across is then a receiver's error.
const ONE_LINE: f64 = 500.0;

/// The bandwidth that a rule gives for the places of some points. `window` is the ground
/// that was looked at, for the one rule that asks for it (`diggle`), which leaves out points
/// outside; without it, the smallest box that holds the points.
///
/// Cost: a few sums over near pairs or a few transforms; far from one term a pair.
///
/// # Errors
/// [`SurfaceError::TooFew`] if there are fewer than three points with weight,
/// [`SurfaceError::TooClose`] if all lie within a metre, [`SurfaceError::OnOneLine`] if they
/// spread 500 times farther along a line than across it (`diggle` in a window of its own does
/// not mind), and [`SurfaceError::NoGround`] if the window has no area.
pub fn choose_bandwidth(
    rule: Rule,
    points: &[WeightedPoint],
    window: Option<&Window>,
) -> Result<Bandwidth, SurfaceError> {
    let places: Vec<GroundPoint> = points.iter().filter(|p| p.weight > 0.0).map(|p| p.at).collect();
    let extent = spread_of(rule, &places, window.is_some())?;
    let found = |bandwidth_m| search::Optimum { at: bandwidth_m, at_edge: false };
    let optimum = match rule {
        Rule::Scott => found(reference::scott_m(&places)),
        Rule::Oversmooth => found(reference::oversmooth_m(&places)),
        Rule::Lscv => lscv::optimum(&places),
        Rule::Likelihood => likelihood::optimum(&places),
        Rule::PlugIn => found(plug_in::bandwidth_m(&places).ok_or_else(|| on_one_line(rule, &places))?),
        Rule::Diggle => in_window(&places, extent, window)?,
    };
    Ok(Bandwidth { bandwidth_m: optimum.at, rule: Some(rule), at_search_edge: optimum.at_edge })
}

/// The box of places that a rule can speak of.
fn spread_of(rule: Rule, places: &[GroundPoint], has_window: bool) -> Result<Extent, SurfaceError> {
    let found = places.len();
    let few = SurfaceError::TooFew { rule: rule.word(), found };
    let extent = Extent::of(places.iter().copied()).filter(|_| found >= 3).ok_or(few)?;
    let spread_m = (extent.max.x_m - extent.min.x_m).max(extent.max.y_m - extent.min.y_m);
    if spread_m < ONE_PLACE_M {
        return Err(SurfaceError::TooClose { rule: rule.word(), found, spread_m });
    }
    let [along_m, across_m] = reference::along_and_across_m(places);
    if along_m > ONE_LINE * across_m && !(rule == Rule::Diggle && has_window) {
        return Err(on_one_line(rule, places));
    }
    Ok(extent)
}

fn on_one_line(rule: Rule, places: &[GroundPoint]) -> SurfaceError {
    let [along_m, across_m] = reference::along_and_across_m(places);
    SurfaceError::OnOneLine { rule: rule.word(), along_m, across_m }
}

/// The rule that asks for the ground that was looked at.
fn in_window(
    places: &[GroundPoint],
    extent: Extent,
    window: Option<&Window>,
) -> Result<search::Optimum, SurfaceError> {
    let rule = Rule::Diggle.word();
    let Some(window) = window else {
        return diggle::optimum(places, &SetCovariance::of_box(extent))
            .ok_or(SurfaceError::NoGround { rule });
    };
    let inside: Vec<GroundPoint> = places.iter().copied().filter(|&at| window.contains(at)).collect();
    if inside.len() < 3 {
        return Err(SurfaceError::TooFew { rule, found: inside.len() });
    }
    diggle::optimum(&inside, &SetCovariance::of(window)).ok_or(SurfaceError::NoGround { rule })
}

/// Points up to which [`every_rule`] asks all of them.
const ALL_POINTS: usize = 100_000;
/// Of more, it asks at least so many.
const SOME_POINTS: usize = 50_000;

/// What every rule gives, in the order of [`Rule::ALL`], found side by side.
///
/// Of more than 100,000 points some at equal steps are asked, 50,000 at least, and what they give is
/// brought to the number of points by its power −1/6, by which all these bandwidths shrink.
pub fn every_rule(
    points: &[WeightedPoint],
    window: Option<&Window>,
) -> Vec<(Rule, Result<Bandwidth, SurfaceError>)> {
    let every = points.len() / SOME_POINTS;
    if points.len() <= ALL_POINTS {
        return Rule::ALL
            .into_par_iter()
            .map(|rule| (rule, choose_bandwidth(rule, points, window)))
            .collect();
    }
    let some: Vec<WeightedPoint> = points.iter().step_by(every).copied().collect();
    let shrink = (some.len() as f64 / points.len() as f64).powf(1.0 / 6.0);
    let brought = |b: Bandwidth| Bandwidth { bandwidth_m: b.bandwidth_m * shrink, ..b };
    Rule::ALL.into_par_iter().map(|rule| (rule, choose_bandwidth(rule, &some, window).map(brought))).collect()
}
