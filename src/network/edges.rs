//! From chains of hot pixels to edges between nodes.

use std::cell::Cell;
use std::ops::Range;

use rayon::prelude::*;

use super::assembly::Assembly;
use super::gap::{Overshoot, ROUND_OFF_M};
use super::lattice::{Lattice, Pixel};
use super::meeting::Meetings;
use super::noded::{Noded, Visit};
use super::paths::Paths;
use super::rows::Rows;
use super::strand::{Strands, way_length_m};
use super::{Edge, EdgeEnd, Stretch};
use crate::frame::GroundPoint;

/// The edges, and what became of the ends to cut.
pub(crate) struct Edges {
    pub edges: Vec<Edge>,
    /// The edge ends at every node, by edge.
    pub ends: Rows<EdgeEnd>,
    /// The way of every edge.
    pub paths: Paths,
    /// The stretches of input lines on every edge.
    pub stretches: Rows<Stretch>,
    /// The lattice point of every node.
    pub nodes: Vec<Pixel>,
    /// The overshoots that were cut.
    pub cut: Vec<Cut>,
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
    mut noded: Noded,
    mut strands: Strands,
    lattice: &Lattice,
    overshoots: &[Overshoot],
    snap_m: f64,
) -> Edges {
    let meetings = Meetings::find(&noded, &strands);
    let chains = ChainsAtNodes { noded: &noded, strands: &strands, lattice, meetings: &meetings };
    let (ranges, cut, cut_m) = chains.cut_overshoots(overshoots, snap_m);
    let mut pieces = chains.pieces(&ranges);
    drop(ranges);
    let Assembly { nodes, mut edges, again } = Assembly::of(&chains, &mut pieces);
    // One thread makes the ends; all others begin with the stretches, and it goes on with those.
    let (ends, stretches) =
        rayon::join(|| ends_at_nodes(nodes.len(), &edges), || chains.stretches(&pieces, again));
    // The ways are the largest list of all, and need neither of these.
    noded.segments = Vec::new();
    strands.drop_chainages();
    let chains = ChainsAtNodes { noded: &noded, strands: &strands, lattice, meetings: &meetings };
    let paths = Paths::lay(&mut edges, &pieces, |piece| chains.path(piece.visits()));
    Edges { edges, ends, paths, stretches, nodes, cut, cut_m, crossings: meetings.crossings }
}

/// An overshoot that was cut.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Cut {
    /// Its entry in the list of near misses.
    pub near_miss: usize,
    /// Metres of line cut off.
    pub tail_m: f64,
    /// Where the line ends now.
    pub at: Pixel,
}

fn ends_at_nodes(nodes: usize, edges: &[Edge]) -> Rows<EdgeEnd> {
    Rows::sorted(nodes, EdgeEnd { edge: 0, at_to: false }, |add| {
        for (edge, e) in (0..).zip(edges) {
            add(e.from, EdgeEnd { edge, at_to: false });
            add(e.to, EdgeEnd { edge, at_to: true });
        }
    })
}

/// The chains of hot pixels and where they are to be cut.
pub(crate) struct ChainsAtNodes<'a> {
    pub noded: &'a Noded,
    pub strands: &'a Strands,
    lattice: &'a Lattice,
    pub meetings: &'a Meetings,
}

/// A piece of a strand between two nodes: its first and last visit.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Piece {
    pub from: u32,
    pub to: u32,
    pub strand: u32,
}

impl Piece {
    pub(crate) fn visits(&self) -> Range<usize> {
        self.from as usize..self.to as usize + 1
    }
}

/// Pieces or edges that a thread works on at a time.
const AT_A_TIME: usize = 4096;

