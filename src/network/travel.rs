//! Travel distances along the network.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use super::{Foot, KindSet, Network};

/// The edges of some kinds, contracted: chains between hubs, where a hub is a node at which
/// other than two ends of such edges meet. A ring without a hub gets one.
///
/// Building costs time linear in the edges.
pub struct TravelGraph {
    kinds: KindSet,
    chains: Vec<Chain>,
    /// The edges of all chains; see [`Chain::edges`].
    chain_edges: Vec<ChainEdge>,
    /// Where each edge lies on its chain; `None` for edges of other kinds.
    of_edge: Vec<Option<OnChain>>,
    /// First chain end of each hub, and the count at the end.
    starts: Vec<u32>,
    ends: Vec<ChainEnd>,
}

/// A chain of edges from one hub to another, or back to the same.
#[derive(Clone, Debug)]
struct Chain {
    from: u32,
    to: u32,
    length_m: f64,
    /// Its edges in order.
    edges: std::ops::Range<u32>,
}

#[derive(Clone, Copy, Debug)]
struct ChainEdge {
    edge: u32,
    against: bool,
    /// Where on the chain it begins.
    start_m: f64,
    length_m: f64,
}

#[derive(Clone, Copy, Debug)]
struct OnChain {
    chain: u32,
    /// Where on the chain the edge's `from` end lies.
    start_m: f64,
    against: bool,
}

#[derive(Clone, Copy, Debug)]
struct ChainEnd {
    chain: u32,
    at_to: bool,
    other: u32,
    length_m: f64,
}

/// A place on a chain.
#[derive(Clone, Copy, PartialEq, Debug)]
struct Spot {
    chain: u32,
    at_m: f64,
}

/// Travel distances from some feet to others, as far as they were searched.
#[derive(Clone, PartialEq, Debug)]
pub struct Distances {
    starts: Vec<usize>,
    to: Vec<u32>,
    metres: Vec<f64>,
}

impl Distances {
    /// The targets reached from a source, ascending, and how far each is in frame metres.
    pub fn row(&self, from: usize) -> impl ExactSizeIterator<Item = (u32, f64)> + '_ {
        let range = self.starts[from]..self.starts[from + 1];
        self.to[range.clone()].iter().copied().zip(self.metres[range].iter().copied())
    }

    /// The distance from a source to a target in frame metres; `None` if no way is that short.
    pub fn get(&self, from: usize, to: usize) -> Option<f64> {
        let range = self.starts[from]..self.starts[from + 1];
        let k = self.to[range.clone()].binary_search(&(to as u32)).ok()?;
        Some(self.metres[range.start + k])
    }

    /// How many sources there are.
    pub fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// Whether there are no sources.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// Part of an edge on a way.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct EdgePiece {
    /// The edge.
    pub edge: u32,
    /// Where the way enters, in frame metres from the edge's `from` end.
    pub from_m: f64,
    /// Where it leaves; less than `from_m` where the way runs against the edge.
    pub to_m: f64,
}

