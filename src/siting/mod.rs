//! Siting: where stations should go, on which side, and why.

mod candidate;
mod caution;
mod conflict;
mod keep_out;
mod part;
mod propose;
mod reason;
mod score;
pub mod select;
mod settings;
mod side;
mod stroke;
pub mod wind;

pub use candidate::{Bar, Candidate, Ground, SidePlace, lay_candidates};
pub use caution::cautions;
pub use conflict::{Apart, conflicts};
pub use keep_out::{KeepOuts, Near, distance_to_edge_m};
pub use part::{Meeting, activity_part, convergence_part, line_kind_part, side_values, wind_part};
pub use propose::{Choosing, Fate, Proposal, Site, propose, required_m};
pub use reason::{Grounds, SignNear, reason, sign_near};
pub use score::{Part, STEPS_TO_ONE, scores, scores_with};
pub use settings::{Objective, SitingError, SitingSettings, Weights};
pub use side::{BREAK_COST, best_sides};
pub use stroke::{OnStroke, Strokes};
