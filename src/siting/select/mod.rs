//! Spaced selection with a proven bound: from items with weights, costs and conflicts the
//! choice with the greatest total weight, within a budget, and an upper bound on what any
//! choice can reach.
//!
//! Weights are whole units, so that totals and bounds are exact and the same everywhere.
//! The free problem is a maximum weight independent set. Road-like networks make it nearly
//! a problem on trees and intervals: exact reductions and the clique relaxation close most
//! of it, and branching the rest. Greedy choice alone is 5 to 20 percent short there.

mod anneal;
mod ask;
mod budget;
mod clique;
mod conflicts;
mod cover;
mod demand_price;
mod free;
mod graph;
mod lists;
mod local;
mod reached;
mod reduce;
mod relax;
mod shares;

use std::sync::Arc;
use std::time::{Duration, Instant};

pub use conflicts::{Conflicts, Later};
pub use cover::{Coverage, cover};

use ask::{Ask, Effort, NO_FLOOR};
use budget::{Budgeted, solve_within};
use graph::Graph;
use local::Choice;

/// What to choose from.
#[derive(Clone, Debug)]
pub struct Problem {
    /// What each item adds, in whole units; items of zero or less are never chosen.
    pub weights: Vec<i64>,
    /// What each item takes from the budget, at least 1; read only if there is a budget.
    pub costs: Vec<u32>,
    /// Who may not stand beside whom.
    pub conflicts: Arc<Conflicts>,
    /// The most that the chosen items may cost together.
    pub budget: Option<u32>,
}

/// When to stop.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Limits {
    /// The gap between total and bound that is good enough, as a share of the total.
    pub tolerance: f64,
    /// The most work, in touched coefficients: the same on every machine.
    pub work: u64,
    /// The most seconds. Unlike `work`, it makes the result depend on the machine.
    pub seconds: Option<f64>,
}

impl Default for Limits {
    fn default() -> Self {
        Self { tolerance: 0.0, work: 3_000_000_000, seconds: None }
    }
}

/// A choice and its proof.
#[derive(Clone, PartialEq, Debug)]
pub struct Selection {
    /// The chosen items, ascending.
    pub chosen: Vec<u32>,
    /// Their total weight.
    pub total: i64,
    /// No choice has a greater total than this.
    pub upper_bound: i64,
    /// The work it took, as [`Limits::work`] counts it: the same on every machine.
    pub work: u64,
}

impl Selection {
    /// What may be missing: (`upper_bound` − `total`) / `upper_bound`.
    pub fn gap(&self) -> f64 {
        if self.upper_bound <= 0 {
            0.0
        } else {
            (self.upper_bound - self.total) as f64 / self.upper_bound as f64
        }
    }
}

/// Chooses.
///
/// Without a budget the result is proven best unless the limits end the search or leave a
/// gap by their tolerance; with one, likewise, though a gap takes more branching to close.
pub fn select(problem: &Problem, limits: Limits) -> Selection {
    let scale = scale(&problem.weights);
    let graph = Graph::new(problem.weights.iter().map(|w| w * scale).collect(), &problem.conflicts);
    let granted = limits.work.min(i64::MAX as u64) as i64;
    let mut effort = Effort {
        left: granted,
        deadline: limits.seconds.map(|s| Instant::now() + Duration::from_secs_f64(s.max(0.0))),
    };
    let allowance = |total: i64| (limits.tolerance * total as f64) as i64;
    let grain = grain(&problem.weights) * scale;
    let total = greedy_total(&graph, problem.budget);
    let ask = Ask { allowance: allowance(total), floor: NO_FLOOR, grain, polish: true };
    let outcome = match problem.budget {
        Some(budget) => {
            let problem = Budgeted { graph, cost: &problem.costs };
            solve_within(problem, i64::from(budget), ask, &mut effort)
        }
        None => free::solve(graph, ask, &mut effort),
    };
    let chosen = (0..problem.weights.len() as u32).filter(|&v| outcome.chosen[v as usize]).collect();
    Selection {
        chosen,
        total: outcome.total / scale,
        upper_bound: outcome.bound.div_euclid(grain) * (grain / scale),
        work: granted.saturating_sub(effort.left).max(0) as u64,
    }
}

/// What a greedy choice reaches, within the budget if there is one. It bounds the total from below,
/// so a gap that is a share of it stays that share.
fn greedy_total(graph: &Graph, budget: Option<u32>) -> i64 {
    let greedy = Choice::greedy(graph, |v| graph.w(v) as f64);
    let Some(budget) = budget else { return greedy.total };
    let chosen = graph.vertices().into_iter().filter(|&v| greedy.chosen[v as usize]);
    let mut heaviest: Vec<i64> = chosen.map(|v| graph.w(v)).collect();
    heaviest.sort_unstable_by_key(|&w| std::cmp::Reverse(w));
    heaviest.iter().take(budget as usize).sum()
}

/// What weights are multiplied with inside, so that prices have digits to spare.
fn scale(weights: &[i64]) -> i64 {
    let sum: i64 = weights.iter().map(|w| w.abs()).sum::<i64>().max(1);
    (0..=10).rev().map(|k| 1_i64 << k).find(|k| sum <= (1 << 54) / k).unwrap_or(1)
}

/// The greatest common divisor of the weights, at least 1.
fn grain(weights: &[i64]) -> i64 {
    fn gcd(a: i64, b: i64) -> i64 {
        if b == 0 { a } else { gcd(b, a % b) }
    }
    weights.iter().fold(0, |g, &w| gcd(g, w.abs())).max(1)
}

#[cfg(test)]
mod tests;
