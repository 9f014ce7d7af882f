//! Map matching: which edges a survey leg passed over, in which order.
//!
//! A hidden Markov model in the manner of Newson & Krumm (2009, ACM SIGSPATIAL GIS): each
//! fix has candidates, the nearest points of the edges around it; a candidate costs the
//! square of its distance, a move costs the difference between the way along edges and
//! the straight one; the cheapest sequence is found by dynamic programming (Viterbi 1967).
//! Here every fix may also be off the network at a fixed cost, so that a leg can leave the
//! lines and come back, and the way that results is cleared of steps back that are noise.
//!
//! A poor case: two lines closer together than the noise, which no method can tell apart.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use rayon::prelude::*;

use super::route::{Route, Step};
use super::tally::Passage;
use super::trace::Trace;
use crate::frame::{GroundPoint, Traced, path_length_m};
use crate::network::{Edge, EdgeEnd, Foot, Network};
use crate::record::SurveyLeg;

/// How legs are matched.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MatchSettings {
    /// Furthest that a fix may lie from a line it was made on, in metres.
    pub reach_m: f64,
}

impl Default for MatchSettings {
    /// 25 m: five times the usual error of a hand-held receiver under trees.
    fn default() -> Self {
        Self { reach_m: 25.0 }
    }
}

/// A leg on the network.
#[derive(Clone, PartialEq, Debug)]
pub struct MatchedLeg {
    /// What it passed over, in its order; the same stretch twice if it did so twice.
    pub passages: Vec<Passage>,
    /// Length along edges in metres, one pass of the leg.
    pub matched_m: f64,
    /// Length off the network in metres, jitter smoothed, one pass.
    pub off_m: f64,
    /// Length of the leg as it was given in metres, one pass.
    pub raw_m: f64,
}

impl MatchedLeg {
    /// Length searched in metres, one pass: on and off the network.
    pub fn length_m(&self) -> f64 {
        self.matched_m + self.off_m
    }

    /// Whether the length on the network is out of proportion to the leg as given, which
    /// asks for a look: outside 0.75 to 1.02 of it.
    pub fn is_doubtful(&self) -> bool {
        !(0.75..=1.02).contains(&(self.matched_m / self.raw_m))
    }
}

/// A fix at the reach costs half the square of this.
const REACH_IN_DEVIATIONS: f64 = 2.5;
/// Metres of detour that cost one unit.
const DETOUR_M: f64 = 10.0;
/// Cost of leaving the network or coming back to it.
const SWITCH_COST: f64 = 8.0;
/// A move along edges may be longer than the straight one by this factor and this many
/// metres.
const LONGEST_DETOUR: (f64, f64) = (2.0, 40.0);
/// Edges looked at around a fix, the nearest first.
const MOST_CANDIDATES: usize = 8;
/// Steps back shorter than this are noise.
const JITTER_M: f64 = 20.0;

/// Matches legs to the edges that `accept` takes. Cost: fixes × candidates² short searches.
/// Legs are matched in parallel; the result does not depend on the number of threads.
pub fn match_legs(
    network: &Network,
    legs: &[Traced<SurveyLeg>],
    settings: &MatchSettings,
    accept: impl Fn(&Edge) -> bool + Sync,
) -> Vec<MatchedLeg> {
    let matcher = Matcher { network, reach_m: settings.reach_m, accept };
    legs.par_iter().map(|leg| matcher.leg(&leg.what, &leg.ground)).collect()
}

struct Matcher<'a, F> {
    network: &'a Network,
    reach_m: f64,
    accept: F,
}

/// Where a fix may have been: on an edge, or off the network.
type Place = Option<Foot>;

