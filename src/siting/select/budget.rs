//! The problem with a budget: a price on cost turns it into free problems.
//!
//! Every price proves a bound (Lagrange). The best price is bracketed by choices that cost
//! too much and choices that fit; parts of the two are exchanged until the budget is used
//! up; where a gap stays, an item on which the two differ is branched on. Holes between
//! bound and best choice are real at some budgets, so branching is needed now and then.

use super::ask::{Ask, Effort, NO_FLOOR, Outcome};
use super::free::solve;
use super::graph::Graph;
use super::local::Choice;

/// Most prices tried for one bracket; the search is a secant and ends long before.
const PRICES: usize = 40;
/// The share of the effort left that one price may use is one in this many.
const SHARES: i64 = 8;

/// A graph with what the budget needs to know.
pub(super) struct Budgeted<'a> {
    pub graph: Graph,
    pub cost: &'a [u32],
}

/// Finds the best choice that costs at most `budget`.
pub(super) fn solve_within(problem: Budgeted, budget: i64, ask: Ask, effort: &mut Effort) -> Outcome {
    let start = first_price(&problem, budget);
    if start == 0 {
        // A greedy choice fits, so the best free one may.
        let granted = effort.left / 2;
        let mut own = Effort { left: granted, deadline: effort.deadline };
        let free = solve(problem.graph.clone(), ask, &mut own);
        effort.left -= granted - own.left;
        if cost_of(problem.cost, &free.chosen) <= budget {
            return free;
        }
    }
    let Budgeted { graph, cost } = problem;
    let mut search = Search { cost, best: vec![false; graph.len()], total: 0, ask };
    let root = Node { graph, taken: Vec::new(), constant: 0, budget };
    let bound = search.explore(root, start, effort);
    Outcome { chosen: search.best, total: search.total, bound: bound.max(search.total) }
}

fn cost_of(cost: &[u32], chosen: &[bool]) -> i64 {
    chosen.iter().zip(cost).filter(|(chosen, _)| **chosen).map(|(_, &cost)| i64::from(cost)).sum()
}

/// A price near the best one: what the last item costs that greedy choice fits in.
fn first_price(problem: &Budgeted, budget: i64) -> i64 {
    let graph = &problem.graph;
    let greedy = Choice::greedy(graph, |v| graph.w(v) as f64 / f64::from(problem.cost[v as usize].max(1)));
    let mut paid: Vec<(i64, i64)> = (0..graph.len())
        .filter(|&v| greedy.chosen[v])
        .map(|v| (graph.weight[v] / i64::from(problem.cost[v].max(1)), i64::from(problem.cost[v])))
        .collect();
    paid.sort_unstable_by_key(|&(worth, _)| std::cmp::Reverse(worth));
    let mut left = budget;
    for (worth, cost) in paid {
        left -= cost;
        if left < 0 {
            return worth;
        }
    }
    0
}

struct Search<'a> {
    cost: &'a [u32],
    best: Vec<bool>,
    total: i64,
    ask: Ask,
}

/// A part of the choices: some items taken, some gone, and what is left of the budget.
#[derive(Clone)]
struct Node {
    graph: Graph,
    taken: Vec<u32>,
    constant: i64,
    budget: i64,
}

/// A choice, its weight and its cost.
#[derive(Clone)]
struct Pick {
    chosen: Vec<bool>,
    weight: i64,
    cost: i64,
}

/// The bracket around the best price.
struct Bracket {
    bound: i64,
    price: i64,
    /// Fits the budget.
    fits: Pick,
    /// Costs more than the budget; `None` if the best free choice fits.
    over: Option<Pick>,
}

