//! The check round: the tour through the stations, the days it takes, when each station is
//! due, and what to carry.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod bound;
mod branch;
mod calendar;
mod days;
mod directed;
mod drive;
mod kit;
mod matrix;
mod plan;
mod reach;
mod schedule;
mod search;
mod tour;
mod travel;

pub use calendar::{Errand, write_calendar};
pub use kit::{DayLoad, KitItem, KitSettings, kit};
pub use matrix::TravelMatrix;
pub use plan::{Call, Day, Ground, Round, RoundEnd, RoundSettings, Stop, Visit, plan_round};
pub use schedule::{Due, IntervalRule, ScheduleSettings, Urgency, due_list, is_other_take};
pub use tour::{Tour, TourEnd, TourSearch, shortest_tour};
pub use travel::{Barrier, Leg, Passage, Speeds, TravelNet};

use jiff::civil::Date;

/// Share by which sums of distances may differ from rounding alone.
const ROUNDING: f64 = 1e-9;
/// By how much minutes may be off by rounding.
const ROUNDING_MIN: f64 = 1e-6;

/// Why a round could not be planned.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum RoundError {
    /// A matrix that is not square.
    #[error("{stops} stops need {} distances, found {entries}", stops * stops)]
    Matrix {
        /// Stops asked for.
        stops: usize,
        /// Entries given.
        entries: usize,
    },
    /// A distance that is none.
    #[error("the distance from stop {from} to stop {to} is {metres} m; it must be finite and not negative")]
    Distance {
        /// Row.
        from: usize,
        /// Column.
        to: usize,
        /// The entry.
        metres: f64,
    },
    /// No passable line.
    #[error(
        "no passable track or road leads to and from the {what} of the round; check the lines, closed lines and locked gates"
    )]
    NoWay {
        /// Which place.
        what: &'static str,
    },
    /// A setting out of range.
    #[error("round.{name}: expected {wanted}, found {value}")]
    Setting {
        /// The key.
        name: &'static str,
        /// What was given.
        value: f64,
        /// What would do.
        wanted: &'static str,
    },
    /// A due day beyond the calendar.
    #[error("{day} and {days} days lie beyond the calendar; check the dates and every_days")]
    Calendar {
        /// The day counted from.
        day: Date,
        /// The interval.
        days: u32,
    },
}