impl<F: Fn(&Edge) -> bool> Matcher<'_, F> {
    fn leg(&self, leg: &SurveyLeg, way: &[GroundPoint]) -> MatchedLeg {
        let Trace { fixes, smooth } = Trace::of(way);
        let places = self.likeliest(&fixes);
        let (mut steps, mut off_m) = (Vec::new(), 0.0);
        let mut route = Route::new(JITTER_M);
        for ((pair, fix), smooth) in places.windows(2).zip(fixes.windows(2)).zip(smooth.windows(2)) {
            match (&pair[0], &pair[1]) {
                (Some(from), Some(to)) => {
                    let limit_m = longest_way_m(fix[0].distance_m(fix[1]));
                    self.way(from, to, limit_m).into_iter().for_each(|step| route.go(step));
                }
                _ => {
                    off_m += smooth[0].distance_m(smooth[1]);
                    steps.append(&mut std::mem::replace(&mut route, Route::new(JITTER_M)).finish());
                }
            }
        }
        steps.append(&mut route.finish());
        self.reach_dead_ends(&mut steps);
        let passage = |step: &Step| Passage {
            edge: step.edge,
            from_m: step.from_m.min(step.to_m),
            to_m: step.from_m.max(step.to_m),
            passes: leg.passes,
            date: leg.date,
        };
        MatchedLeg {
            passages: steps.iter().map(passage).collect(),
            matched_m: steps.iter().map(|step| step.length_m()).sum(),
            off_m,
            raw_m: path_length_m(way),
        }
    }

    /// Turns that are seen just short of a dead end are put at the dead end: fixes are some
    /// metres apart, and none lies beyond it.
    fn reach_dead_ends(&self, steps: &mut [Step]) {
        for turn in 1..steps.len() {
            let (before, after) = (steps[turn - 1], steps[turn]);
            if before.edge != after.edge || before.to_m != after.from_m || before.from_m == before.to_m {
                continue;
            }
            let edge = &self.network.edges()[before.edge as usize];
            let (node, end_m) =
                if before.to_m > before.from_m { (edge.to, edge.length_m) } else { (edge.from, 0.0) };
            let accepted = |end: &&EdgeEnd| (self.accept)(&self.network.edges()[end.edge as usize]);
            let ways = self.network.ends_at(node).iter().filter(accepted).count();
            if ways == 1 && (end_m - before.to_m).abs() <= JITTER_M {
                steps[turn - 1].to_m = end_m;
                steps[turn].from_m = end_m;
            }
        }
    }

    /// The cheapest sequence of places.
    fn likeliest(&self, fixes: &[GroundPoint]) -> Vec<Place> {
        let mut layers: Vec<Layer> = Vec::with_capacity(fixes.len());
        for (index, &fix) in fixes.iter().enumerate() {
            let places = self.candidates(fix);
            let layer = match layers.last() {
                None => Layer::first(places, self.reach_m),
                Some(before) => self.next_layer(before, places, fixes[index - 1].distance_m(fix)),
            };
            layers.push(layer);
        }
        let mut chosen = Vec::with_capacity(fixes.len());
        let mut at = layers.last().map_or(0, Layer::cheapest);
        for layer in layers.iter().rev() {
            chosen.push(layer.places[at]);
            at = layer.from[at];
        }
        chosen.reverse();
        chosen
    }

    /// Off the network, and the nearest point of each edge within reach.
    fn candidates(&self, fix: GroundPoint) -> Vec<Place> {
        let mut places: Vec<Place> = vec![None];
        let mut taken: Vec<*const Edge> = Vec::new();
        while places.len() <= MOST_CANDIDATES {
            let accept = |edge: &Edge| !taken.contains(&std::ptr::from_ref(edge)) && (self.accept)(edge);
            let Some(foot) = self.network.nearest_foot(fix, self.reach_m, accept) else { break };
            taken.push(&self.network.edges()[foot.edge as usize]);
            places.push(Some(foot));
        }
        places
    }

    fn next_layer(&self, before: &Layer, places: Vec<Place>, straight_m: f64) -> Layer {
        let mut layer = Layer { cost: Vec::new(), from: Vec::new(), places };
        let reached: Vec<_> = before
            .places
            .iter()
            .map(|place| place.as_ref().map(|foot| self.search(foot, longest_way_m(straight_m))))
            .collect();
        for to in &layer.places {
            let mut best = (f64::INFINITY, 0);
            for (index, (from, search)) in before.places.iter().zip(&reached).enumerate() {
                let move_cost = match (from, search, to) {
                    (Some(from), Some(search), Some(to)) => search
                        .distance_m(self.network, from, to)
                        .map_or(f64::INFINITY, |way_m| (way_m - straight_m).abs() / DETOUR_M),
                    (None, _, None) => 0.0,
                    _ => SWITCH_COST,
                };
                let cost = before.cost[index] + move_cost;
                if cost < best.0 {
                    best = (cost, index);
                }
            }
            layer.cost.push(best.0 + place_cost(to, self.reach_m));
            layer.from.push(best.1);
        }
        layer
    }

    /// Dijkstra's search from a foot to the nodes within a distance.
    fn search(&self, from: &Foot, limit_m: f64) -> Search {
        let edges = self.network.edges();
        let start = &edges[from.edge as usize];
        let mut search = Search { reached: BTreeMap::new() };
        let mut queue = BinaryHeap::new();
        for (metres, node, at_to) in
            [(from.along_m, start.from, true), (start.length_m - from.along_m, start.to, false)]
        {
            queue.push(Reverse(Arrival { metres, node, edge: from.edge, at_to, first: true }));
        }
        while let Some(Reverse(arrival)) = queue.pop() {
            if arrival.metres > limit_m || search.reached.contains_key(&arrival.node) {
                continue;
            }
            search.reached.insert(arrival.node, arrival);
            for end in self.network.ends_at(arrival.node) {
                let edge = &edges[end.edge as usize];
                if (self.accept)(edge) {
                    let node = if end.at_to { edge.from } else { edge.to };
                    let metres = arrival.metres + edge.length_m;
                    queue.push(Reverse(Arrival {
                        metres,
                        node,
                        edge: end.edge,
                        at_to: end.at_to,
                        first: false,
                    }));
                }
            }
        }
        search
    }

    /// The shortest way between two feet, as steps; empty if none is short enough.
    fn way(&self, from: &Foot, to: &Foot, limit_m: f64) -> Vec<Step> {
        let search = self.search(from, limit_m);
        let edge = &self.network.edges()[to.edge as usize];
        let via = [(edge.from, 0.0), (edge.to, edge.length_m)]
            .into_iter()
            .filter_map(|(node, along_m)| {
                let arrival = search.reached.get(&node)?;
                Some((arrival.metres + (to.along_m - along_m).abs(), node, along_m))
            })
            .min_by(|p, q| p.0.total_cmp(&q.0));
        let direct = Step { edge: to.edge, from_m: from.along_m, to_m: to.along_m };
        match via {
            _ if from.edge == to.edge && via.is_none_or(|via| direct.length_m() <= via.0) => vec![direct],
            None => Vec::new(),
            Some((_, node, along_m)) => {
                let mut steps = search.steps_to(self.network, from, node);
                steps.push(Step { edge: to.edge, from_m: along_m, to_m: to.along_m });
                steps
            }
        }
    }
}