impl Search<'_> {
    fn target(&self) -> i64 {
        (self.total + self.ask.allowance).max(self.ask.floor)
    }

    /// Explores a node and returns a bound on every choice in it.
    fn explore(&mut self, node: Node, price: i64, effort: &mut Effort) -> i64 {
        let bracket = self.bracket(&node, price, effort);
        self.offer(&node, &bracket.fits);
        let bound = self.round_down(bracket.bound + node.constant);
        let Some(over) = &bracket.over else { return bound };
        let exchanged = self.exchange(&node, &bracket.fits, over);
        self.offer(&node, &exchanged);
        if bound < self.target() + self.ask.grain || effort.is_spent() {
            return bound;
        }
        let differs = |v: &u32| exchanged.chosen[*v as usize] != over.chosen[*v as usize];
        let branch_on = node
            .graph
            .vertices()
            .into_iter()
            .filter(differs)
            .max_by_key(|&v| (node.graph.degree[v as usize], node.graph.w(v), std::cmp::Reverse(v)));
        let Some(v) = branch_on else { return bound };
        let mut proven = NO_FLOOR;
        for child in [self.with(&node, v), Some(without(&node, v))].into_iter().flatten() {
            proven = proven.max(self.explore(child, bracket.price, effort));
        }
        proven.max(self.target()).min(bound)
    }

    fn round_down(&self, bound: i64) -> i64 {
        bound.div_euclid(self.ask.grain) * self.ask.grain
    }

    fn offer(&mut self, node: &Node, pick: &Pick) {
        if pick.weight + node.constant > self.total {
            self.total = pick.weight + node.constant;
            self.best.copy_from_slice(&pick.chosen);
            node.taken.iter().for_each(|&v| self.best[v as usize] = true);
        }
    }

    fn with(&self, node: &Node, v: u32) -> Option<Node> {
        let cost = i64::from(self.cost[v as usize]);
        if cost > node.budget {
            return None;
        }
        let mut child = node.clone();
        child.taken.push(v);
        child.constant += node.graph.w(v);
        child.budget -= cost;
        node.graph.neighbours(v).for_each(|u| child.graph.remove(u));
        child.graph.remove(v);
        Some(child)
    }

    /// The best choice if each unit of cost is paid for with `price`.
    fn at_price(&self, node: &Node, price: i64, effort: &mut Effort) -> (Pick, i64) {
        let mut graph = node.graph.clone();
        for v in node.graph.vertices() {
            graph.weight[v as usize] -= price * i64::from(self.cost[v as usize]);
        }
        let ask = Ask {
            allowance: self.ask.allowance.max(self.ask.grain / 8),
            floor: NO_FLOOR,
            grain: 1,
            polish: true,
        };
        // No price may use up what the others need.
        let granted = effort.left / SHARES;
        let mut own = Effort { left: granted, deadline: effort.deadline };
        let outcome = solve(graph, ask, &mut own);
        effort.left -= granted - own.left;
        (self.pick(node, outcome.chosen), outcome.bound + price * node.budget)
    }

    fn pick(&self, node: &Node, chosen: Vec<bool>) -> Pick {
        let members = || (0..chosen.len()).filter(|&v| chosen[v]);
        let weight = members().map(|v| node.graph.weight[v]).sum();
        let cost = members().map(|v| i64::from(self.cost[v])).sum();
        Pick { chosen, weight, cost }
    }

    /// Secant on the price, from the free choice and the empty one, or from a price that
    /// did well nearby.
    fn bracket(&self, node: &Node, start: i64, effort: &mut Effort) -> Bracket {
        let nothing = self.pick(node, vec![false; node.graph.len()]);
        let mut bracket = Bracket { bound: i64::MAX, price: 0, fits: nothing, over: None };
        let mut price = start;
        for _ in 0..PRICES {
            let (pick, bound) = self.at_price(node, price, effort);
            if bound < bracket.bound {
                (bracket.bound, bracket.price) = (bound, price);
            }
            let value = pick.weight - price * pick.cost;
            if pick.cost <= node.budget {
                if pick.weight > bracket.fits.weight {
                    bracket.fits = pick;
                }
                if price == 0 {
                    return bracket;
                }
            } else if bracket.over.as_ref().is_none_or(|over| pick.cost < over.cost) {
                bracket.over = Some(pick);
            }
            if effort.is_spent() {
                break;
            }
            let Some(over) = &bracket.over else {
                price = if price > self.ask.grain { price / 2 } else { 0 };
                continue;
            };
            let next = (over.weight - bracket.fits.weight) / (over.cost - bracket.fits.cost).max(1);
            let known =
                (over.weight - price * over.cost).max(bracket.fits.weight - price * bracket.fits.cost);
            if next == price && value <= known {
                break;
            }
            price = next.max(0);
        }
        bracket
    }

    /// Where two choices differ, they differ in separate pieces; each piece taken from
    /// `over` instead of `fits` changes weight and cost. The pieces that make the most of
    /// what is left of the budget, by dynamic programming, then whatever still fits.
    fn exchange(&self, node: &Node, fits: &Pick, over: &Pick) -> Pick {
        let pieces = pieces_of_difference(&node.graph, &fits.chosen, &over.chosen);
        let change = |piece: &[u32]| {
            piece.iter().fold((0_i64, 0_i64), |(w, c), &v| {
                let sign = if over.chosen[v as usize] { 1 } else { -1 };
                (w + sign * node.graph.w(v), c + sign * i64::from(self.cost[v as usize]))
            })
        };
        let changes: Vec<(i64, i64)> = pieces.iter().map(|piece| change(piece)).collect();
        let use_piece = best_subset(&changes, node.budget - fits.cost);
        let mut chosen = fits.chosen.clone();
        for (piece, _) in pieces.iter().zip(use_piece).filter(|(_, used)| *used) {
            for &v in piece {
                chosen[v as usize] = over.chosen[v as usize];
            }
        }
        let mut pick = self.pick(node, chosen);
        self.fill(node, &mut pick);
        pick
    }

    /// Adds what fits, the most weight for its cost first.
    fn fill(&self, node: &Node, pick: &mut Pick) {
        let mut order = node.graph.vertices();
        order.sort_by_key(|&v| (-node.graph.w(v) / i64::from(self.cost[v as usize]), v));
        for v in order {
            let cost = i64::from(self.cost[v as usize]);
            let free = || node.graph.neighbours(v).all(|u| !pick.chosen[u as usize]);
            if !pick.chosen[v as usize] && node.graph.w(v) > 0 && pick.cost + cost <= node.budget && free() {
                pick.chosen[v as usize] = true;
                pick.cost += cost;
                pick.weight += node.graph.w(v);
            }
        }
    }
}

