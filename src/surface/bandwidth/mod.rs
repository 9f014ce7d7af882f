//! Rules that choose a bandwidth from the points.

mod scott;

use super::{SurfaceError, WeightedPoint};

/// A rule for the bandwidth.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Rule {
    /// Normal reference: √(sd_x sd_y) n^(−1/6) (Scott 1992, Silverman 1986).
    Scott,
}

impl Rule {
    /// Every rule, in the order used for output.
    pub const ALL: [Rule; 1] = [Rule::Scott];

    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            Rule::Scott => "scott",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<Rule> {
        Rule::ALL.into_iter().find(|rule| rule.word() == word.trim().to_lowercase())
    }
}

/// The bandwidth in metres that a rule gives for the places of some points.
///
/// # Errors
/// [`SurfaceError::TooFew`] if the rule cannot tell anything from these places.
pub fn bandwidth_m(rule: Rule, points: &[WeightedPoint]) -> Result<f64, SurfaceError> {
    match rule {
        Rule::Scott => scott::bandwidth_m(points),
    }
}
