//! The relaxation of coverage: a demand counts as far as the shares of the items that reach it add
//! up, shares of a clique add up to one at most, all shares to the budget.
//!
//! As a game between shares and prices, without columns for the demands: what a demand is worth is
//! parted by its price into what it counts in any case and what it brings the items that reach it.
//! The budget is kept exactly by the shares and plays no part in the prices. Solved by the primal-dual
//! hybrid gradient method with diagonal steps (Pock & Chambolle 2011), reflected and drawn back to an
//! anchor (Halpern; Lu & Yang 2024, arXiv:2407.16144), with restarts. Whatever the prices, they prove
//! a bound.

use super::clique::edge_cover;
use super::cover::Coverage;
use super::graph::Graph;
use super::lists::Lists;

/// Sums of rounded numbers: a part in 1e12 more is on the safe side.
const ROUNDING: f64 = 1e-12;
/// Keeps the step of an item that nothing weighs finite.
const LEAST_WEIGHT: f64 = 1e-9;
/// Squared moves of shares or prices shorter than this say nothing of the balance between them.
const LEAST_MOVE: f64 = 1e-18;
/// The balance between the steps of shares and prices stays within this factor of even.
const WIDEST_BALANCE: f64 = 1e3;
/// How near the shares come to the budget before the search for their level ends.
const WITHIN: f64 = 1e-9;

/// Iterations between two looks at the bound.
const STRIDE: usize = 20;
/// A run longer than this share of all iterations ends in a restart.
const LONG: f64 = 0.36;

/// The relaxation. Demands that the same items reach are one.
pub(super) struct Relaxed {
    demand: Vec<f64>,
    /// Demands by item, and items by demand.
    reaches: Lists,
    reached_by: Lists,
    /// Cliques by item, and items by clique.
    cliques: Lists,
    members: Lists,
    budget: usize,
}

impl Relaxed {
    pub fn new(problem: &Coverage, reached_by: &Lists) -> (Self, Vec<u32>) {
        let items = problem.reaches.len();
        let mut order: Vec<u32> = (0..problem.demand.len() as u32)
            .filter(|&d| problem.demand[d as usize] > 0 && !reached_by.of(d as usize).is_empty())
            .collect();
        order.sort_by_key(|&d| (reached_by.of(d as usize), d));
        let (mut demand, mut first): (Vec<f64>, Vec<u32>) = (Vec::new(), Vec::new());
        for d in order {
            let worth = problem.demand[d as usize] as f64;
            match (demand.last_mut(), first.last()) {
                (Some(sum), Some(&like)) if reached_by.of(like as usize) == reached_by.of(d as usize) => {
                    *sum += worth
                }
                _ => {
                    demand.push(worth);
                    first.push(d);
                }
            }
        }
        let reached_by = Lists::new(first.iter().map(|&d| reached_by.of(d as usize)));
        let graph = Graph::new(vec![1; items], &problem.conflicts);
        let cover = edge_cover(&graph);
        let members = Lists::new(cover.iter().filter(|clique| clique.len() > 1).map(Vec::as_slice));
        let relaxed = Self {
            reaches: reached_by.turned(items),
            cliques: members.turned(items),
            demand,
            reached_by,
            members,
            budget: problem.budget.map_or(items, |budget| budget as usize),
        };
        (relaxed, first)
    }

    /// What each item brings: the prices of its demands less those of its cliques.
    fn brings(&self, prices: &Prices, brings: &mut [f64]) {
        for (item, brings) in brings.iter_mut().enumerate() {
            *brings = self.reaches.sum(item, &prices.demand) - self.cliques.sum(item, &prices.clique);
        }
    }

    /// No choice reaches more than this, whatever the prices.
    fn bound(&self, prices: &Prices, brings: &mut [f64]) -> f64 {
        self.brings(prices, brings);
        if self.budget < brings.len() {
            brings.select_nth_unstable_by(self.budget, |a, b| b.total_cmp(a));
        }
        let items: f64 = brings.iter().take(self.budget).map(|b| b.max(0.0)).sum();
        let rest: f64 = self.demand.iter().zip(&prices.demand).map(|(d, p)| d - p).sum();
        // Sums of rounded numbers: a part in 1e12 more is on the safe side.
        (items + rest + prices.clique.iter().sum::<f64>()) * (1.0 + ROUNDING)
    }
}

/// Prices of demands, between nothing and their worth, and of cliques, not negative.
#[derive(Clone)]
struct Prices {
    demand: Vec<f64>,
    clique: Vec<f64>,
}

