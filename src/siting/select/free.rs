//! The free problem: the best total weight without conflicts, no budget.
//!
//! Reduce, split into connected parts, and search each on its own: bound it by the clique
//! relaxation, fix what the gap allows, start again on what is left, and branch only where
//! fixing stalls.

use super::ask::{Ask, Effort, NO_FLOOR, Outcome};
use super::clique::{edge_cover, quick_bound, violated};
use super::graph::Graph;
use super::local::Choice;
use super::reduce::reduce;
use super::relax::{Iterate, Relaxation};

/// Parts up to this many vertices are branched on without a relaxation.
const SMALL: usize = 40;
/// Iterations of the relaxation between two looks at its bound.
const STRIDE: usize = 40;
/// From this many vertices on, neighbourhoods of the choice are searched before branching.
const WIDE: usize = 150;
/// From this many on, they are searched again in what is left when more is decided.
const BROAD: usize = 400;
/// Looks without progress of the bound until the relaxation is taken for solved.
const PATIENCE: usize = 8;

/// Solves the graph, in which vertices may have been taken away.
pub(super) fn solve(mut graph: Graph, ask: Ask, effort: &mut Effort) -> Outcome {
    effort.spend(64 * graph.len());
    let trail = reduce(&mut graph);
    let mut chosen = vec![false; graph.len()];
    let members = graph.components();
    let parts: Vec<Graph> = members.iter().map(|part| graph.induced(part)).collect();
    // A second copy of everything, held through the search, would be most of the memory.
    drop(graph);
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

/// Finds the best choice on a connected part, none of whose vertices has been taken away.
fn search_part(graph: &Graph, ask: Ask, effort: &mut Effort) -> Outcome {
    let mut start = Choice::greedy(graph, |v| graph.w(v) as f64 / f64::from(graph.degree[v as usize] + 1));
    start.improve();
    let mut search = Search { graph, total: start.total, best: start.chosen, bound: quick_bound(graph), ask };
    if !search.is_done() {
        if graph.len() <= SMALL {
            search.branch(graph.clone(), 0, most_entangled(graph), effort);
        } else {
            search.relax_and_fix(effort);
        }
    }
    search.outcome()
}

struct Search<'a> {
    graph: &'a Graph,
    best: Vec<bool>,
    total: i64,
    bound: i64,
    ask: Ask,
}

/// What prices of the cliques prove: an upper bound, and for each vertex how much the
/// bound loses if it goes against its sign.
struct Pricing {
    bound: i64,
    reduced: Vec<i64>,
}

/// What is left when the vertices that the gap decides are decided.
struct Rest {
    graph: Graph,
    taken: Vec<u32>,
    constant: i64,
    decided: usize,
}

