//! Ways along lines between two positions, and where lines end.

use std::cmp::Reverse;
use std::collections::{BTreeMap, BinaryHeap};

use super::route::Step;
use crate::network::{Edge, EdgeEnd, Foot, Network};

/// The edges of a network that are accepted.
pub(super) struct Ways<'a, F> {
    pub network: &'a Network,
    pub accept: F,
}

impl<F: Fn(&Edge) -> bool> Ways<'_, F> {
    /// Dijkstra's search from a foot to the nodes within a distance.
    pub fn search(&self, from: &Foot, limit_m: f64) -> Search {
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
    pub fn between(&self, from: &Foot, to: &Foot, limit_m: f64) -> Vec<Step> {
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

    /// Where the edge of a step comes to a dead end at most so far beyond the step's end.
    pub fn dead_end_beyond(&self, step: &Step, within_m: f64) -> Option<f64> {
        let edge = &self.network.edges()[step.edge as usize];
        let (node, end_m) = if step.to_m > step.from_m { (edge.to, edge.length_m) } else { (edge.from, 0.0) };
        let accepted = |end: &&EdgeEnd| (self.accept)(&self.network.edges()[end.edge as usize]);
        let ways = self.network.ends_at(node).iter().filter(accepted).count();
        (ways == 1 && (end_m - step.to_m).abs() <= within_m).then_some(end_m)
    }
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

/// The nodes around a foot, as its search found them.
pub(super) struct Search {
    reached: BTreeMap<u32, Arrival>,
}

impl Search {
    pub fn distance_m(&self, network: &Network, from: &Foot, to: &Foot) -> Option<f64> {
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