fn without(node: &Node, v: u32) -> Node {
    let mut child = node.clone();
    child.graph.remove(v);
    child
}

/// The vertices on which two choices differ, in parts connected by conflicts.
fn pieces_of_difference(graph: &Graph, a: &[bool], b: &[bool]) -> Vec<Vec<u32>> {
    let differs = |v: u32| a[v as usize] != b[v as usize];
    let mut seen = vec![false; graph.len()];
    let mut pieces = Vec::new();
    for start in graph.vertices() {
        if !differs(start) || std::mem::replace(&mut seen[start as usize], true) {
            continue;
        }
        let mut piece = vec![start];
        let mut next = 0;
        while let Some(&v) = piece.get(next) {
            next += 1;
            for u in graph.neighbours(v) {
                if differs(u) && !std::mem::replace(&mut seen[u as usize], true) {
                    piece.push(u);
                }
            }
        }
        pieces.push(piece);
    }
    pieces
}

/// Which (gain, cost) pairs to use so that the summed cost is at most `room` and the gain
/// greatest. Costs may be negative. Exact; time and memory are the number of pairs times
/// the range that the summed costs span.
fn best_subset(changes: &[(i64, i64)], room: i64) -> Vec<bool> {
    let low: i64 = changes.iter().map(|&(_, c)| c.min(0)).sum();
    let high: i64 = changes.iter().map(|&(_, c)| c.max(0)).sum();
    let span = (high - low) as usize + 1;
    let mut value = vec![None; span];
    value[(-low) as usize] = Some(0_i64);
    let mut used = vec![false; span * changes.len()];
    for (i, &(gain, cost)) in changes.iter().enumerate() {
        let before = value.clone();
        for at in 0..span {
            let from = at as i64 - cost;
            let Some(&Some(base)) = usize::try_from(from).ok().and_then(|f| before.get(f)) else { continue };
            if value[at].is_none_or(|now| base + gain > now) {
                value[at] = Some(base + gain);
                used[i * span + at] = true;
            }
        }
    }
    let reach = ((room.min(high) - low).max(-low)) as usize;
    let best = (0..=reach.min(span - 1)).filter(|&at| value[at].is_some()).max_by_key(|&at| value[at]);
    let Some(mut at) = best else { return vec![false; changes.len()] };
    let mut take = vec![false; changes.len()];
    for (i, &(_, cost)) in changes.iter().enumerate().rev() {
        take[i] = used[i * span + at];
        if take[i] {
            at = (at as i64 - cost) as usize;
        }
    }
    take
}
