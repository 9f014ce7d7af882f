//! From chains of hot pixels to edges between nodes.

use std::collections::HashMap;

use super::gap::{Overshoot, ROUND_OFF_M};
use super::lattice::{Lattice, Pixel};
use super::snap_round::Noded;
use super::strand::Strands;
use super::{Edge, KindSet, Stretch};
use crate::frame::{GroundPoint, path_length_m};

/// The edges, and what became of the ends to cut.
pub(crate) struct Edges {
    pub edges: Vec<Edge>,
    /// The lattice point of every node.
    pub nodes: Vec<Pixel>,
    /// Entries of the near-miss list whose overshoot was cut, with the length cut off.
    pub cut: Vec<(usize, f64)>,
    /// Metres of line cut off.
    pub cut_m: f64,
    /// How many nodes two or more lines pass through.
    pub crossings: usize,
}

const NO_NODE: u32 = u32::MAX;

/// Cuts the strands at nodes and makes coincident pieces one edge.
///
/// A node is a hot pixel at which a strand ends, or whose number of distinct neighbours is
/// not two. An interior pixel of a piece therefore has two neighbours, so a node and the
/// next pixel determine the piece: that pair is the key by which coincident pieces are found.
///
/// Cost: linear, and sorting the visits of pixels that are visited more than once.
pub(crate) fn make_edges(
    noded: &Noded,
    strands: &Strands,
    lattice: &Lattice,
    overshoots: &[Overshoot],
    snap_m: f64,
) -> Edges {
    let mut visits = count_visits(noded);
    let is_node = find_nodes(noded, strands, &mut visits);
    let mut made = Assembly {
        noded,
        strands,
        lattice,
        visits: &visits,
        node_of: vec![NO_NODE; noded.pixels.len()],
        shared: HashMap::new(),
        out: Edges {
            edges: Vec::new(),
            nodes: Vec::new(),
            cut: Vec::new(),
            cut_m: 0.0,
            crossings: count_crossings(noded, strands, &is_node, &visits),
        },
    };
    let mut overshoots = overshoots.iter().peekable();
    for strand in 0..strands.len() {
        let mut range = noded.range(strand);
        if range.len() < 2 {
            continue;
        }
        let mut own: Vec<&Overshoot> = Vec::new();
        while let Some(over) = overshoots.next_if(|o| o.strand == strand) {
            own.push(over);
        }
        if !own.is_empty() {
            range = made.cut_overshoots(range, &own, &is_node, snap_m);
        }
        let mut from = range.start;
        for to in range.start + 1..range.end {
            if is_node[noded.visits[to] as usize] || to + 1 == range.end {
                made.piece(strand, from, to);
                from = to;
            }
        }
    }
    made.out
}

/// How often each pixel is visited: 0, 1, or 2 for more.
fn count_visits(noded: &Noded) -> Vec<u8> {
    let mut count = vec![0_u8; noded.pixels.len()];
    for &p in &noded.visits {
        count[p as usize] = (count[p as usize] + 1).min(2);
    }
    count
}

/// Which pixels are nodes. The tip of a spike, where a strand turns back on itself, counts as
/// visited twice from here on, so that its two sides are found to coincide.
fn find_nodes(noded: &Noded, strands: &Strands, count: &mut [u8]) -> Vec<bool> {
    let mut is_node = vec![false; noded.pixels.len()];
    // (pixel, neighbour) at pixels visited more than once.
    let mut meetings: Vec<(u32, u32)> = Vec::new();
    for strand in 0..strands.len() {
        let range = noded.range(strand);
        let visits = &noded.visits[range];
        if visits.len() < 2 {
            continue;
        }
        for (i, &p) in visits.iter().enumerate() {
            let before = i.checked_sub(1).map(|k| visits[k]);
            let after = visits.get(i + 1).copied();
            if before.is_none() || after.is_none() || before == after {
                is_node[p as usize] = true;
            }
            if before == after {
                count[p as usize] = 2;
            }
            if count[p as usize] > 1 {
                meetings.extend(before.into_iter().chain(after).map(|q| (p, q)));
            }
        }
    }
    meetings.sort_unstable();
    meetings.dedup();
    for group in meetings.chunk_by(|a, b| a.0 == b.0).filter(|g| g.len() != 2) {
        is_node[group[0].0 as usize] = true;
    }
    is_node
}

/// Nodes that two or more strands pass through, ends not counted.
fn count_crossings(noded: &Noded, strands: &Strands, is_node: &[bool], count: &[u8]) -> usize {
    let mut passed: Vec<(u32, u32)> = Vec::new();
    for strand in 0..strands.len() {
        let range = noded.range(strand);
        let inside = noded.visits.get(range.start + 1..range.end.saturating_sub(1)).unwrap_or_default();
        let at_nodes = inside.iter().filter(|&&p| count[p as usize] > 1 && is_node[p as usize]);
        passed.extend(at_nodes.map(|&p| (p, strand as u32)));
    }
    passed.sort_unstable();
    passed.dedup();
    passed.chunk_by(|p, q| p.0 == q.0).filter(|group| group.len() > 1).count()
}

