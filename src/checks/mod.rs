//! What the check log shows: the account of capsules, activations by effort, the time to
//! activation, and what it teaches siting.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod balance;
mod history;
mod log;
mod quiet;
mod rates;
mod survival;
mod weights;

pub use balance::{Account, Balance, Entry, OpenItem, balance};
pub use history::{History, Interval, Spell, history};
pub use log::{line_of, read_log};
pub use quiet::{Advice, Quiet, QuietRule, quiet};
pub use rates::{Rate, nightly_hazard, poisson_interval};
pub use survival::{Mass, Survival, bootstrap};
pub use weights::{Effect, FitSettings, Fitted, StationCount, WeightsError, fit_weights};
