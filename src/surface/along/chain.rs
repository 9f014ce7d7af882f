//! Chains: runs of edges between junctions and dead ends.
//!
//! A node where exactly two edge ends meet changes nothing for heat or for walks, so it
//! is contracted. What is left of a road map is about one chain for every ten edges.

use std::collections::{BinaryHeap, HashSet};

use super::{EdgePoint, LineGraph};

/// A run of edges from one junction or dead end to the next.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Chain {
    /// Junction at x = 0.
    pub a: u32,
    /// Junction at x = length; equal to `a` for a loop.
    pub b: u32,
    /// Length in metres.
    pub length_m: f64,
}

/// A position on a chain, in metres from its end `a`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct ChainPoint {
    pub chain: u32,
    pub x_m: f64,
}

/// Where an edge lies on its chain.
#[derive(Clone, Copy, PartialEq, Debug)]
struct EdgePlace {
    chain: u32,
    start_m: f64,
    length_m: f64,
    reversed: bool,
}

/// One end of a chain, as a junction sees it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct ChainEnd {
    pub chain: u32,
    /// Whether it is the end at x = length.
    pub far: bool,
}

/// A network contracted to its junctions. "Junction" here is every node that is kept:
/// three or more edge ends, a dead end, or one node of a ring that has neither.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Chains {
    pub(crate) chains: Vec<Chain>,
    /// The chain ends at each junction, in chain order; its length is the degree.
    pub(crate) ends: Vec<Vec<ChainEnd>>,
    places: Vec<EdgePlace>,
}

impl Chains {
    /// Contracts a network. Linear in its edges.
    pub fn of(graph: &LineGraph) -> Self {
        let mut builder = Builder::new(graph);
        for node in 0..graph.nodes() as u32 {
            let degree = builder.incident[node as usize].len();
            if degree != 2 && degree != 0 {
                builder.chains_from(node);
            }
        }
        // What is left has no junction and no dead end: rings. Each keeps one node.
        for edge in 0..graph.edges().len() {
            if !builder.taken[edge] {
                builder.chains_from(graph.edges()[edge].from);
            }
        }
        builder.finish()
    }

    /// Number of junctions and dead ends.
    pub fn junctions(&self) -> usize {
        self.ends.len()
    }

    /// Number of chains.
    pub fn len(&self) -> usize {
        self.chains.len()
    }

    /// Where a position on an edge lies on its chain. The edge must exist.
    pub(crate) fn place(&self, at: EdgePoint) -> ChainPoint {
        let place = self.places[at.edge as usize];
        let along_m = if place.reversed { place.length_m - at.along_m } else { at.along_m };
        let length_m = self.chains[place.chain as usize].length_m;
        ChainPoint { chain: place.chain, x_m: (place.start_m + along_m).clamp(0.0, length_m) }
    }

    /// The component of each chain, named by one of its chains.
    pub(crate) fn components(&self) -> Vec<u32> {
        let mut component = vec![u32::MAX; self.chains.len()];
        for start in 0..self.chains.len() as u32 {
            let mut open = vec![start];
            while let Some(chain) = open.pop() {
                if component[chain as usize] == u32::MAX {
                    component[chain as usize] = start;
                    let Chain { a, b, .. } = self.chains[chain as usize];
                    open.extend(self.ends[a as usize].iter().map(|end| end.chain));
                    open.extend(self.ends[b as usize].iter().map(|end| end.chain));
                }
            }
        }
        component
    }

    /// The junctions within a distance of any of some, these included, in ascending order.
    pub(crate) fn junctions_within(&self, starts: impl IntoIterator<Item = u32>, reach_m: f64) -> Vec<u32> {
        let mut queue: BinaryHeap<Nearest> =
            starts.into_iter().map(|junction| Nearest { distance_m: 0.0, junction }).collect();
        let (mut settled, mut done) = (Vec::new(), HashSet::new());
        while let Some(Nearest { distance_m, junction }) = queue.pop() {
            if !done.insert(junction) {
                continue;
            }
            settled.push(junction);
            for end in &self.ends[junction as usize] {
                let chain = self.chains[end.chain as usize];
                let distance_m = distance_m + chain.length_m;
                let junction = if end.far { chain.a } else { chain.b };
                if distance_m <= reach_m && !done.contains(&junction) {
                    queue.push(Nearest { distance_m, junction });
                }
            }
        }
        settled.sort_unstable();
        settled
    }