#[derive(Clone)]
struct Point {
    share: Vec<f64>,
    prices: Prices,
}

impl Point {
    fn values(&self) -> impl Iterator<Item = &f64> {
        self.share.iter().chain(&self.prices.demand).chain(&self.prices.clique)
    }

    fn values_mut(&mut self) -> impl Iterator<Item = &mut f64> {
        self.share.iter_mut().chain(&mut self.prices.demand).chain(&mut self.prices.clique)
    }
}

/// Where the iteration stands.
pub(super) struct Descent {
    relaxed: Relaxed,
    /// Steps of shares and of prices before balancing.
    share_step: Vec<f64>,
    price_step: Prices,
    at: Point,
    anchor: Point,
    /// The point after a step, before it is reflected.
    next: Point,
    balance: f64,
    budget_price: f64,
    iterations: usize,
    since_restart: usize,
    moved_at_restart: f64,
    moved_before: f64,
    /// The best bound so far.
    pub bound: f64,
    brings: Vec<f64>,
    ahead: Vec<f64>,
}

impl Descent {
    /// Begins at shares of items and prices of demands that are known to be good.
    pub fn new(problem: &Coverage, reached_by: &Lists, share: &[f64], price: &[f64]) -> Self {
        let (relaxed, first) = Relaxed::new(problem, reached_by);
        let (items, cliques) = (share.len(), relaxed.members.len());
        let worth: Vec<f64> = (0..items).map(|item| relaxed.reaches.sum(item, &relaxed.demand)).collect();
        // A clique's row counts as much as one of its items reaches.
        let weight: Vec<f64> = (0..cliques)
            .map(|c| relaxed.members.sum(c, &worth) / relaxed.members.of(c).len() as f64)
            .collect();
        let share_step = (0..items)
            .map(|item| 1.0 / (worth[item] + relaxed.cliques.sum(item, &weight)).max(LEAST_WEIGHT))
            .collect();
        let over = |worth: &[f64], lists: &Lists| {
            worth.iter().zip(lists.iter()).map(|(w, list)| w / list.len() as f64).collect()
        };
        let price_step = Prices {
            demand: over(&relaxed.demand, &relaxed.reached_by),
            clique: over(&weight, &relaxed.members),
        };
        // What is parted among demands that are one is parted alike.
        let part = |&d: &u32| price[d as usize] / (problem.demand[d as usize] as f64).max(1.0);
        let demand = first.iter().zip(&relaxed.demand).map(|(d, worth)| part(d).min(1.0) * worth).collect();
        let at = Point { share: share.to_vec(), prices: Prices { demand, clique: vec![0.0; cliques] } };
        Self {
            share_step,
            price_step,
            anchor: at.clone(),
            next: at.clone(),
            at,
            balance: 1.0,
            budget_price: 0.0,
            iterations: 0,
            since_restart: 0,
            moved_at_restart: f64::INFINITY,
            moved_before: f64::INFINITY,
            bound: f64::INFINITY,
            brings: vec![0.0; items],
            ahead: vec![0.0; items],
            relaxed,
        }
    }

    pub fn share(&self) -> &[f64] {
        &self.next.share
    }

    /// Goes on until the bound is at most `enough`, or so many iterations are done. Returns how many
    /// were.
    pub fn run(&mut self, iterations: usize, enough: f64, is_late: &impl Fn() -> bool) -> usize {
        for done in 1..=iterations {
            self.step();
            let look = done % STRIDE == 0;
            if look {
                self.bound = self.bound.min(self.relaxed.bound(&self.next.prices, &mut self.brings));
            }
            let moved = if done % 10 == 0 { self.moved() } else { f64::NAN };
            self.reflect();
            if !moved.is_nan() {
                self.restart_if_due(moved);
            }
            if look && (self.bound <= enough || is_late()) {
                return done;
            }
        }
        iterations
    }

    /// The work of one iteration.
    pub fn work(&self) -> usize {
        2 * (self.relaxed.reaches.entries() + self.relaxed.members.entries())
    }

