//! Coverage: the choice that reaches the most, in place of the one that scores the most.
//!
//! After Church & ReVelle (1974), Papers of the Regional Science Association 32:101–118, with
//! conflicts among the items besides. The choice begins greedy and is annealed; the bound is that of
//! prices of the demands, then of the relaxation, both of which prove one whatever they are. The two
//! go on side by side, in rounds.

use std::sync::Arc;
use std::time::{Duration, Instant};

use super::anneal::anneal;
use super::demand_price::price_demands;
use super::lists::Lists;
use super::reached::Reached;
use super::shares::Descent;
use super::{Conflicts, Limits, Selection};

/// The work of the first rounds, of either side, in touched coefficients: so many times those of the
/// problem, and no more than so many.
const FIRST_WORK: (usize, usize) = (500, 60_000_000);
/// Each later round does so much more.
const MORE: f64 = 1.5;
/// Rounds without progress after which no more is expected.
const PATIENCE: usize = 3;
/// What part of the gap a round must close to count as progress.
const PROGRESS: f64 = 0.02;
/// How hot rounds begin, one after the other.
const HEATS: [f64; 3] = [0.1, 0.3, 0.05];

/// What is to be reached, and by whom.
#[derive(Clone, Debug)]
pub struct Coverage {
    /// What each demand is worth, in whole units, none negative.
    pub demand: Vec<i64>,
    /// The demands that each item reaches, ascending.
    pub reaches: Vec<Vec<u32>>,
    /// Who may not stand beside whom.
    pub conflicts: Arc<Conflicts>,
    /// Most items.
    pub budget: Option<u32>,
}

/// Chooses items so that the demand reached by some of them is as great as possible.
///
/// The result does not depend on the number of threads: both sides of a round begin from what the
/// round before found.
pub fn cover(problem: &Coverage, limits: Limits) -> Selection {
    let deadline = limits.seconds.map(|s| Instant::now() + Duration::from_secs_f64(s.max(0.0)));
    let is_late = || deadline.is_some_and(|end| Instant::now() >= end);
    let reaches = Lists::new(problem.reaches.iter().map(Vec::as_slice));
    let reached_by = reaches.turned(problem.demand.len());
    let mut search = Search::new(problem, limits, &reached_by);
    let budget = problem.budget.map_or(problem.reaches.len(), |budget| budget as usize);
    let advice = if search.is_open() && !is_late() {
        let (from, total) = (search.chosen.clone(), search.total);
        let (found, priced) = rayon::join(
            || search.anneal(&from, search.first_work(), 0, &is_late),
            || price_demands(problem, budget, total, limits, &is_late),
        );
        search.take(found);
        search.bound = search.bound.min(priced.bound);
        search.spent = (search.first_work() + priced.steps * reaches.entries()) as u64;
        Some((priced.share, priced.price))
    } else {
        None
    };
    if let Some((share, price)) = advice
        && search.is_open()
        && !is_late()
    {
        search.rounds(Descent::new(problem, &reached_by, &share, &price), &is_late);
    }
    Selection {
        total: search.total,
        upper_bound: search.bound.max(search.total),
        work: search.spent,
        chosen: search.chosen,
    }
}

struct Search<'a> {
    problem: &'a Coverage,
    limits: Limits,
    reached_by: &'a Lists,
    chosen: Vec<u32>,
    total: i64,
    bound: i64,
    spent: u64,
}

impl<'a> Search<'a> {
    /// The greedy choice, and that no more can be reached than there is.
    fn new(problem: &'a Coverage, limits: Limits, reached_by: &'a Lists) -> Self {
        let mut greedy = Reached::new(problem);
        greedy.fill();
        let reachable = problem.demand.iter().zip(reached_by.iter()).filter(|(_, by)| !by.is_empty());
        let bound = reachable.map(|(demand, _)| demand).sum();
        Self { problem, limits, reached_by, chosen: greedy.chosen(), total: greedy.total(), bound, spent: 0 }
    }

    fn first_work(&self) -> usize {
        let (times, most) = FIRST_WORK;
        (times * (self.reached_by.entries() + self.problem.reaches.len())).min(most)
    }

    fn enough(&self) -> f64 {
        self.total as f64 * (1.0 + self.limits.tolerance)
    }

    fn is_open(&self) -> bool {
        self.bound as f64 > self.enough()
    }

    fn take(&mut self, (chosen, total): (Vec<u32>, i64)) {
        if total > self.total {
            (self.chosen, self.total) = (chosen, total);
        }
    }

    /// Anneals with so much work, differently in each round.
    fn anneal(
        &self,
        from: &[u32],
        work: usize,
        round: usize,
        is_late: &impl Fn() -> bool,
    ) -> (Vec<u32>, i64) {
        let each = 3 * self.reached_by.entries() / self.problem.reaches.len().max(1) + 50;
        let heat = HEATS[round % HEATS.len()];
        anneal(self.problem, self.reached_by, from, work / each, heat, round as u64, is_late)
    }

    /// Goes on with both sides until the gap is closed, work is used up or nothing comes of it. Every
    /// other round begins with what the shares of the relaxation suggest.
    fn rounds(&mut self, mut descent: Descent, is_late: &(impl Fn() -> bool + Sync)) {
        let (mut left, mut idle) = (self.limits.work as f64, 0);
        let mut work = self.first_work() as f64;
        for round in 1.. {
            if !self.is_open() || is_late() || left <= 0.0 || idle >= PATIENCE {
                return;
            }
            let gap = (self.bound - self.total) as f64;
            let from = match round % 2 {
                0 => self.chosen.clone(),
                _ => Reached::rounded(self.problem, descent.share()).chosen(),
            };
            let iterations = (work / descent.work() as f64).ceil() as usize;
            let enough = self.enough();
            let (found, done) = rayon::join(
                || self.anneal(&from, work as usize, round, is_late),
                || descent.run(iterations, enough, is_late),
            );
            self.take(found);
            self.bound = self.bound.min(descent.bound.floor() as i64);
            let closed = gap - (self.bound - self.total) as f64;
            idle = if closed > PROGRESS * gap { 0 } else { idle + 1 };
            self.spent += (work as usize + done * descent.work()) as u64;
            left -= 2.0 * work;
            work *= MORE;
        }
    }
}