impl Search<'_> {
    /// Totals up to this are of no interest.
    fn target(&self) -> i64 {
        (self.total + self.ask.allowance).max(self.ask.floor)
    }

    fn is_done(&self) -> bool {
        self.bound < self.target() + self.ask.grain
    }

    fn outcome(self) -> Outcome {
        Outcome { bound: self.bound.max(self.total), chosen: self.best, total: self.total }
    }

    fn offer(&mut self, total: i64, chosen: Vec<bool>) -> bool {
        let better = total > self.total;
        if better {
            self.total = total;
            self.best = chosen;
        }
        better
    }

    fn lower_bound_to(&mut self, bound: i64) {
        self.bound = self.bound.min(bound.div_euclid(self.ask.grain) * self.ask.grain);
    }

    fn relax_and_fix(&mut self, effort: &mut Effort) {
        let (pricing, share) = self.relax(effort);
        if self.is_done() || effort.is_spent() {
            return;
        }
        let mut rest = self.fix(&pricing);
        if rest.as_ref().is_some_and(|r| r.decided * 4 < self.graph.len())
            && self.graph.len() >= WIDE
            && self.ask.polish
        {
            self.ask.polish = self.graph.len() >= BROAD;
            self.search_neighbourhoods(effort);
            rest = self.fix(&pricing);
        }
        let target = self.target();
        let Some(rest) = rest else { return self.lower_bound_to(target) };
        if rest.decided * 20 >= self.graph.len() {
            let ask = Ask { floor: target - rest.constant, ..self.ask };
            let outcome = solve(rest.graph, ask, effort);
            self.carry_back(outcome, &rest.taken, rest.constant, target);
        } else {
            let pick = most_torn(&rest.graph, &share);
            self.branch_from(rest, pick, effort);
        }
    }

    /// Runs the relaxation until the bound closes, enough is decided, or it stands still.
    fn relax(&mut self, effort: &mut Effort) -> (Pricing, Vec<f64>) {
        let graph = self.graph;
        let scale = graph.weight.iter().copied().max().unwrap_or(1).max(1) as f64;
        let mut cliques = edge_cover(graph);
        let mut lp = Relaxation::new(graph.weight.iter().map(|&w| w as f64 / scale).collect());
        for clique in &cliques {
            lp.add_row(clique.iter().map(|&v| (v, 1.0)), 1.0);
        }
        let mut iterate = Iterate::new(&lp);
        let mut best = price(graph, &cliques, &iterate.y, scale);
        let mut idle = 0;
        for round in 1.. {
            iterate.run(&lp, STRIDE);
            effort.spend(2 * STRIDE * lp.coefficients());
            let before = best.bound;
            for prices in [&iterate.y, &iterate.y_mean] {
                let pricing = price(graph, &cliques, prices, scale);
                if pricing.bound < best.bound {
                    best = pricing;
                }
            }
            self.lower_bound_to(best.bound);
            if round % 3 == 1 {
                self.round_off(&iterate, &best);
            }
            idle = if before - best.bound > (best.bound - self.target()) / 50 { 0 } else { idle + 1 };
            let enough = self.count_decided(&best) * 3 >= graph.len();
            if self.is_done() || enough || idle > PATIENCE || effort.is_spent() {
                break;
            }
            if round % 3 == 0 {
                let mut cuts = violated(graph, &iterate.x_mean);
                cuts.retain(|cut| !cliques.contains(cut));
                if !cuts.is_empty() {
                    cuts.iter().for_each(|cut| lp.add_row(cut.iter().map(|&v| (v, 1.0)), 1.0));
                    cliques.append(&mut cuts);
                    iterate.widen(&lp);
                }
            }
        }
        (best, iterate.x_mean)
    }

    /// Two roundings of the relaxation, improved by swaps.
    fn round_off(&mut self, iterate: &Iterate, pricing: &Pricing) {
        let graph = self.graph;
        let share = |v: u32| iterate.x[v as usize] + iterate.x_mean[v as usize];
        let by_share = |v: u32| share(v) * graph.w(v) as f64;
        let by_price = |v: u32| pricing.reduced[v as usize] as f64;
        for mut choice in [Choice::greedy(graph, by_share), Choice::greedy(graph, by_price)] {
            choice.improve();
            self.offer(choice.total, choice.chosen);
        }
    }

    /// Whether no choice of interest has the vertex (`Some(false)`), all have it
    /// (`Some(true)`), or neither is known.
    fn decision(&self, pricing: &Pricing, v: u32) -> Option<bool> {
        let reduced = pricing.reduced[v as usize];
        let hopeless = pricing.bound - reduced.abs() < self.target() + self.ask.grain;
        hopeless.then_some(reduced > 0)
    }

    fn count_decided(&self, pricing: &Pricing) -> usize {
        (0..self.graph.len() as u32).filter(|&v| self.decision(pricing, v).is_some()).count()
    }

    /// `None` if the decisions contradict each other: then nothing of interest exists.
    fn fix(&self, pricing: &Pricing) -> Option<Rest> {
        let mut rest = Rest { graph: self.graph.clone(), taken: Vec::new(), constant: 0, decided: 0 };
        for v in self.graph.vertices() {
            match self.decision(pricing, v) {
                Some(true) if !rest.graph.alive[v as usize] => return None,
                Some(true) => rest.take(v),
                Some(false) if rest.graph.alive[v as usize] => rest.graph.remove(v),
                _ => continue,
            }
            rest.decided += 1;
        }
        Some(rest)
    }

    fn carry_back(&mut self, outcome: Outcome, taken: &[u32], constant: i64, target: i64) {
        let mut chosen = outcome.chosen;
        taken.iter().for_each(|&v| chosen[v as usize] = true);
        self.offer(outcome.total + constant, chosen);
        self.lower_bound_to(target.max(outcome.bound + constant));
    }

    fn branch(&mut self, graph: Graph, constant: i64, pick: Option<u32>, effort: &mut Effort) {
        self.branch_from(Rest { graph, taken: Vec::new(), constant, decided: 0 }, pick, effort);
    }

    /// Solves with the picked vertex and without it.
    fn branch_from(&mut self, rest: Rest, pick: Option<u32>, effort: &mut Effort) {
        let Some(pick) = pick else {
            return self.lower_bound_to(self.target().max(rest.constant));
        };
        let mut proven = NO_FLOOR;
        for take in [true, false] {
            if effort.is_spent() {
                return;
            }
            let mut child = Rest {
                graph: rest.graph.clone(),
                taken: rest.taken.clone(),
                constant: rest.constant,
                decided: 0,
            };
            if take {
                child.take(pick);
            } else {
                child.graph.remove(pick);
            }
            let target = self.target();
            let outcome = solve(child.graph, Ask { floor: target - child.constant, ..self.ask }, effort);
            proven = proven.max(target).max(outcome.bound + child.constant);
            let mut chosen = outcome.chosen;
            child.taken.iter().for_each(|&v| chosen[v as usize] = true);
            self.offer(outcome.total + child.constant, chosen);
        }
        self.lower_bound_to(proven);
    }

    /// Frees the surroundings of each chosen vertex in turn, solves them exactly with the
    /// rest held, and keeps what gains. Where something changed it is tried again.
    fn search_neighbourhoods(&mut self, effort: &mut Effort) {
        let mut due = self.best.clone();
        while let Some(centre) = (0..due.len()).find(|&v| due[v] && self.best[v])
            && !effort.is_spent()
        {
            due[centre] = false;
            let changed = self.search_around(centre as u32, effort);
            changed.into_iter().for_each(|v| due[v as usize] = true);
        }
    }

    /// The vertices that it freed, if that gained.
    fn search_around(&mut self, centre: u32, effort: &mut Effort) -> Vec<u32> {
        let graph = self.graph;
        let region = surroundings(graph, centre, 3);
        let inside = |v: u32| region.binary_search(&v).is_ok();
        let held = |v: u32| self.best[v as usize] && !inside(v);
        let free: Vec<u32> = region.iter().copied().filter(|&v| !graph.neighbours(v).any(held)).collect();
        let now: i64 = free.iter().filter(|&&v| self.best[v as usize]).map(|&v| graph.w(v)).sum();
        let mut little = Effort { left: effort.left.min(20_000_000), deadline: effort.deadline };
        let granted = little.left;
        let ask = Ask { allowance: 0, floor: now, grain: self.ask.grain, polish: false };
        let outcome = solve(graph.induced(&free), ask, &mut little);
        effort.left -= granted - little.left;
        let better = outcome.total > now;
        if better {
            for (&v, take) in free.iter().zip(outcome.chosen) {
                self.best[v as usize] = take;
            }
            self.total += outcome.total - now;
        }
        if better { region } else { Vec::new() }
    }
}

