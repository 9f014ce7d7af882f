//! From chains of hot pixels to edges between nodes.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};
use std::ops::Range;

use rayon::prelude::*;

use super::gap::{Overshoot, ROUND_OFF_M};
use super::lattice::{Lattice, Pixel};
use super::meeting::Meetings;
use super::noded::{Noded, Visit};
use super::rows::Rows;
use super::strand::{Strands, way_length_m};
use super::{Edge, Stretch};
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
    let chains = ChainsAtNodes { noded, strands, lattice, meetings: &meetings };
    let (ranges, cut, cut_m) = chains.cut_overshoots(overshoots, snap_m);
    let pieces = chains.pieces(&ranges);
    let mut assembly = Assembly::new(&chains, pieces.len());
    pieces.iter().for_each(|piece| assembly.add(piece));
    let Assembly { node_of, nodes, mut edges, edge_of_piece, .. } = assembly;
    let by_place = node_of.into_iter().filter(|&n| n != NO_NODE).collect();
    let pieces_of = Rows::sorted(edges.len(), 0, |add| {
        (0..).zip(&edge_of_piece).for_each(|(piece, &edge)| add(edge, piece));
    });
    drop(edge_of_piece);
    let (paths, stretches) = chains.fill(&mut edges, &pieces, &pieces_of);
    Edges { edges, paths, stretches, nodes, by_place, cut, cut_m, crossings: meetings.crossings }
}

/// The chains of hot pixels and where they are to be cut.
struct ChainsAtNodes<'a> {
    noded: &'a Noded,
    strands: &'a Strands,
    lattice: &'a Lattice,
    meetings: &'a Meetings,
}

/// A piece of a strand between two nodes: its first and last visit.
#[derive(Clone, Copy)]
struct Piece {
    from: u32,
    to: u32,
    strand: u32,
}

impl Piece {
    fn visits(&self) -> Range<usize> {
        self.from as usize..self.to as usize + 1
    }
}

/// Pieces or edges that a thread works on at a time.
const AT_A_TIME: usize = 4096;

impl ChainsAtNodes<'_> {
    /// The visits of every strand that remain when overshoots are cut; what was cut, as entry of
    /// the near-miss list and length; and how much in all.
    fn cut_overshoots(
        &self,
        overshoots: &[Overshoot],
        snap_m: f64,
    ) -> (Vec<Range<u32>>, Vec<(usize, f64)>, f64) {
        let mut ranges: Vec<Range<u32>> = self.noded.starts.windows(2).map(|w| w[0]..w[1]).collect();
        let (mut cut, mut cut_m) = (Vec::new(), 0.0);
        for own in overshoots.chunk_by(|p, q| p.strand == q.strand) {
            let range = &mut ranges[own[0].strand];
            let (rest, cuts) = self.cut_strand(range.start as usize..range.end as usize, own, snap_m);
            *range = rest.start as u32..rest.end as u32;
            cut_m += cuts.iter().map(|c| c.1).sum::<f64>();
            cut.extend(cuts);
        }
        (ranges, cut, cut_m)
    }

    /// Takes the overshooting tails off a strand's range of visits: each back to the first node
    /// from its end, if that is within the snap distance. Where no more than the snap distance
    /// would be left, nothing is cut: the line is short, not its tails.
    fn cut_strand(
        &self,
        range: Range<usize>,
        own: &[Overshoot],
        snap_m: f64,
    ) -> (Range<usize>, Vec<(usize, f64)>) {
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
            return (range, Vec::new());
        }
        (rest, cuts)
    }

    fn length_m(&self, visits: Range<usize>) -> f64 {
        way_length_m(&self.path(visits).collect::<Vec<_>>())
    }

    fn path(&self, visits: Range<usize>) -> impl Iterator<Item = GroundPoint> + use<'_> {
        self.noded.visits[visits].iter().map(|&v| self.lattice.ground(self.noded.at(v, self.strands)))
    }

    /// Cuts the visits of every strand at nodes.
    fn pieces(&self, ranges: &[Range<u32>]) -> Vec<Piece> {
        let of_strand = |strand: usize| {
            let Range { start, end } = ranges[strand];
            let mut from = start;
            (start + 1..end).filter_map(move |to| {
                let cut = to + 1 == end || self.meetings.is_node(self.noded.visits[to as usize]);
                cut.then(|| Piece { from: std::mem::replace(&mut from, to), to, strand: strand as u32 })
            })
        };
        let parts = self.strands.parts(AT_A_TIME);
        parts.into_par_iter().flat_map_iter(|part| part.flat_map(of_strand)).collect()
    }

    /// The first two visits of a piece, and its last two backwards: coincident pieces have one of
    /// them in common.
    #[inline]
    fn directions(&self, piece: &Piece) -> ((Visit, Visit), (Visit, Visit)) {
        let visits = &self.noded.visits;
        let (from, to) = (piece.from as usize, piece.to as usize);
        ((visits[from], visits[from + 1]), (visits[to], visits[to - 1]))
    }

    /// Gives the edges their lengths; also the way of every edge, which is that of its first piece,
    /// and the stretches of input lines on it.
    fn fill(
        &self,
        edges: &mut [Edge],
        pieces: &[Piece],
        pieces_of: &Rows<u32>,
    ) -> (Rows<GroundPoint>, Rows<Stretch>) {
        let of = |edge: usize| pieces_of.row(edge).iter().map(|&p| &pieces[p as usize]);
        let first = |edge: usize| &pieces[pieces_of.row(edge)[0] as usize];
        let carried = |piece: &Piece| self.strands.strands[piece.strand as usize].carried.len();
        let (point, stretch) = (GroundPoint::new(0.0, 0.0), Stretch { line: 0, start_m: 0.0, end_m: 0.0 });
        let mut paths = Rows::blank((0..edges.len()).map(|edge| first(edge).visits().len()), point);
        let mut stretches = Rows::blank((0..edges.len()).map(|edge| of(edge).map(carried).sum()), stretch);
        let parts: Vec<_> = edges.chunks_mut(AT_A_TIME).collect();
        let parts = parts.into_par_iter().zip(paths.parts_mut(AT_A_TIME)).zip(stretches.parts_mut(AT_A_TIME));
        parts.enumerate().for_each(|(part, ((edges, mut points), mut stretches))| {
            for (k, edge) in (part * AT_A_TIME..).zip(edges) {
                let (path, later) = std::mem::take(&mut points).split_at_mut(first(k).visits().len());
                points = later;
                path.iter_mut().zip(self.path(first(k).visits())).for_each(|(slot, p)| *slot = p);
                edge.length_m = way_length_m(path);
                for piece in of(k) {
                    let (own, later) = std::mem::take(&mut stretches).split_at_mut(carried(piece));
                    stretches = later;
                    own.iter_mut().zip(self.stretches(piece, first(k))).for_each(|(slot, s)| *slot = s);
                }
            }
        });
        (paths, stretches)
    }

    /// Where on the lines that it carries a piece begins and ends, in the direction of the edge,
    /// which is that of its first piece.
    fn stretches(&self, piece: &Piece, first: &Piece) -> impl Iterator<Item = Stretch> + use<'_> {
        let strand = piece.strand as usize;
        let same_way = self.directions(piece).0 == self.directions(first).0;
        let (from, to) = if same_way { (piece.from, piece.to) } else { (piece.to, piece.from) };
        self.strands.strands[strand].carried.iter().map(move |carried| {
            let chainage_m = |visit: u32| {
                let at = self.noded.at(self.noded.visits[visit as usize], self.strands);
                self.strands.chainage_m(strand, carried, self.noded.segments[visit as usize], at)
            };
            Stretch { line: carried.line, start_m: chainage_m(from), end_m: chainage_m(to) }
        })
    }
}

