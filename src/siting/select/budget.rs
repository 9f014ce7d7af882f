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
/// So many prices are guessed from what choices cost, which gets near; then it is a secant.
const GUESSES: usize = 8;
/// The share of the effort left that one price may use is one in this many.
const SHARES: i64 = 8;
/// The same without a price: if the best free choice fits, it is the answer.
const SHARES_OF_FREE: i64 = 2;

/// A graph with what the budget needs to know.
pub(super) struct Budgeted<'a> {
    pub graph: Graph,
    pub cost: &'a [u32],
}

/// Finds the best choice that costs at most `budget`.
pub(super) fn solve_within(problem: Budgeted, budget: i64, ask: Ask, effort: &mut Effort) -> Outcome {
    let start = first_price(&problem, budget);
    let Budgeted { graph, cost } = problem;
    let mut search = Search { cost, best: vec![false; graph.len()], total: 0, ask };
    let root = Node { graph, taken: Vec::new(), constant: 0, budget };
    let bound = search.explore(root, start, effort);
    Outcome { chosen: search.best, total: search.total, bound: bound.max(search.total) }
}

/// A price near the best one: what the last item costs that greedy choice fits in; zero if all of it
/// does.
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
    /// The price at which it was found; `None` as long as nothing is chosen.
    fits_at: Option<i64>,
    /// Costs more than the budget, with the price at which it was found; `None` if the best free
    /// choice fits.
    over: Option<(Pick, i64)>,
}

impl Bracket {
    fn note(&mut self, pick: Pick, bound: i64, price: i64, budget: i64) {
        if bound < self.bound {
            (self.bound, self.price) = (bound, price);
        }
        // Of choices alike, those found nearest to the best price.
        if pick.cost > budget {
            let nearer = |(over, at): &(Pick, i64)| (pick.cost, -price) < (over.cost, -at);
            if self.over.as_ref().is_none_or(nearer) {
                self.over = Some((pick, price));
            }
        } else if self.fits_at.is_none_or(|at| (pick.weight, -price) > (self.fits.weight, -at)) {
            (self.fits, self.fits_at) = (pick, Some(price));
        }
    }

    /// The price at which the two choices are worth the same.
    fn secant(&self, over: &Pick) -> i64 {
        ((over.weight - self.fits.weight) / (over.cost - self.fits.cost).max(1)).max(0)
    }

    /// A price at which the budget might just be used up: costs fall with the price about
    /// exponentially, and to half or so where a unit costs what one brings on average. While no
    /// choice fits, the steps double.
    fn guess(&self, over: &Pick, over_at: i64, budget: i64) -> i64 {
        let fall = |cost: i64| (over.cost as f64 / cost.max(1) as f64).ln();
        let (ahead, fallen) = match self.fits_at {
            Some(at) => (at - over_at, fall(self.fits.cost)),
            None => (over.weight / over.cost.max(1), std::f64::consts::LN_2),
        };
        let step = (ahead as f64 * fall(budget) / fallen) as i64;
        over_at + if self.fits_at.is_none() { step.max(over_at) } else { step }
    }
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
        let Some((over, _)) = &bracket.over else { return bound };
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
        let granted = effort.left / if price == 0 { SHARES_OF_FREE } else { SHARES };
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

    /// Secant on the price, after some guesses. Ends as soon as what fits is good enough, or nothing in
    /// the node can be.
    fn bracket(&self, node: &Node, start: i64, effort: &mut Effort) -> Bracket {
        let nothing = self.pick(node, vec![false; node.graph.len()]);
        let mut bracket = Bracket { bound: i64::MAX, price: 0, fits: nothing, fits_at: None, over: None };
        let mut price = start;
        for tried in 1..=PRICES {
            let (pick, bound) = self.at_price(node, price, effort);
            let value = pick.weight - price * pick.cost;
            let is_all = price == 0 && pick.cost <= node.budget;
            bracket.note(pick, bound, price, node.budget);
            let enough = self.target().max(bracket.fits.weight + node.constant + self.ask.allowance);
            let is_settled = self.round_down(bracket.bound + node.constant) < enough + self.ask.grain;
            if is_all || is_settled || effort.is_spent() {
                break;
            }
            let Some((over, over_at)) = &bracket.over else {
                price = if price > self.ask.grain { price / 2 } else { 0 };
                continue;
            };
            let guess = bracket.guess(over, *over_at, node.budget);
            if tried <= GUESSES && over.cost - bracket.fits.cost > 1 && guess != price {
                price = guess;
                continue;
            }
            let next = bracket.secant(over);
            let known =
                (over.weight - price * over.cost).max(bracket.fits.weight - price * bracket.fits.cost);
            if next == price && value <= known {
                break;
            }
            price = next;
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
pub(super) fn pieces_of_difference(graph: &Graph, a: &[bool], b: &[bool]) -> Vec<Vec<u32>> {
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
pub(super) fn best_subset(changes: &[(i64, i64)], room: i64) -> Vec<bool> {
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