impl ChainsAtNodes<'_> {
    /// The visits of every strand that remain when overshoots are cut; what was cut; and how many
    /// metres in all.
    fn cut_overshoots(&self, overshoots: &[Overshoot], snap_m: f64) -> (Vec<Range<u32>>, Vec<Cut>, f64) {
        let mut ranges: Vec<Range<u32>> = self.noded.starts.windows(2).map(|w| w[0]..w[1]).collect();
        let (mut cut, mut cut_m) = (Vec::new(), 0.0);
        let overshoots = self.dangling(overshoots);
        for own in overshoots.chunk_by(|p, q| p.strand == q.strand) {
            let range = &mut ranges[own[0].strand];
            let (rest, cuts) = self.cut_strand(range.start as usize..range.end as usize, own, snap_m);
            *range = rest.start as u32..rest.end as u32;
            cut_m += cuts.iter().map(|c| c.tail_m).sum::<f64>();
            cut.extend(cuts);
        }
        (ranges, cut, cut_m)
    }

    /// The overshoots at whose end nothing else is: where a gap was closed to it, or another line
    /// runs through it, it leads on.
    fn dangling(&self, overshoots: &[Overshoot]) -> Vec<Overshoot> {
        if overshoots.is_empty() {
            return Vec::new();
        }
        let end = |over: &Overshoot| {
            let range = self.noded.range(over.strand);
            self.noded.visits[if over.last { range.end - 1 } else { range.start }].pixel()
        };
        let mut visited = vec![0_u8; self.noded.pixels.len()];
        let pixels = self.noded.visits.iter().filter_map(|v| v.pixel());
        pixels.for_each(|p| visited[p as usize] = visited[p as usize].saturating_add(1));
        let alone = |over: &&Overshoot| end(over).is_some_and(|p| visited[p as usize] == 1);
        overshoots.iter().filter(alone).copied().collect()
    }

    /// Takes the overshooting tails off a strand's range of visits: each back to the first node
    /// from its end, if that is within the snap distance. Where no more than the snap distance
    /// would be left, nothing is cut: the line is short, not its tails.
    fn cut_strand(&self, range: Range<usize>, own: &[Overshoot], snap_m: f64) -> (Range<usize>, Vec<Cut>) {
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
                let pixel = self.noded.at(self.noded.visits[at], self.strands);
                cuts.push(Cut { near_miss: over.near_miss, tail_m, at: pixel });
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
    pub(crate) fn directions(&self, piece: &Piece) -> ((Visit, Visit), (Visit, Visit)) {
        let visits = &self.noded.visits;
        let (from, to) = (piece.from as usize, piece.to as usize);
        ((visits[from], visits[from + 1]), (visits[to], visits[to - 1]))
    }

    /// The stretches of input lines on every edge, given its first piece and the further pieces of
    /// edges that have any.
    fn stretches(&self, first: &[Piece], again: Vec<(u32, Piece)>) -> Rows<Stretch> {
        let further = Rows::sorted(first.len(), Piece::default(), |add| {
            again.iter().for_each(|&(edge, piece)| add(edge, piece));
        });
        drop(again);
        let of = |edge: usize| std::iter::once(&first[edge]).chain(further.row(edge));
        let carried = |piece: &Piece| self.strands.lines_on(piece.strand as usize).len();
        let lengths = (0..first.len()).map(|edge| of(edge).map(carried).sum());
        let mut stretches = Rows::blank(lengths, Stretch { line: 0, start_m: 0.0, end_m: 0.0 });
        let parts = stretches.parts_mut(AT_A_TIME).into_par_iter().zip(first.par_chunks(AT_A_TIME));
        parts.enumerate().for_each(|(part, (stretches, first))| {
            let edges = part * AT_A_TIME..part * AT_A_TIME + first.len();
            let known = Cell::new((NO_VISIT, 0.0));
            let all = edges.zip(first).flat_map(|(edge, first)| {
                let known = &known;
                of(edge).flat_map(move |piece| self.stretches_of(piece, first, known))
            });
            stretches.iter_mut().zip(all).for_each(|(slot, s)| *slot = s);
        });
        stretches
    }

    /// Where on the lines that it carries a piece begins and ends, in the direction of the edge,
    /// which is that of its first piece. The chainage on the first line of the visit it ends with is
    /// left in `known`: most pieces go on from the one before.
    fn stretches_of<'b>(
        &'b self,
        piece: &Piece,
        first: &Piece,
        known: &'b Cell<(u32, f64)>,
    ) -> impl Iterator<Item = Stretch> + use<'b> {
        let (strand, from, to) = (piece.strand as usize, piece.from, piece.to);
        let same_way = self.directions(piece).0 == self.directions(first).0;
        self.strands.lines_on(strand).iter().enumerate().map(move |(carried, &line)| {
            let chainage_m = |visit: u32| {
                let at = self.noded.at(self.noded.visits[visit as usize], self.strands);
                self.strands.chainage_m(strand, carried, self.noded.segments[visit as usize], at)
            };
            let (visit, known_m) = known.get();
            let from_m = if carried == 0 && visit == from { known_m } else { chainage_m(from) };
            let to_m = chainage_m(to);
            if carried == 0 {
                known.set((to, to_m));
            }
            let (start_m, end_m) = if same_way { (from_m, to_m) } else { (to_m, from_m) };
            Stretch { line, start_m, end_m }
        })
    }
}

/// A number that no visit has.
const NO_VISIT: u32 = u32::MAX;
