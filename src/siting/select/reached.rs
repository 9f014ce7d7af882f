//! A choice of items and what it reaches.

use super::cover::Coverage;

/// Smaller shares of an item are no advice.
const LEAST_SHARE: f64 = 0.05;

/// A choice, with how often each demand is reached and each item stood against.
pub(super) struct Reached<'a> {
    problem: &'a Coverage,
    chosen: Vec<bool>,
    count: usize,
    times: Vec<u32>,
    against: Vec<u32>,
}

impl<'a> Reached<'a> {
    /// Nothing chosen.
    pub fn new(problem: &'a Coverage) -> Self {
        let n = problem.reaches.len();
        Self {
            problem,
            chosen: vec![false; n],
            count: 0,
            times: vec![0; problem.demand.len()],
            against: vec![0; n],
        }
    }

    /// The items with the greatest shares, as far as nothing stands against them, then what adds most.
    pub fn rounded(problem: &'a Coverage, share: &[f64]) -> Self {
        let mut choice = Self::new(problem);
        let mut order: Vec<usize> = (0..share.len()).filter(|&i| share[i] > LEAST_SHARE).collect();
        order.sort_by(|&a, &b| share[b].total_cmp(&share[a]).then(a.cmp(&b)));
        for i in order {
            if choice.against[i] == 0 && !choice.is_full() {
                choice.take(i);
            }
        }
        choice.fill();
        choice
    }

    /// The chosen items, ascending.
    pub fn chosen(&self) -> Vec<u32> {
        (0..self.chosen.len() as u32).filter(|&item| self.chosen[item as usize]).collect()
    }

    pub fn total(&self) -> i64 {
        self.times.iter().zip(&self.problem.demand).filter(|(t, _)| **t > 0).map(|(_, d)| d).sum()
    }

    fn is_full(&self) -> bool {
        self.problem.budget.is_some_and(|budget| self.count >= budget as usize)
    }

    fn take(&mut self, item: usize) {
        self.chosen[item] = true;
        self.count += 1;
        for &j in &self.problem.reaches[item] {
            self.times[j as usize] += 1;
        }
        for other in self.problem.conflicts.of(item as u32) {
            self.against[other as usize] += 1;
        }
    }

    /// What an item would add.
    fn gain(&self, item: usize) -> i64 {
        let open = self.problem.reaches[item].iter().filter(|&&j| self.times[j as usize] == 0);
        open.map(|&j| self.problem.demand[j as usize]).sum()
    }

    /// Adds the item that adds most, as long as one adds anything. A gain can only fall, so
    /// an item still ahead after its gain is counted anew is the best.
    pub fn fill(&mut self) {
        let mut queue: std::collections::BinaryHeap<(i64, std::cmp::Reverse<usize>)> = (0..self.chosen.len())
            .filter(|&i| !self.chosen[i] && self.against[i] == 0)
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
                self.take(item);
            }
        }
    }
}