    /// The chains in an order in which neighbours stand near each other: breadth first.
    pub(crate) fn in_neighbourhoods(&self) -> Vec<u32> {
        let mut seen = vec![false; self.chains.len()];
        let mut order = Vec::with_capacity(self.chains.len());
        for start in 0..self.chains.len() as u32 {
            if !std::mem::replace(&mut seen[start as usize], true) {
                let mut next = order.len();
                order.push(start);
                while let Some(&chain) = order.get(next) {
                    next += 1;
                    let Chain { a, b, .. } = self.chains[chain as usize];
                    for end in self.ends[a as usize].iter().chain(&self.ends[b as usize]) {
                        if !std::mem::replace(&mut seen[end.chain as usize], true) {
                            order.push(end.chain);
                        }
                    }
                }
            }
        }
        order
    }

    /// Whether the edge runs against its chain.
    pub(crate) fn is_reversed(&self, edge: u32) -> bool {
        self.places[edge as usize].reversed
    }
}

/// A heap entry: the least distance is the greatest.
#[derive(PartialEq)]
struct Nearest {
    distance_m: f64,
    junction: u32,
}

impl Eq for Nearest {}

impl Ord for Nearest {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        other.distance_m.total_cmp(&self.distance_m).then(other.junction.cmp(&self.junction))
    }
}

impl PartialOrd for Nearest {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

/// The state of the contraction.
struct Builder<'a> {
    graph: &'a LineGraph,
    /// Edges at each node; a loop is listed twice.
    incident: Vec<Vec<u32>>,
    /// Junction number of each node that is kept.
    junction: Vec<Option<u32>>,
    taken: Vec<bool>,
    chains: Vec<Chain>,
    places: Vec<Option<EdgePlace>>,
    junctions: u32,
}

impl<'a> Builder<'a> {
    fn new(graph: &'a LineGraph) -> Self {
        let mut incident = vec![Vec::new(); graph.nodes()];
        for (index, edge) in graph.edges().iter().enumerate() {
            incident[edge.from as usize].push(index as u32);
            incident[edge.to as usize].push(index as u32);
        }
        Self {
            graph,
            incident,
            junction: vec![None; graph.nodes()],
            taken: vec![false; graph.edges().len()],
            chains: Vec::new(),
            places: vec![None; graph.edges().len()],
            junctions: 0,
        }
    }

    fn keep(&mut self, node: u32) -> u32 {
        *self.junction[node as usize].get_or_insert_with(|| {
            self.junctions += 1;
            self.junctions - 1
        })
    }

    /// Follows every edge at a kept node that no chain holds yet.
    fn chains_from(&mut self, start: u32) {
        let a = self.keep(start);
        for slot in 0..self.incident[start as usize].len() {
            let first = self.incident[start as usize][slot];
            if !self.taken[first as usize] {
                self.follow(start, a, first);
            }
        }
    }

    fn follow(&mut self, start: u32, a: u32, first: u32) {
        let chain = self.chains.len() as u32;
        let (mut node, mut edge_index, mut x_m) = (start, first, 0.0);
        loop {
            let edge = self.graph.edges()[edge_index as usize];
            let reversed = edge.from != node;
            self.taken[edge_index as usize] = true;
            let place = EdgePlace { chain, start_m: x_m, length_m: edge.length_m, reversed };
            self.places[edge_index as usize] = Some(place);
            x_m += edge.length_m;
            node = if reversed { edge.from } else { edge.to };
            let here = &self.incident[node as usize];
            let next = here.iter().copied().find(|&other| !self.taken[other as usize]);
            match next {
                Some(next) if here.len() == 2 && node != start => edge_index = next,
                _ => break,
            }
        }
        let b = self.keep(node);
        self.chains.push(Chain { a, b, length_m: x_m });
    }

    fn finish(self) -> Chains {
        let mut ends = vec![Vec::new(); self.junctions as usize];
        for (index, chain) in self.chains.iter().enumerate() {
            ends[chain.a as usize].push(ChainEnd { chain: index as u32, far: false });
            ends[chain.b as usize].push(ChainEnd { chain: index as u32, far: true });
        }
        // Every edge hangs on a kept node or on a ring, so every edge has a place.
        let places = self.places.into_iter().flatten().collect();
        Chains { chains: self.chains, ends, places }
    }
}