/// A shortest way between two feet.
#[derive(Clone, PartialEq, Debug)]
pub struct Way {
    /// Its length in frame metres.
    pub length_m: f64,
    /// The pieces of edges in travel order; pieces of no length are left out.
    pub pieces: Vec<EdgePiece>,
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
            starts: Vec::new(),
            ends: Vec::new(),
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
        self.starts = vec![0; hubs + 1];
        for c in &self.chains {
            self.starts[c.from as usize + 1] += 1;
            self.starts[c.to as usize + 1] += 1;
        }
        for i in 1..self.starts.len() {
            self.starts[i] += self.starts[i - 1];
        }
        let mut next = self.starts.clone();
        let blank = ChainEnd { chain: 0, at_to: false, other: 0, length_m: 0.0 };
        self.ends = vec![blank; self.chains.len() * 2];
        for (k, c) in self.chains.iter().enumerate() {
            for (hub, at_to, other) in [(c.from, false, c.to), (c.to, true, c.from)] {
                let end = ChainEnd { chain: k as u32, at_to, other, length_m: c.length_m };
                self.ends[next[hub as usize] as usize] = end;
                next[hub as usize] += 1;
            }
        }
    }

    /// How many hubs there are.
    pub fn hubs(&self) -> usize {
        self.starts.len() - 1
    }

    /// The kinds travelled along.
    pub fn kinds(&self) -> KindSet {
        self.kinds
    }

    fn ends_at(&self, hub: u32) -> &[ChainEnd] {
        &self.ends[self.starts[hub as usize] as usize..self.starts[hub as usize + 1] as usize]
    }

    fn spot(&self, foot: &Foot) -> Option<Spot> {
        let on = (*self.of_edge.get(foot.edge as usize)?)?;
        let at_m = if on.against { on.start_m - foot.along_m } else { on.start_m + foot.along_m };
        Some(Spot { chain: on.chain, at_m: at_m.clamp(0.0, self.chains[on.chain as usize].length_m) })
    }

    /// Travel distances from every source to every target no farther than `within_m` frame
    /// metres (infinity for all). A foot on an edge of another kind reaches nothing, and what
    /// lies in another component is not reached.
    ///
    /// One bounded search a source, after Dijkstra (1959), on the contracted graph; from every
    /// hub settled the targets on its chains are read off in order of distance. Cost: hubs
    /// within reach times their logarithm, a source; sources run in parallel.
    pub fn distances(&self, from: &[Foot], to: &[Foot], within_m: f64) -> Distances {
        let targets = Targets::new(self, to);
        let rows: Vec<Vec<(u32, f64)>> = from
            .par_iter()
            .map_init(
                || Workspace::new(self.hubs(), to.len()),
                |work, foot| self.spot(foot).map_or(Vec::new(), |s| self.row(s, &targets, within_m, work)),
            )
            .collect();
        let mut distances = Distances { starts: vec![0], to: Vec::new(), metres: Vec::new() };
        for row in rows {
            for (k, d) in row {
                distances.to.push(k);
                distances.metres.push(d);
            }
            distances.starts.push(distances.to.len());
        }
        distances
    }

    /// Travel distance between two feet in frame metres; `None` if no way is within `within_m`.
    pub fn distance_m(&self, from: &Foot, to: &Foot, within_m: f64) -> Option<f64> {
        self.distances(std::slice::from_ref(from), std::slice::from_ref(to), within_m).get(0, 0)
    }

    fn row(&self, spot: Spot, targets: &Targets, within_m: f64, work: &mut Workspace) -> Vec<(u32, f64)> {
        work.begin();
        let chain = &self.chains[spot.chain as usize];
        for &(at_m, k) in targets.on(spot.chain) {
            work.offer_target(k, (at_m - spot.at_m).abs(), within_m);
        }
        work.offer_hub(chain.from, spot.at_m, within_m, NO_END);
        work.offer_hub(chain.to, chain.length_m - spot.at_m, within_m, NO_END);
        while let Some((hub, d)) = work.settle() {
            for end in self.ends_at(hub) {
                targets.along(end, |offset_m, k| work.offer_target(k, d + offset_m, within_m));
                work.offer_hub(end.other, d + end.length_m, within_m, NO_END);
            }
        }
        work.take_row()
    }

    /// A shortest way between two feet, or `None` if none joins them. Of equally short ways
    /// the same one is found every time.
    pub fn way(&self, from: &Foot, to: &Foot) -> Option<Way> {
        let (a, b) = (self.spot(from)?, self.spot(to)?);
        let chain = &self.chains[a.chain as usize];
        let goal = &self.chains[b.chain as usize];
        let direct_m = if a.chain == b.chain { (a.at_m - b.at_m).abs() } else { f64::INFINITY };
        let mut work = Workspace::new(self.hubs(), 0);
        work.begin();
        work.offer_hub(chain.from, a.at_m, f64::INFINITY, NO_END);
        work.offer_hub(chain.to, chain.length_m - a.at_m, f64::INFINITY, FIRST_TO);
        let mut best_m = direct_m;
        let mut best_hub: Option<(u32, bool)> = None;
        while let Some((hub, d)) = work.settle() {
            if d >= best_m {
                break;
            }
            for (end_hub, rest_m, at_to) in
                [(goal.from, b.at_m, false), (goal.to, goal.length_m - b.at_m, true)]
            {
                if hub == end_hub && d + rest_m < best_m {
                    best_m = d + rest_m;
                    best_hub = Some((hub, at_to));
                }
            }
            let first = self.starts[hub as usize];
            for (k, end) in self.ends_at(hub).iter().enumerate() {
                work.offer_hub(end.other, d + end.length_m, f64::INFINITY, first + k as u32);
            }
        }
        if best_m == f64::INFINITY {
            return None;
        }
        let mut runs: Vec<(u32, f64, f64)> = Vec::new(); // chain, from, to, last first
        match best_hub {
            None => runs.push((a.chain, a.at_m, b.at_m)),
            Some((hub, at_to)) => {
                runs.push((b.chain, if at_to { goal.length_m } else { 0.0 }, b.at_m));
                let start_to = self.trace(hub, &work, &mut runs);
                runs.push((a.chain, a.at_m, if start_to { chain.length_m } else { 0.0 }));
            }
        }
        let mut pieces = Vec::new();
        for &(chain, from_m, to_m) in runs.iter().rev() {
            self.edge_pieces(chain, from_m, to_m, &mut pieces);
        }
        Some(Way { length_m: best_m, pieces })
    }

    /// Follows the search back from a hub to the first hub; says whether that one was reached
    /// by the `to` end of the first chain.
    fn trace(&self, mut hub: u32, work: &Workspace, runs: &mut Vec<(u32, f64, f64)>) -> bool {
        loop {
            match work.by[hub as usize] {
                NO_END => return false,
                FIRST_TO => return true,
                k => {
                    let end = self.ends[k as usize];
                    let run = if end.at_to { (end.length_m, 0.0) } else { (0.0, end.length_m) };
                    runs.push((end.chain, run.0, run.1));
                    let chain = &self.chains[end.chain as usize];
                    hub = if end.at_to { chain.to } else { chain.from };
                }
            }
        }
    }

    /// The edge pieces of a run along a chain.
    fn edge_pieces(&self, chain: u32, from_m: f64, to_m: f64, pieces: &mut Vec<EdgePiece>) {
        let range = self.chains[chain as usize].edges.clone();
        let edges = &self.chain_edges[range.start as usize..range.end as usize];
        let backward = to_m < from_m;
        let (low_m, high_m) = (from_m.min(to_m), from_m.max(to_m));
        let mut add = |e: &ChainEdge| {
            let (a, b) =
                ((low_m - e.start_m).clamp(0.0, e.length_m), (high_m - e.start_m).clamp(0.0, e.length_m));
            if b <= a {
                return;
            }
            let (a, b) = if backward { (b, a) } else { (a, b) };
            let (a, b) = if e.against { (e.length_m - a, e.length_m - b) } else { (a, b) };
            pieces.push(EdgePiece { edge: e.edge, from_m: a, to_m: b });
        };
        if backward {
            edges.iter().rev().for_each(&mut add);
        } else {
            edges.iter().for_each(&mut add);
        }
    }
}

