//! Search effort: where people looked for sign, how often, and how much they found for it.

mod joint;
mod matching;
mod outing;
mod planar;
mod rate;
mod route;
mod shrink;
mod tally;
#[cfg(test)]
mod tests;
mod trace;
mod turn;
mod ways;

pub use crate::statistics::{Interval, gamma_interval, garwood};
pub use matching::{MatchSettings, MatchedLeg, match_legs};
pub use outing::{Outings, find_outings};
pub use planar::{PlanarRate, SearchedSegment, planar_rates};
pub use rate::{Rate, Rates};
pub use shrink::{Prior, Searched, Shrunk};
pub use tally::{Effort, Passage, Tally};