    /// From `at` to `next`.
    fn step(&mut self) {
        let Self { relaxed, at, next, .. } = self;
        relaxed.brings(&at.prices, &mut self.brings);
        for ((ahead, share), (step, brings)) in
            self.ahead.iter_mut().zip(&at.share).zip(self.share_step.iter().zip(&self.brings))
        {
            *ahead = share + step / self.balance * brings;
        }
        self.budget_price = keep_to_budget(
            &self.ahead,
            &self.share_step,
            relaxed.budget as f64,
            self.budget_price,
            &mut next.share,
        );
        for ((ahead, next), share) in self.ahead.iter_mut().zip(&next.share).zip(&at.share) {
            *ahead = 2.0 * next - share;
        }
        for d in 0..relaxed.demand.len() {
            let over = relaxed.reached_by.sum(d, &self.ahead) - 1.0;
            let price = at.prices.demand[d] - self.price_step.demand[d] * self.balance * over;
            next.prices.demand[d] = price.clamp(0.0, relaxed.demand[d]);
        }
        for c in 0..relaxed.members.len() {
            let over = relaxed.members.sum(c, &self.ahead) - 1.0;
            next.prices.clique[c] =
                (at.prices.clique[c] + self.price_step.clique[c] * self.balance * over).max(0.0);
        }
    }

    /// Twice the way of the step, drawn back a little to the anchor.
    fn reflect(&mut self) {
        self.iterations += 1;
        self.since_restart += 1;
        let kept = self.since_restart as f64 / (self.since_restart as f64 + 1.0);
        for (at, (next, anchor)) in self.at.values_mut().zip(self.next.values().zip(self.anchor.values())) {
            *at = kept * (2.0 * next - *at) + (1.0 - kept) * anchor;
        }
    }

    /// How far the last step went, in the metric of the steps.
    fn moved(&self) -> f64 {
        let (share, price) = self.way(&self.at);
        (self.balance * share + price / self.balance).sqrt()
    }

    /// The squared ways of shares and of prices from a point to `next`, in the metric of the steps.
    fn way(&self, from: &Point) -> (f64, f64) {
        let way = |a: &[f64], b: &[f64], step: &[f64]| -> f64 {
            a.iter().zip(b).zip(step).map(|((a, b), step)| (a - b).powi(2) / step).sum()
        };
        let (to, step) = (&self.next, &self.price_step);
        let demands = way(&to.prices.demand, &from.prices.demand, &step.demand);
        let cliques = way(&to.prices.clique, &from.prices.clique, &step.clique);
        (way(&to.share, &from.share, &self.share_step), demands + cliques)
    }

    /// Restarts when steps fell to a fifth, or to four fifths and no longer fall, or when the run since
    /// the last restart is long.
    fn restart_if_due(&mut self, moved: f64) {
        let due = moved <= 0.2 * self.moved_at_restart
            || moved <= 0.8 * self.moved_at_restart && moved > self.moved_before
            || self.since_restart as f64 >= LONG * self.iterations as f64;
        self.moved_before = moved;
        if !due {
            return;
        }
        let (share, price) = self.way(&self.anchor);
        if share > LEAST_MOVE && price > LEAST_MOVE {
            let wanted = (price / share).sqrt().clamp(1.0 / WIDEST_BALANCE, WIDEST_BALANCE);
            self.balance = (wanted * self.balance).sqrt();
        }
        self.at.clone_from(&self.next);
        self.anchor.clone_from(&self.next);
        (self.since_restart, self.moved_at_restart, self.moved_before) = (0, moved, f64::INFINITY);
    }
}

/// The point nearest to `wanted`, in the metric of the steps, with shares between nothing and one that
/// add up to the budget at most; returns what a unit of budget is worth there. Newton's method, kept
/// between bounds by halving.
pub(super) fn keep_to_budget(
    wanted: &[f64],
    step: &[f64],
    budget: f64,
    guess: f64,
    share: &mut [f64],
) -> f64 {
    let used = |price: f64| {
        wanted.iter().zip(step).fold((0.0, 0.0), |(sum, slope), (w, s)| {
            let share = w - s * price;
            if share > 0.0 && share < 1.0 {
                (sum + share, slope + s)
            } else {
                (sum + share.clamp(0.0, 1.0), slope)
            }
        })
    };
    let mut price = 0.0;
    if used(0.0).0 > budget {
        let (mut low, mut high) = (0.0, f64::INFINITY);
        price = guess.max(0.0);
        for _ in 0..30 {
            let (sum, slope) = used(price);
            if (sum - budget).abs() < WITHIN {
                break;
            }
            *(if sum > budget { &mut low } else { &mut high }) = price;
            let newton = price + (sum - budget) / slope;
            price = if newton > low && newton < high {
                newton
            } else if high < f64::INFINITY {
                0.5 * (low + high)
            } else {
                2.0 * price + 1.0
            };
        }
    }
    for ((share, w), s) in share.iter_mut().zip(wanted).zip(step) {
        *share = (w - s * price).clamp(0.0, 1.0);
    }
    price
}
