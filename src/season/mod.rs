//! Two seasons compared: what changed, where, and whether it could be chance.
//!
//! The unit is the [`Outing`]. Surfaces of both seasons share one kernel, one bandwidth and
//! one [`Lattice`]. Chance is judged by dealing blocks of outings to the seasons anew
//! ([`Relabellings`]), never single records, and only where enough blocks exist and outings
//! do not depend on each other beyond a block; else [`compare`] answers that there are not
//! enough independent outings to tell.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod area;
mod asymptotic;
mod block;
mod bootstrap;
mod cells;
mod compare;
mod control_impact;
mod dependence;
mod fdr;
mod gather;
mod global;
mod gram;
mod index;
mod lattice;
mod moments;
mod outing;
mod passive;
mod pieces;
mod points;
mod power;
mod ratio;
mod record_rates;
mod relabel;

pub use area::{ChangeArea, Direction, change_areas};
pub use asymptotic::{AsymptoticTest, asymptotic_p, asymptotic_test, kernel_roughness};
pub use block::{BlockSize, Blocks};
pub use bootstrap::{Interval, MIN_OUTINGS, RatioBootstrap, Unit, rate_ratio_interval, ratio_bootstrap};
pub use cells::CellTests;
pub use compare::{Comparison, Headline, Settings, Verdict, compare, headline, local_tests};
pub use control_impact::{ControlImpact, SplitUnit, control_impact};
pub use dependence::Dependence;
pub use fdr::benjamini_hochberg;
pub use gather::{Gathered, Search, gather, plots_and_days};
pub use global::{MIN_BLOCKS, MIN_DISTINCT, SizeTest, test_size};
pub use index::{ExactRatio, dispersion_index, exact_rate_ratio};
pub use lattice::{Compares, Lattice, present_per_m2};
pub use outing::{Outing, Outings, Season};
pub use passive::{PassiveIndex, passive_index};
pub use pieces::{LineOutings, PieceChange, compare_pieces};
pub use power::{DetectableRatio, detectable_ratio};
pub use ratio::{log_ratio, squared_difference_per_m2};
pub use relabel::Relabellings;

/// What can stop a comparison.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum SeasonError {
    /// Neither season holds sign.
    #[error("neither season holds any sign")]
    NoSignAtAll,
    /// Both seasons were searched, but no sign belongs to what was searched.
    #[error(
        "none of {0} records belongs to a survey leg, so there is no rate to compare; give records the day or the survey id of their leg, or leave the survey out"
    )]
    NoSignOnLegs(usize),
    /// A season holds no sign and nothing says that it was searched.
    #[error("the season {} holds no sign, and without survey legs in both seasons there is nothing to compare", .0.word())]
    NoSign(Season),
    /// A bandwidth that is not a positive number of metres.
    #[error("the bandwidth must be a positive number of metres, found {0}")]
    Bandwidth(f64),
    /// The surfaces of all outings would not fit in memory.
    #[error(
        "the surfaces of {outings} outings on {cells:.0} cells are too large; use a wider bandwidth or a smaller area"
    )]
    TooLarge {
        /// Lattice cells needed.
        cells: f64,
        /// Outings in both seasons.
        outings: usize,
    },
}

#[cfg(test)]
mod tests;
