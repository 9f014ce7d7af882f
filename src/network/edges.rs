//! From chains of hot pixels to edges between nodes.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use std::ops::Range;

use rayon::prelude::*;

use super::gap::{Overshoot, ROUND_OFF_M};
use super::lattice::{Lattice, Pixel};
use super::meeting::Meetings;
use super::rows::Rows;
use super::snap_round::Noded;
use super::strand::{Strands, way_length_m};
use super::{Edge, KindSet, Stretch};
use crate::frame::GroundPoint;

/// The edges, and what became of the ends to cut.
pub(crate) struct Edges {
    pub edges: Vec<Edge>,
    /// The way of every edge.
    pub paths: Rows<GroundPoint>,
    /// The stretches of input lines on every edge.
    pub stretches: Rows<Stretch>,
    /// The lattice point of every node.
    pub nodes: Vec<Pixel>,
    /// The nodes in the order of their hot pixels, so that those near each other come together.
    pub by_place: Vec<u32>,
    /// Entries of the near-miss list whose overshoot was cut, with the length cut off.
    pub cut: Vec<(usize, f64)>,
    /// Metres of line cut off.
    pub cut_m: f64,
    /// How many nodes two or more lines pass through.
    pub crossings: usize,
}

/// Cuts the strands at nodes and makes coincident pieces one edge.
///
/// A node is a hot pixel at which a strand ends, or whose number of distinct neighbours is
/// not two. An interior pixel of a piece therefore has two neighbours, so a node and the
/// next pixel determine the piece: that pair is the key by which coincident pieces are found.
///
/// Cost: linear.
pub(crate) fn make_edges(
    noded: &Noded,
    strands: &Strands,
    lattice: &Lattice,
    overshoots: &[Overshoot],
    snap_m: f64,
) -> Edges {
    let meetings = Meetings::find(noded, strands);
    let mut assembly = Assembly::new(noded, strands, lattice, &meetings);
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
            range = assembly.cut_overshoots(range, &own, snap_m);
        }
        assembly.strand(strand, range);
    }
    assembly.finish()
}

/// The work in hand while strands are cut into pieces.
struct Assembly<'a> {
    noded: &'a Noded,
    strands: &'a Strands,
    lattice: &'a Lattice,
    meetings: &'a Meetings,
    node_of: Vec<u32>,
    nodes: Vec<Pixel>,
    edges: Vec<Edge>,
    /// The visits that each edge was made of.
    ways: Vec<Range<u32>>,
    /// Edge and stretch, as they came.
    stretches: Vec<(u32, Stretch)>,
    /// The edge of every piece that another strand may share, by its key.
    shared: HashMap<(u32, u32), u32, BuildHasherDefault<Mix>>,
    cut: Vec<(usize, f64)>,
    cut_m: f64,
}

const NO_NODE: u32 = u32::MAX;

impl<'a> Assembly<'a> {
    fn new(noded: &'a Noded, strands: &'a Strands, lattice: &'a Lattice, meetings: &'a Meetings) -> Self {
        let pieces = noded.visits.iter().filter(|&&p| meetings.is_node(p)).count();
        Self {
            noded,
            strands,
            lattice,
            meetings,
            node_of: vec![NO_NODE; noded.pixels.len()],
            nodes: Vec::new(),
            edges: Vec::with_capacity(pieces),
            ways: Vec::with_capacity(pieces),
            stretches: Vec::with_capacity(pieces),
            shared: HashMap::default(),
            cut: Vec::new(),
            cut_m: 0.0,
        }
    }

    /// Takes the overshooting tails off a strand's range of visits: each back to the first node
    /// from its end, if that is within the snap distance. Where no more than the snap distance
    /// would be left, nothing is cut: the line is short, not its tails.
    fn cut_overshoots(&mut self, range: Range<usize>, own: &[&Overshoot], snap_m: f64) -> Range<usize> {
        let node = |v: &usize| self.meetings.is_node(self.noded.visits[*v]);
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
        self.cut_m += cuts.iter().map(|c| c.1).sum::<f64>();
        self.cut.extend(cuts);
        rest
    }

    fn length_m(&self, visits: Range<usize>) -> f64 {
        way_length_m(&self.path(visits).collect::<Vec<_>>())
    }

