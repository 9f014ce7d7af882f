//! Coverage: the choice that reaches the most, in place of the one that scores the most.
//!
//! After Church & ReVelle (1974), Papers of the Regional Science Association 32:101–118, with
//! conflicts among the items besides. Lazy greedy, then swaps; the bound is that of the
//! relaxation, whose prices prove one whatever they are.

use super::clique::edge_cover;
use super::graph::Graph;
use super::relax::{Iterate, Relaxation};
use super::{Conflicts, Limits, Selection};

/// Looks at the bound without progress until the relaxation is taken for solved.
const PATIENCE: usize = 60;
/// Iterations between two looks.
const STRIDE: usize = 40;

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
    let mut choice = Reached::new(problem);
    choice.fill();
    while choice.swap() {}
    let total = choice.total();
    let upper_bound = bound(problem, limits, total).max(total);
    let chosen = (0..problem.reaches.len() as u32).filter(|&i| choice.chosen[i as usize]).collect();
    Selection { chosen, total, upper_bound }
}

/// A choice, with how often each demand is reached and each item stood against.
struct Reached<'a> {
    problem: &'a Coverage,
    chosen: Vec<bool>,
    count: usize,
    times: Vec<u32>,
    against: Vec<u32>,
}

impl<'a> Reached<'a> {
    fn new(problem: &'a Coverage) -> Self {
        let n = problem.reaches.len();
        Self {
            problem,
            chosen: vec![false; n],
            count: 0,
            times: vec![0; problem.demand.len()],
            against: vec![0; n],
        }
    }

    fn total(&self) -> i64 {
        self.times.iter().zip(&self.problem.demand).filter(|(t, _)| **t > 0).map(|(_, d)| d).sum()
    }

    fn is_full(&self) -> bool {
        self.problem.budget.is_some_and(|budget| self.count >= budget as usize)
    }

    fn set(&mut self, item: usize, chosen: bool) {
        self.chosen[item] = chosen;
        let step = |n: u32| if chosen { n + 1 } else { n - 1 };
        self.count = if chosen { self.count + 1 } else { self.count - 1 };
        for &j in &self.problem.reaches[item] {
            self.times[j as usize] = step(self.times[j as usize]);
        }
        for &other in self.problem.conflicts.of(item as u32) {
            self.against[other as usize] = step(self.against[other as usize]);
        }
    }

    /// What an item would add.
    fn gain(&self, item: usize) -> i64 {
        let open = self.problem.reaches[item].iter().filter(|&&j| self.times[j as usize] == 0);
        open.map(|&j| self.problem.demand[j as usize]).sum()
    }

    /// Adds the item that adds most, as long as one adds anything. A gain can only fall, so
    /// an item still ahead after its gain is counted anew is the best.
    fn fill(&mut self) {
        let mut queue: std::collections::BinaryHeap<(i64, std::cmp::Reverse<usize>)> = (0..self.chosen.len())
            .filter(|&i| !self.chosen[i])
            .map(|i| (self.gain(i), std::cmp::Reverse(i)))
            .collect();
        while let Some((known, std::cmp::Reverse(item))) = queue.pop() {
            if self.is_full() || known <= 0 {
                return;
            }
            if self.against[item] > 0 {
                continue;
            }
            let gain = self.gain(item);
            if gain < known {
                queue.push((gain, std::cmp::Reverse(item)));
            } else {
                self.set(item, true);
            }
        }
    }

    /// Takes one item out and fills up again, and keeps that if it reaches more.
    fn swap(&mut self) -> bool {
        let before = self.total();
        for item in 0..self.chosen.len() {
            if !self.chosen[item] {
                continue;
            }
            let kept = (self.chosen.clone(), self.times.clone(), self.against.clone(), self.count);
            self.set(item, false);
            let best = (0..self.chosen.len())
                .filter(|&i| i != item && !self.chosen[i] && self.against[i] == 0)
                .max_by_key(|&i| (self.gain(i), std::cmp::Reverse(i)));
            if let Some(best) = best {
                self.set(best, true);
            }
            self.fill();
            if self.total() > before {
                return true;
            }
            (self.chosen, self.times, self.against, self.count) = kept;
        }
        false
    }
}

/// The bound of the relaxation: a demand counts as far as the shares that reach it add up,
/// shares of a clique add up to one at most, all shares to the budget.
fn bound(problem: &Coverage, limits: Limits, total: i64) -> i64 {
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
    while idle < PATIENCE && work < limits.work as usize {
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