/// The candidates of one fix, with the cheapest way to each.
struct Layer {
    places: Vec<Place>,
    cost: Vec<f64>,
    from: Vec<usize>,
}

impl Layer {
    fn first(places: Vec<Place>, reach_m: f64) -> Self {
        let cost = places.iter().map(|place| place_cost(place, reach_m)).collect();
        Self { from: vec![0; places.len()], cost, places }
    }

    fn cheapest(&self) -> usize {
        let costs = self.cost.iter().enumerate();
        costs.min_by(|p, q| p.1.total_cmp(q.1)).map_or(0, |(index, _)| index)
    }
}

fn place_cost(place: &Place, reach_m: f64) -> f64 {
    let share = place.as_ref().map_or(1.0, |foot| foot.offset_m / reach_m);
    0.5 * (REACH_IN_DEVIATIONS * share).powi(2)
}

fn longest_way_m(straight_m: f64) -> f64 {
    LONGEST_DETOUR.0 * straight_m + LONGEST_DETOUR.1
}

/// How a node was reached: over which edge, whose far end it is, from which of its ends.
#[derive(Clone, Copy, PartialEq)]
struct Arrival {
    metres: f64,
    node: u32,
    edge: u32,
    /// Whether the edge was entered at its `to` end.
    at_to: bool,
    /// Whether the search began on this edge, between its ends.
    first: bool,
}

impl Eq for Arrival {}

impl Ord for Arrival {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        self.metres.total_cmp(&other.metres).then((self.node, self.edge).cmp(&(other.node, other.edge)))
    }
}

impl PartialOrd for Arrival {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

/// The nodes around a foot.
struct Search {
    reached: BTreeMap<u32, Arrival>,
}

impl Search {
    fn distance_m(&self, network: &Network, from: &Foot, to: &Foot) -> Option<f64> {
        let edge = &network.edges()[to.edge as usize];
        let direct_m = if from.edge == to.edge { (to.along_m - from.along_m).abs() } else { f64::INFINITY };
        let via = |node: u32, rest_m: f64| {
            self.reached.get(&node).map_or(f64::INFINITY, |arrival| arrival.metres + rest_m)
        };
        let shortest_m =
            direct_m.min(via(edge.from, to.along_m)).min(via(edge.to, edge.length_m - to.along_m));
        shortest_m.is_finite().then_some(shortest_m)
    }

    /// The steps from a foot to a node that was reached.
    fn steps_to(&self, network: &Network, from: &Foot, node: u32) -> Vec<Step> {
        let edges = network.edges();
        let mut steps = Vec::new();
        let mut next = self.reached.get(&node);
        while let Some(arrival) = next {
            let edge = &edges[arrival.edge as usize];
            let (enter_m, leave_m) = if arrival.at_to { (edge.length_m, 0.0) } else { (0.0, edge.length_m) };
            let before = if arrival.at_to { edge.to } else { edge.from };
            let from_m = if arrival.first { from.along_m } else { enter_m };
            steps.push(Step { edge: arrival.edge, from_m, to_m: leave_m });
            next = if arrival.first { None } else { self.reached.get(&before) };
        }
        steps.reverse();
        steps
    }
}