    fn path(&self, visits: Range<usize>) -> impl Iterator<Item = GroundPoint> + use<'_> {
        self.noded.visits[visits].iter().map(|&p| self.lattice.ground(self.noded.pixels[p as usize]))
    }

    /// Cuts a strand's visits at nodes.
    fn strand(&mut self, strand: usize, range: Range<usize>) {
        let mut from = range.start;
        for to in range.start + 1..range.end {
            if self.meetings.is_node(self.noded.visits[to]) || to + 1 == range.end {
                self.piece(strand, from, to);
                from = to;
            }
        }
    }

    /// One piece of a strand, from visit `from` to visit `to`, both at nodes.
    fn piece(&mut self, strand: usize, from: usize, to: usize) {
        let visits = &self.noded.visits;
        let forward = (visits[from], visits[from + 1]);
        let backward = (visits[to], visits[to - 1]);
        // Coincident pieces visit all their pixels at least twice.
        let may_be_shared = self.meetings.is_shared(forward.0) && self.meetings.is_shared(forward.1);
        let fresh = self.edges.len() as u32;
        let edge =
            if may_be_shared { *self.shared.entry(forward.min(backward)).or_insert(fresh) } else { fresh };
        let what = &self.strands.strands[strand];
        if edge == fresh {
            let (from_node, to_node) = (self.node(forward.0), self.node(backward.0));
            self.ways.push(from as u32..to as u32 + 1);
            let (kind, kinds) = (what.kind, KindSet::EMPTY);
            self.edges.push(Edge { from: from_node, to: to_node, length_m: 0.0, kind, kinds });
        }
        let kinds = &mut self.edges[edge as usize].kinds;
        *kinds = kinds.with(what.kinds);
        self.add_stretches(strand, from, to, edge);
    }

    fn node(&mut self, pixel: u32) -> u32 {
        let node = &mut self.node_of[pixel as usize];
        if *node == NO_NODE {
            *node = self.nodes.len() as u32;
            self.nodes.push(self.noded.pixels[pixel as usize]);
        }
        *node
    }

    fn add_stretches(&mut self, strand: usize, from: usize, to: usize, edge: u32) {
        let (visits, way) = (&self.noded.visits, &self.ways[edge as usize]);
        let own = way.start as usize..way.end as usize;
        let same_way = (visits[from], visits[from + 1]) == (visits[own.start], visits[own.start + 1]);
        for carried in &self.strands.strands[strand].carried {
            let chainage_m = |visit: usize| {
                let at = self.noded.pixels[visits[visit] as usize];
                self.strands.chainage_m(strand, carried, self.noded.segments[visit], at)
            };
            let (start_m, end_m) = (chainage_m(from), chainage_m(to));
            let (start_m, end_m) = if same_way { (start_m, end_m) } else { (end_m, start_m) };
            self.stretches.push((edge, Stretch { line: carried.line, start_m, end_m }));
        }
    }

    fn finish(mut self) -> Edges {
        let crossings = self.meetings.count_crossings(self.noded, self.strands);
        let by_place = std::mem::take(&mut self.node_of).into_iter().filter(|&n| n != NO_NODE).collect();
        let blank = Stretch { line: 0, start_m: 0.0, end_m: 0.0 };
        let stretches = Rows::sorted(self.edges.len(), blank, |add| {
            self.stretches.iter().for_each(|&(edge, stretch)| add(edge, stretch));
        });
        self.stretches = Vec::new();
        let paths = self.paths();
        self.edges.par_iter_mut().enumerate().for_each(|(k, e)| e.length_m = way_length_m(paths.row(k)));
        let (cut, cut_m) = (self.cut, self.cut_m);
        Edges { edges: self.edges, paths, stretches, nodes: self.nodes, by_place, cut, cut_m, crossings }
    }

    /// The places that the edges' visits stand for.
    fn paths(&self) -> Rows<GroundPoint> {
        let mut starts = Vec::with_capacity(self.ways.len() + 1);
        let mut total = 0;
        starts.push(0);
        for way in &self.ways {
            total += way.end - way.start;
            starts.push(total);
        }
        let mut points = Vec::with_capacity(total as usize);
        for way in &self.ways {
            points.extend(self.path(way.start as usize..way.end as usize));
        }
        Rows::from_parts(starts, points)
    }
}

/// Mixes the two pixel numbers of a key; the standard hasher guards against keys made to collide,
/// at several times the cost.
#[derive(Default)]
struct Mix(u64);

impl Hasher for Mix {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|&b| self.write_u32(u32::from(b)));
    }

    fn write_u32(&mut self, v: u32) {
        self.0 = (self.0.rotate_left(32) ^ u64::from(v)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    }

    fn finish(&self) -> u64 {
        self.0 ^ self.0 >> 32
    }
}
