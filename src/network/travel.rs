//! The lines that carry travel, contracted to a graph of hubs and chains.

use super::rows::Rows;
use super::{Foot, KindSet, Network};

/// The edges of some kinds, contracted: chains between hubs, where a hub is a node at which
/// other than two ends of such edges meet. A ring without a hub gets one.
///
/// Building costs time linear in the edges.
pub struct TravelGraph {
    kinds: KindSet,
    pub(super) chains: Vec<Chain>,
    /// The edges of all chains; see [`Chain::edges`].
    pub(super) chain_edges: Vec<ChainEdge>,
    /// Where each edge lies on its chain; `None` for edges of other kinds.
    pub(super) of_edge: Vec<Option<OnChain>>,
    /// The chain ends at each hub.
    pub(super) ends: Rows<ChainEnd>,
}

/// A chain of edges from one hub to another, or back to the same.
#[derive(Clone, Debug)]
pub(super) struct Chain {
    pub from: u32,
    pub to: u32,
    pub length_m: f64,
    /// Its edges in order.
    pub edges: std::ops::Range<u32>,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct ChainEdge {
    pub edge: u32,
    pub against: bool,
    /// Where on the chain it begins.
    pub start_m: f64,
    pub length_m: f64,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct OnChain {
    chain: u32,
    /// Where on the chain the edge's `from` end lies.
    start_m: f64,
    against: bool,
}

#[derive(Clone, Copy, Debug)]
pub(super) struct ChainEnd {
    pub chain: u32,
    pub at_to: bool,
    pub other: u32,
    pub length_m: f64,
}

/// A place on a chain.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Spot {
    pub chain: u32,
    pub at_m: f64,
}

const NO_HUB: u32 = u32::MAX;

impl TravelGraph {
    /// Contracts the edges that hold any of the kinds.
    pub fn new(network: &Network, kinds: KindSet) -> Self {
        let takes = |edge: u32| network.edges()[edge as usize].kinds.meets(kinds);
        let degree = |n: u32| network.ends_at(n).iter().filter(|e| takes(e.edge)).count();
        let mut graph = Self {
            kinds,
            chains: Vec::new(),
            chain_edges: Vec::new(),
            of_edge: vec![None; network.edges().len()],
            ends: Rows::with_capacity(0, 0),
        };
        let mut hub_of = vec![NO_HUB; network.nodes().len()];
        let mut hubs: Vec<u32> = Vec::new();
        for n in 0..network.nodes().len() as u32 {
            if !matches!(degree(n), 0 | 2) {
                hub_of[n as usize] = hubs.len() as u32;
                hubs.push(n);
            }
        }
        for &hub in &hubs {
            graph.walk_from(network, hub, &hub_of);
        }
        // What is left are rings without a hub.
        for edge in 0..network.edges().len() as u32 {
            if takes(edge) && graph.of_edge[edge as usize].is_none() {
                let n = network.edges()[edge as usize].from;
                hub_of[n as usize] = hubs.len() as u32;
                hubs.push(n);
                graph.walk_from(network, n, &hub_of);
            }
        }
        graph.index_ends(hubs.len());
        graph
    }

    /// Walks every chain that leaves a hub and was not walked yet.
    fn walk_from(&mut self, network: &Network, hub: u32, hub_of: &[u32]) {
        for &first in network.ends_at(hub) {
            if self.of_edge[first.edge as usize].is_some()
                || !network.edges()[first.edge as usize].kinds.meets(self.kinds)
            {
                continue;
            }
            let begin = self.chain_edges.len() as u32;
            let (mut end, mut along_m) = (first, 0.0);
            let to = loop {
                let edge = &network.edges()[end.edge as usize];
                let against = end.at_to;
                let length_m = edge.length_m;
                self.chain_edges.push(ChainEdge { edge: end.edge, against, start_m: along_m, length_m });
                let start_m = if against { along_m + length_m } else { along_m };
                self.of_edge[end.edge as usize] =
                    Some(OnChain { chain: self.chains.len() as u32, start_m, against });
                along_m += length_m;
                let next = if against { edge.from } else { edge.to };
                if hub_of[next as usize] != NO_HUB {
                    break next;
                }
                // A node that is no hub has exactly one other end of these kinds.
                let onward = network.ends_at(next).iter().find(|e| {
                    self.of_edge[e.edge as usize].is_none()
                        && network.edges()[e.edge as usize].kinds.meets(self.kinds)
                });
                match onward {
                    Some(&e) => end = e,
                    None => break next,
                }
            };
            self.chains.push(Chain {
                from: hub_of[hub as usize],
                to: hub_of[to as usize],
                length_m: along_m,
                edges: begin..self.chain_edges.len() as u32,
            });
        }
    }

    fn index_ends(&mut self, hubs: usize) {
        let blank = ChainEnd { chain: 0, at_to: false, other: 0, length_m: 0.0 };
        self.ends = Rows::sorted(hubs, blank, |add| {
            for (chain, c) in (0..).zip(&self.chains) {
                add(c.from, ChainEnd { chain, at_to: false, other: c.to, length_m: c.length_m });
                add(c.to, ChainEnd { chain, at_to: true, other: c.from, length_m: c.length_m });
            }
        });
    }

    /// How many hubs there are.
    pub fn hubs(&self) -> usize {
        self.ends.len()
    }

    /// The kinds travelled along.
    pub fn kinds(&self) -> KindSet {
        self.kinds
    }

    pub(super) fn ends_at(&self, hub: u32) -> &[ChainEnd] {
        self.ends.row(hub as usize)
    }

    pub(super) fn spot(&self, foot: &Foot) -> Option<Spot> {
        let on = (*self.of_edge.get(foot.edge as usize)?)?;
        let at_m = if on.against { on.start_m - foot.along_m } else { on.start_m + foot.along_m };
        Some(Spot { chain: on.chain, at_m: at_m.clamp(0.0, self.chains[on.chain as usize].length_m) })
    }
}
