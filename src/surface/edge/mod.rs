//! The edge of the ground that was looked at, and what is done about it.

mod covariance;
mod lattice;
mod mass;
mod window;

pub use window::Window;

pub(super) use covariance::SetCovariance;
pub(super) use lattice::masses;

/// What is done about the edge of the area, beyond which nobody could record sign.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum EdgeRule {
    /// Nothing: the surface falls off towards the edge and runs over it.
    #[default]
    None,
    /// Every value is divided by the share of its kernel that lies inside (Diggle 1985).
    Uniform,
    /// Every point's kernel is divided by its share inside, so that the mass inside is
    /// exactly the sum of weights (Jones 1993, Diggle 2010).
    JonesDiggle,
}

impl EdgeRule {
    /// Every rule, in the order used for output.
    pub const ALL: [EdgeRule; 3] = [EdgeRule::None, EdgeRule::Uniform, EdgeRule::JonesDiggle];

    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            EdgeRule::None => "none",
            EdgeRule::Uniform => "uniform",
            EdgeRule::JonesDiggle => "jones-diggle",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<EdgeRule> {
        EdgeRule::ALL.into_iter().find(|rule| rule.word() == word.trim().to_lowercase())
    }
}
