//! Siting: where stations should go, on which side, and why.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod alternate;
mod around;
mod candidate;
mod caution;
mod cluster;
mod conflict;
mod country;
mod fate;
mod field;
mod fixed;
mod identity;
mod keep_out;
mod layout;
mod part;
mod propose;
mod reach;
mod reason;
mod review;
mod score;
pub mod select;
mod settings;
mod side;
mod stability;
mod stroke;
mod target;
pub mod wind;

pub use around::{SignAround, SignNear};
pub use candidate::{Bar, Candidate, Ground, SidePlace, lay_candidates};
pub use caution::{SHORT_CAUTION, cautions, contacts};
pub use cluster::{FURTHER_GAIN, HOT_ACTIVITY_QUANTILE, HOT_CONVERGENCE};
pub use conflict::{Apart, conflicts, straight_m};
pub use country::{LayerScale, cover_part, layer_part, numbers_at};
pub use fate::Fate;
pub use identity::{Nameless, TakenIds, site_ids};
pub use keep_out::{KeepOuts, Near, distance_to_edge_m};
pub use part::{Meeting, activity_part, convergence_part, line_kind_part, side_values, wind_part};
pub use propose::{Choosing, Proposal, Site, propose, propose_watched, required_m};
pub use reach::{Demand, demand_of};
pub use reason::{Grounds, Heard, reason};
pub use review::{Barred, Review, Verdict, WORTH_MOVING};
pub use score::{Part, STEPS_TO_ONE, against_greatest, scores, scores_with};
pub use settings::{Objective, SitingError, SitingSettings, Weights};
pub use side::{BREAK_COST, best_sides};
pub use stability::{Stability, Watch, weighting};
pub use stroke::{OnStroke, Strokes};
pub use target::Target;
pub use wind::SideValue;

#[cfg(test)]
mod tests;