/// Targets by chain, and along each chain by place.
struct Targets {
    starts: Vec<u32>,
    /// Place on the chain and number of the target.
    spots: Vec<(f64, u32)>,
}

impl Targets {
    fn new(graph: &TravelGraph, feet: &[Foot]) -> Self {
        let mut all: Vec<(Spot, u32)> =
            feet.iter().enumerate().filter_map(|(k, f)| Some((graph.spot(f)?, k as u32))).collect();
        all.sort_unstable_by(|(p, i), (q, j)| {
            p.chain.cmp(&q.chain).then(p.at_m.total_cmp(&q.at_m)).then(i.cmp(j))
        });
        let mut starts = vec![0_u32; graph.chains.len() + 1];
        all.iter().for_each(|(s, _)| starts[s.chain as usize + 1] += 1);
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        Self { starts, spots: all.into_iter().map(|(s, k)| (s.at_m, k)).collect() }
    }

    fn on(&self, chain: u32) -> &[(f64, u32)] {
        &self.spots[self.starts[chain as usize] as usize..self.starts[chain as usize + 1] as usize]
    }

    /// The targets on a chain seen from one of its ends, nearest first, until `offer`
    /// refuses one as too far.
    fn along(&self, end: &ChainEnd, mut offer: impl FnMut(f64, u32) -> bool) {
        let spots = self.on(end.chain);
        if end.at_to {
            spots.iter().rev().all(|&(at_m, k)| offer(end.length_m - at_m, k));
        } else {
            spots.iter().all(|&(at_m, k)| offer(at_m, k));
        }
    }
}