struct Assembly<'a> {
    noded: &'a Noded,
    strands: &'a Strands,
    lattice: &'a Lattice,
    visits: &'a [u8],
    node_of: Vec<u32>,
    /// The edge of every piece that another strand may share, by its key.
    shared: HashMap<(u32, u32), u32>,
    out: Edges,
}

impl Assembly<'_> {
    /// Takes the overshooting tails off a strand's range of visits: each back to the first node
    /// from its end, if that is within the snap distance. Where no more than the snap distance
    /// would be left, nothing is cut: the line is short, not its tails.
    fn cut_overshoots(
        &mut self,
        range: std::ops::Range<usize>,
        own: &[&Overshoot],
        is_node: &[bool],
        snap_m: f64,
    ) -> std::ops::Range<usize> {
        let node = |v: &usize| is_node[self.noded.visits[*v] as usize];
        let mut rest = range.clone();
        let mut cuts = Vec::new();
        for over in own {
            let found = if over.last {
                (range.start + 1..range.end - 1).rev().find(node)
            } else {
                (range.start + 1..range.end - 1).find(node)
            };
            let Some(at) = found else { continue };
            let tail_m = self.length_m(if over.last { at..range.end } else { range.start..at + 1 });
            if tail_m <= snap_m + ROUND_OFF_M {
                cuts.push((over.near_miss, tail_m));
                rest = if over.last { rest.start..at + 1 } else { at..rest.end };
            }
        }
        if rest.len() < 2 || self.length_m(rest.clone()) <= snap_m + ROUND_OFF_M {
            return range;
        }
        self.out.cut_m += cuts.iter().map(|c| c.1).sum::<f64>();
        self.out.cut.extend(cuts);
        rest
    }

    fn length_m(&self, visits: std::ops::Range<usize>) -> f64 {
        path_length_m(&self.path(visits))
    }

    fn path(&self, visits: std::ops::Range<usize>) -> Vec<GroundPoint> {
        self.noded.visits[visits]
            .iter()
            .map(|&p| self.lattice.ground(self.noded.pixels[p as usize]))
            .collect()
    }

    /// One piece of a strand, from visit `from` to visit `to`, both at nodes.
    fn piece(&mut self, strand: usize, from: usize, to: usize) {
        let visits = &self.noded.visits;
        let forward = (visits[from], visits[from + 1]);
        let backward = (visits[to], visits[to - 1]);
        let key = forward.min(backward);
        // Coincident pieces visit all their pixels at least twice.
        let may_be_shared =
            self.visits[visits[from + 1] as usize] > 1 && self.visits[visits[from] as usize] > 1;
        let known = if may_be_shared { self.shared.get(&key).copied() } else { None };
        let edge = known.unwrap_or_else(|| {
            let edge = self.new_edge(strand, from, to);
            if may_be_shared {
                self.shared.insert(key, edge);
            }
            edge
        });
        let what = &self.strands.strands[strand];
        self.out.edges[edge as usize].kinds = self.out.edges[edge as usize].kinds.with(what.kinds);
        self.add_stretches(strand, from, to, edge, forward);
    }

    fn new_edge(&mut self, strand: usize, from: usize, to: usize) -> u32 {
        let path = self.path(from..to + 1);
        let edge = Edge {
            from: self.node(self.noded.visits[from]),
            to: self.node(self.noded.visits[to]),
            length_m: path_length_m(&path),
            path,
            kind: self.strands.strands[strand].kind,
            kinds: KindSet::EMPTY,
            stretches: Vec::new(),
        };
        self.out.edges.push(edge);
        self.out.edges.len() as u32 - 1
    }

    fn node(&mut self, pixel: u32) -> u32 {
        let node = &mut self.node_of[pixel as usize];
        if *node == NO_NODE {
            *node = self.out.nodes.len() as u32;
            self.out.nodes.push(self.noded.pixels[pixel as usize]);
        }
        *node
    }

    fn add_stretches(&mut self, strand: usize, from: usize, to: usize, edge: u32, forward: (u32, u32)) {
        let chainage_m = |carried, visit: usize| {
            let at = self.noded.pixels[self.noded.visits[visit] as usize];
            self.strands.chainage_m(strand, carried, self.noded.segments[visit], at)
        };
        let edge = &mut self.out.edges[edge as usize];
        let second = self.lattice.ground(self.noded.pixels[forward.1 as usize]);
        let same_way = self.node_of[forward.0 as usize] == edge.from
            && (edge.from != edge.to || edge.path.get(1) == Some(&second));
        for carried in &self.strands.strands[strand].carried {
            let (start_m, end_m) = (chainage_m(carried, from), chainage_m(carried, to));
            let (start_m, end_m) = if same_way { (start_m, end_m) } else { (end_m, start_m) };
            edge.stretches.push(Stretch { line: carried.line, start_m, end_m });
        }
    }
}