impl Rest {
    fn take(&mut self, v: u32) {
        self.taken.push(v);
        self.constant += self.graph.w(v);
        let neighbours: Vec<u32> = self.graph.neighbours(v).collect();
        neighbours.into_iter().for_each(|u| self.graph.remove(u));
        self.graph.remove(v);
    }
}

/// The exact bound of clique prices: any prices prove one, so they are rounded to whole
/// units and everything after is integer arithmetic.
fn price(graph: &Graph, cliques: &[Vec<u32>], prices: &[f64], scale: f64) -> Pricing {
    let mut reduced = graph.weight.clone();
    let mut bound = 0;
    for (clique, &p) in cliques.iter().zip(prices) {
        let units = (p * scale).round() as i64;
        if units > 0 {
            bound += units;
            clique.iter().for_each(|&v| reduced[v as usize] -= units);
        }
    }
    bound += reduced.iter().map(|&r| r.max(0)).sum::<i64>();
    Pricing { bound, reduced }
}

/// All vertices within some steps of `centre`, ascending.
fn surroundings(graph: &Graph, centre: u32, steps: usize) -> Vec<u32> {
    let mut seen = std::collections::BTreeSet::from([centre]);
    let mut rim = vec![centre];
    for _ in 0..steps {
        let outer: Vec<u32> = rim.iter().flat_map(|&v| graph.neighbours(v)).collect();
        rim = outer.into_iter().filter(|&u| seen.insert(u)).collect();
    }
    seen.into_iter().collect()
}

/// The vertex with the most conflicts.
fn most_entangled(graph: &Graph) -> Option<u32> {
    graph.vertices().into_iter().max_by_key(|&v| (graph.degree[v as usize], graph.w(v), std::cmp::Reverse(v)))
}

/// The vertex on which the relaxation is most undecided, by weight.
fn most_torn(graph: &Graph, share: &[f64]) -> Option<u32> {
    let torn = |v: u32| share[v as usize].min(1.0 - share[v as usize]) * graph.w(v) as f64;
    graph.vertices().into_iter().max_by(|&a, &b| torn(a).total_cmp(&torn(b)).then(b.cmp(&a)))
}