/// Edges and nodes while pieces are put together.
struct Assembly<'a> {
    chains: &'a ChainsAtNodes<'a>,
    node_of: Vec<u32>,
    nodes: Vec<Pixel>,
    edges: Vec<Edge>,
    edge_of_piece: Vec<u32>,
    /// The edge of every piece that another strand may share, by its key.
    shared: HashMap<(Visit, Visit), u32, BuildHasherDefault<Mix>>,
}

const NO_NODE: u32 = u32::MAX;

impl<'a> Assembly<'a> {
    fn new(chains: &'a ChainsAtNodes, pieces: usize) -> Self {
        Self {
            chains,
            node_of: vec![NO_NODE; chains.noded.pixels.len()],
            nodes: Vec::new(),
            edges: Vec::with_capacity(pieces),
            edge_of_piece: Vec::with_capacity(pieces),
            shared: HashMap::default(),
        }
    }

    /// Makes an edge of a piece, or adds it to the one it coincides with.
    fn add(&mut self, piece: &Piece) {
        let (forward, backward) = self.chains.directions(piece);
        let meetings = self.chains.meetings;
        let may_be_shared = meetings.is_doubled(forward.0) && meetings.is_doubled(forward.1);
        let fresh = self.edges.len() as u32;
        let edge =
            if may_be_shared { *self.shared.entry(forward.min(backward)).or_insert(fresh) } else { fresh };
        let what = &self.chains.strands.strands[piece.strand as usize];
        if edge == fresh {
            let (from, to) = (self.node(forward.0), self.node(backward.0));
            self.edges.push(Edge { from, to, length_m: 0.0, kind: what.kind, kinds: what.kinds });
        } else {
            let kinds = &mut self.edges[edge as usize].kinds;
            *kinds = kinds.with(what.kinds);
        }
        self.edge_of_piece.push(edge);
    }

    /// The number of the node at a visit.
    fn node(&mut self, visit: Visit) -> u32 {
        let noded = self.chains.noded;
        debug_assert!(visit.pixel().is_some(), "nodes have numbered pixels");
        let Some(pixel) = visit.pixel() else { return NO_NODE };
        let node = &mut self.node_of[pixel as usize];
        if *node == NO_NODE {
            *node = self.nodes.len() as u32;
            self.nodes.push(noded.pixels[pixel as usize]);
        }
        *node
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
