//! Coverage: the choice that reaches the most, in place of the one that scores the most.
//!
//! After Church & ReVelle (1974), Papers of the Regional Science Association 32:101–118, with
//! conflicts among the items besides. Lazy greedy, swaps, and what the prices of the demands
//! suggest; the bound is that of those prices or of the relaxation, both of which prove one
//! whatever they are.

use std::time::{Duration, Instant};

use super::clique::edge_cover;
use super::demand_price::price_demands;
use super::graph::Graph;
use super::reached::Reached;
use super::relax::{Iterate, Relaxation};
use super::{Conflicts, Limits, Selection};

/// Looks at the bound without progress until the relaxation is taken for solved.
const PATIENCE: usize = 60;
/// Iterations between two looks.
const STRIDE: usize = 40;
/// Where the prices leave a smaller gap than this share, the relaxation, which takes several times
/// as long, is not tried.
const NARROW: f64 = 0.01;

/// What is to be reached, and by whom.
#[derive(Clone, Debug)]
pub struct Coverage {
    /// What each demand is worth, in whole units, none negative.
    pub demand: Vec<i64>,
    /// The demands that each item reaches, ascending.
    pub reaches: Vec<Vec<u32>>,
    /// Who may not stand beside whom.
    pub conflicts: Conflicts,
    /// Most items.
    pub budget: Option<u32>,
}

/// Chooses items so that the demand reached by some of them is as great as possible.
pub fn cover(problem: &Coverage, limits: Limits) -> Selection {
    let deadline = limits.seconds.map(|s| Instant::now() + Duration::from_secs_f64(s.max(0.0)));
    let is_late = || deadline.is_some_and(|end| Instant::now() >= end);
    let mut choice = Reached::new(problem);
    choice.fill();
    choice.improve(&is_late);
    let mut upper_bound = reachable(problem);
    let is_open = |bound: i64, total: i64, tolerance: f64| {
        (bound - total) as f64 > tolerance * total as f64 && !is_late()
    };
    if let Some(budget) = problem.budget
        && is_open(upper_bound, choice.total(), limits.tolerance)
    {
        let priced = price_demands(problem, budget as usize, choice.total(), limits, &is_late);
        upper_bound = upper_bound.min(priced.bound);
        for share in priced.shares {
            let mut other = Reached::rounded(problem, &share);
            other.improve(&is_late);
            while is_open(upper_bound, other.total(), limits.tolerance) && other.clear_and_fill(&is_late) {}
            if other.total() > choice.total() {
                choice = other;
            }
        }
    }
    while is_open(upper_bound, choice.total(), limits.tolerance) && choice.clear_and_fill(&is_late) {}
    if is_open(upper_bound, choice.total(), limits.tolerance.max(NARROW)) {
        upper_bound = upper_bound.min(bound(problem, limits, choice.total(), &is_late));
    }
    let total = choice.total();
    let chosen = (0..problem.reaches.len() as u32).filter(|&i| choice.chosen[i as usize]).collect();
    Selection { chosen, total, upper_bound: upper_bound.max(total) }
}

/// What all items reach together.
fn reachable(problem: &Coverage) -> i64 {
    let mut reached = vec![false; problem.demand.len()];
    problem.reaches.iter().flatten().for_each(|&j| reached[j as usize] = true);
    problem.demand.iter().zip(reached).filter(|(_, r)| *r).map(|(d, _)| d).sum()
}

/// The bound of the relaxation: a demand counts as far as the shares that reach it add up,
/// shares of a clique add up to one at most, all shares to the budget.
fn bound(problem: &Coverage, limits: Limits, total: i64, is_late: &impl Fn() -> bool) -> i64 {
    let (items, demands) = (problem.reaches.len(), problem.demand.len());
    let scale = problem.demand.iter().copied().max().unwrap_or(1).max(1) as f64;
    let mut gain = vec![0.0; items];
    gain.extend(problem.demand.iter().map(|&d| d as f64 / scale));
    let mut lp = Relaxation::new(gain);
    let mut reached_by = vec![Vec::new(); demands];
    for (i, reaches) in problem.reaches.iter().enumerate() {
        reaches.iter().for_each(|&j| reached_by[j as usize].push(i as u32));
    }
    for (j, by) in reached_by.iter().enumerate() {
        let own = std::iter::once(((items + j) as u32, 1.0));
        lp.add_row(own.chain(by.iter().map(|&i| (i, -1.0))), 0.0);
    }
    let graph = Graph::new(vec![1; items], |v| problem.conflicts.of(v));
    for clique in edge_cover(&graph).iter().filter(|clique| clique.len() > 1) {
        lp.add_row(clique.iter().map(|&v| (v, 1.0)), 1.0);
    }
    if let Some(budget) = problem.budget {
        lp.add_row((0..items as u32).map(|i| (i, 1.0)), f64::from(budget));
    }
    let mut iterate = Iterate::new(&lp);
    let mut reduced = Vec::new();
    let mut best = problem.demand.iter().sum::<i64>() as f64;
    let (mut idle, mut work) = (0, 0);
    while idle < PATIENCE && work < limits.work as usize && !is_late() {
        iterate.run(&lp, STRIDE);
        work += 2 * STRIDE * lp.coefficients();
        let mut found = f64::INFINITY;
        for prices in [&iterate.y, &iterate.y_mean] {
            lp.reduced(prices, &mut reduced);
            // Sums of rounded numbers: a part in 1e12 more is on the safe side.
            found = found.min(lp.bound(prices, &reduced) * scale * (1.0 + 1e-12));
        }
        let gap = best - total as f64;
        idle = if best - found > gap / 100.0 { 0 } else { idle + 1 };
        best = best.min(found);
        if best < total as f64 + 1.0 || gap <= limits.tolerance * total as f64 {
            break;
        }
    }
    best.floor() as i64
}
