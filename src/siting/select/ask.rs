//! What is asked of a search, what it may spend, and what comes of it.

use std::time::Instant;

/// No demand on the total.
pub(super) const NO_FLOOR: i64 = i64::MIN / 4;

/// How much more may be spent. Work is counted in touched coefficients, so that a run ends
/// at the same place on every machine; a deadline, if the user sets one, does not.
pub(super) struct Effort {
    pub left: i64,
    pub deadline: Option<Instant>,
}

impl Effort {
    pub fn spend(&mut self, work: usize) {
        self.left -= work as i64;
    }

    pub fn is_spent(&self) -> bool {
        self.left <= 0 || self.deadline.is_some_and(|end| Instant::now() >= end)
    }
}

/// What is asked of a search.
#[derive(Clone, Copy)]
pub(super) struct Ask {
    /// The gap that may stay between total and bound.
    pub allowance: i64,
    /// Only totals above this are of interest.
    pub floor: i64,
    /// All weights are multiples of this, so a bound can be rounded down to one.
    pub grain: i64,
    /// Whether neighbourhoods of the choice may be searched.
    pub polish: bool,
}

/// A choice and what is proven about the best one: its total is at most the greater of
/// `bound` and the floor that was asked for.
pub(super) struct Outcome {
    pub chosen: Vec<bool>,
    pub total: i64,
    pub bound: i64,
}