/// How a hub was reached: straight from the start along the first chain to its `from` end,
/// or to its `to` end; otherwise the number of a chain end.
const NO_END: u32 = u32::MAX;
const FIRST_TO: u32 = u32::MAX - 1;

/// Buffers of one search. Marks with the number of the search spare clearing them.
struct Workspace {
    search: u32,
    hub_mark: Vec<u32>,
    hub_m: Vec<f64>,
    settled: Vec<u32>,
    by: Vec<u32>,
    target_mark: Vec<u32>,
    target_m: Vec<f64>,
    reached: Vec<u32>,
    /// Distance as ordered bits (distances are not negative), and hub.
    queue: BinaryHeap<Reverse<(u64, u32)>>,
}

impl Workspace {
    fn new(hubs: usize, targets: usize) -> Self {
        Self {
            search: 0,
            hub_mark: vec![0; hubs],
            hub_m: vec![0.0; hubs],
            settled: vec![0; hubs],
            by: vec![NO_END; hubs],
            target_mark: vec![0; targets],
            target_m: vec![0.0; targets],
            reached: Vec::new(),
            queue: BinaryHeap::new(),
        }
    }

    fn begin(&mut self) {
        self.search += 1;
        self.reached.clear();
        self.queue.clear();
    }

    fn offer_hub(&mut self, hub: u32, d: f64, within_m: f64, by: u32) {
        let h = hub as usize;
        if d <= within_m && (self.hub_mark[h] != self.search || d < self.hub_m[h]) {
            self.hub_mark[h] = self.search;
            self.hub_m[h] = d;
            self.by[h] = by;
            self.queue.push(Reverse((d.to_bits(), hub)));
        }
    }

    fn settle(&mut self) -> Option<(u32, f64)> {
        while let Some(Reverse((bits, hub))) = self.queue.pop() {
            if self.settled[hub as usize] != self.search {
                self.settled[hub as usize] = self.search;
                return Some((hub, f64::from_bits(bits)));
            }
        }
        None
    }

    /// Notes a distance to a target; false if it is too far.
    fn offer_target(&mut self, k: u32, d: f64, within_m: f64) -> bool {
        if d > within_m {
            return false;
        }
        let t = k as usize;
        if self.target_mark[t] != self.search {
            self.target_mark[t] = self.search;
            self.target_m[t] = d;
            self.reached.push(k);
        } else if d < self.target_m[t] {
            self.target_m[t] = d;
        }
        true
    }

    fn take_row(&mut self) -> Vec<(u32, f64)> {
        self.reached.sort_unstable();
        self.reached.iter().map(|&k| (k, self.target_m[k as usize])).collect()
    }
}
