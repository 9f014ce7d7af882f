//! The free problem: the best total weight without conflicts, no budget.
//!
//! Reduce, split into connected parts, and search each part on its own.

use std::time::Instant;

use super::clique::quick_bound;
use super::graph::Graph;
use super::part::search_part;
use super::reduce::reduce;

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
}

/// A choice and what is proven about the best one: its total is at most the greater of
/// `bound` and the floor that was asked for.
pub(super) struct Outcome {
    pub chosen: Vec<bool>,
    pub total: i64,
    pub bound: i64,
}

/// Solves the graph, in which vertices may have been taken away.
pub(super) fn solve(mut graph: Graph, ask: Ask, effort: &mut Effort) -> Outcome {
    effort.spend(64 * graph.len());
    let trail = reduce(&mut graph);
    let mut chosen = vec![false; graph.len()];
    let members = graph.components();
    let parts: Vec<Graph> = members.iter().map(|part| graph.induced(part)).collect();
    let quick: Vec<i64> = parts.iter().map(quick_bound).collect();
    let mut open: i64 = quick.iter().sum();
    let (mut total, mut bound) = (trail.constant, trail.constant);
    if bound + open <= ask.floor {
        return Outcome { chosen, total: 0, bound: bound + open };
    }
    let mut allowance = ask.allowance;
    for ((part, ids), quick) in parts.into_iter().zip(&members).zip(quick) {
        let share = (allowance as f64 * quick as f64 / open.max(1) as f64) as i64;
        open -= quick;
        let floor = if ask.floor <= NO_FLOOR { NO_FLOOR } else { ask.floor - bound - open };
        let outcome = search_part(&part, Ask { allowance: share, floor, ..ask }, effort);
        allowance = (allowance - (outcome.bound - outcome.total)).max(0);
        total += outcome.total;
        bound += outcome.bound.max(floor.min(quick));
        for (&v, take) in ids.iter().zip(outcome.chosen) {
            chosen[v as usize] = take;
        }
    }
    trail.undo(&mut chosen);
    Outcome { chosen, total, bound }
}
