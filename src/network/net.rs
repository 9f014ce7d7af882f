//! The network as a whole, and how its parts are found.

use std::collections::HashMap;

use super::index::SegmentIndex;
use super::node::{Node, NodeKind};
use super::{Edge, Foot, KindSet, MergedPass, NearMiss, NetworkSettings, Side};
use crate::frame::GroundPoint;
use crate::record::LineKind;

/// The noded network.
pub struct Network {
    pub(crate) nodes: Vec<Node>,
    edges: Vec<Edge>,
    /// First edge end of each node, and the count at the end.
    starts: Vec<u32>,
    ends: Vec<EdgeEnd>,
    /// First piece of each input line, and the count at the end.
    line_starts: Vec<u32>,
    line_pieces: Vec<LinePiece>,
    line_lengths_m: Vec<f64>,
    near_misses: Vec<NearMiss>,
    index: SegmentIndex,
    report: Report,
    settings: NetworkSettings,
}

/// One end of an edge at a node.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct EdgeEnd {
    /// The edge.
    pub edge: u32,
    /// Whether it is the edge's `to` end.
    pub at_to: bool,
}

/// Where on an input line an edge lies.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LinePiece {
    /// Lesser chainage on the line, in frame metres.
    pub low_m: f64,
    /// Greater chainage on the line, in frame metres.
    pub high_m: f64,
    /// The edge.
    pub edge: u32,
    /// Whether the edge runs against the line.
    pub against: bool,
}

/// What building the network did, besides what its parts show.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Report {
    /// How many input lines there were.
    pub lines: usize,
    /// Indices of input lines too short for the lattice; they carry no edge.
    pub vanished: Vec<u32>,
    /// The stretches that were merged with a longer line as passes of one track, by line.
    pub merged: Vec<MergedPass>,
    /// How many places two or more lines pass through, those at different levels included.
    pub crossings: usize,
    /// Places at which lines on different levels pass without joining.
    pub parted: Vec<GroundPoint>,
    /// Metres of line cut off as overshoots.
    pub cut_m: f64,
    /// The step of the lattice in metres.
    pub lattice_step_m: f64,
}

impl Report {
    /// Whether a line took part in a merge, so that its way is now that of a centre line.
    pub fn is_merged(&self, line: u32) -> bool {
        self.merged.iter().any(|m| m.line == line || m.into == line)
    }
}

impl Network {
    pub(crate) fn assemble(
        places: Vec<GroundPoint>,
        edges: Vec<Edge>,
        line_lengths_m: Vec<f64>,
        near_misses: Vec<NearMiss>,
        report: Report,
        settings: NetworkSettings,
    ) -> Self {
        let nodes = places.into_iter().map(Node::bare).collect::<Vec<_>>();
        let (starts, ends) = adjacency(nodes.len(), &edges);
        let (line_starts, line_pieces) = pieces_by_line(line_lengths_m.len(), &edges);
        let index = SegmentIndex::new(&edges);
        Self {
            nodes,
            edges,
            starts,
            ends,
            line_starts,
            line_pieces,
            line_lengths_m,
            near_misses,
            index,
            report,
            settings,
        }
    }

    /// Every node that an edge names.
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// Every edge; the position is the edge's number.
    pub fn edges(&self) -> &[Edge] {
        &self.edges
    }

    /// The edge ends at a node, by edge; a loop is there twice.
    pub fn ends_at(&self, node: u32) -> &[EdgeEnd] {
        &self.ends[self.starts[node as usize] as usize..self.starts[node as usize + 1] as usize]
    }

    /// The line ends that almost meet another line, in the order of the lines.
    pub fn near_misses(&self) -> &[NearMiss] {
        &self.near_misses
    }

    /// What building it did.
    pub fn report(&self) -> &Report {
        &self.report
    }

    /// The settings it was built with.
    pub fn settings(&self) -> &NetworkSettings {
        &self.settings
    }

    /// Length of all edges in frame metres.
    pub fn length_m(&self) -> f64 {
        self.edges.iter().map(|e| e.length_m).sum()
    }

    /// The pieces of an input line, by chainage; empty for a line that carries no edge.
    pub fn line_pieces(&self, line: u32) -> &[LinePiece] {
        match (self.line_starts.get(line as usize), self.line_starts.get(line as usize + 1)) {
            (Some(&from), Some(&to)) => &self.line_pieces[from as usize..to as usize],
            _ => &[],
        }
    }

    /// Length of an input line in frame metres, before noding.
    pub fn line_length_m(&self, line: u32) -> Option<f64> {
        self.line_lengths_m.get(line as usize).copied()
    }

    /// The number of edges with `n` ends, by degree: entry `d` counts nodes of degree `d`.
    pub fn degree_histogram(&self) -> Vec<usize> {
        let mut histogram = Vec::new();
        for node in &self.nodes {
            let d = node.degree as usize;
            if histogram.len() <= d {
                histogram.resize(d + 1, 0);
            }
            histogram[d] += 1;
        }
        histogram
    }

    /// The component of every node over edges of the kinds given, numbered from 0 in the
    /// order of their first nodes; `None` for nodes that no such edge names.
    pub fn components(&self, kinds: KindSet) -> Components {
        let mut of_node = vec![None; self.nodes.len()];
        let mut count = 0;
        for start in 0..self.nodes.len() as u32 {
            let travelled = |n: u32| {
                self.ends_at(n).iter().map(|e| &self.edges[e.edge as usize]).filter(|e| e.kinds.meets(kinds))
            };
            if of_node[start as usize].is_some() || travelled(start).next().is_none() {
                continue;
            }
            let mut stack = vec![start];
            of_node[start as usize] = Some(count);
            while let Some(n) = stack.pop() {
                for e in travelled(n) {
                    let other = if e.from == n { e.to } else { e.from };
                    if of_node[other as usize].is_none() {
                        of_node[other as usize] = Some(count);
                        stack.push(other);
                    }
                }
            }
            count += 1;
        }
        Components { count: count as usize, of_node }
    }

    /// How many parts the drawing falls into that touch nowhere: as [`Network::components`] over
    /// all kinds, but lines that pass each other on different levels count as touching.
    pub fn components_in_plan(&self) -> usize {
        let components = self.components(KindSet::from_kinds(&LineKind::ALL));
        let key = |p: &GroundPoint| (p.x_m.to_bits(), p.y_m.to_bits());
        let mut at_parted: HashMap<(u64, u64), Option<u32>> =
            self.report.parted.iter().map(|p| (key(p), None)).collect();
        let mut joined: Vec<u32> = (0..components.count as u32).collect();
        let root = |joined: &[u32], mut c: u32| {
            while joined[c as usize] != c {
                c = joined[c as usize];
            }
            c
        };
        for edge in &self.edges {
            let Some(own) = components.of_node[edge.from as usize] else { continue };
            for p in &edge.path {
                let Some(first) = at_parted.get_mut(&key(p)) else { continue };
                let (a, b) = (root(&joined, *first.get_or_insert(own)), root(&joined, own));
                joined[a.max(b) as usize] = a.min(b);
            }
        }
        joined.iter().enumerate().filter(|&(c, &to)| c as u32 == to).count()
    }

    /// The place a number of frame metres from an edge's `from` end; beyond either end, that
    /// end.
    pub fn point_at(&self, edge: u32, along_m: f64) -> GroundPoint {
        let path = &self.edges[edge as usize].path;
        let (k, left_m) = segment_at(path, along_m);
        let step_m = path[k].distance_m(path[k + 1]);
        path[k].lerp(path[k + 1], if step_m > 0.0 { (left_m / step_m).clamp(0.0, 1.0) } else { 0.0 })
    }

    /// Grid bearing of an edge at a distance from its `from` end, in its own direction:
    /// degrees clockwise from grid north. At a vertex, of the piece that follows it.
    pub fn grid_bearing_deg(&self, edge: u32, along_m: f64) -> f64 {
        let path = &self.edges[edge as usize].path;
        let (k, _) = segment_at(path, along_m);
        path[k].grid_bearing_deg(path[k + 1])
    }

    /// The foot on an edge at a distance from its `from` end; the distance is kept within
    /// the edge, and the offset is 0.
    pub fn foot_at(&self, edge: u32, along_m: f64) -> Foot {
        let along_m = along_m.clamp(0.0, self.edges[edge as usize].length_m);
        Foot { edge, along_m, at: self.point_at(edge, along_m), offset_m: 0.0 }
    }

    /// The foot at a chainage of an input line, in frame metres from the line's start.
    /// `None` where the line carries no edge there: it does not exist, the chainage is
    /// outside it, or an overshoot was cut.
    pub fn foot_on_line(&self, line: u32, chainage_m: f64) -> Option<Foot> {
        let pieces = self.line_pieces(line);
        let next = pieces.partition_point(|p| p.low_m <= chainage_m);
        let piece = pieces[..next].iter().rev().find(|p| p.high_m >= chainage_m)?;
        let length_m = self.edges[piece.edge as usize].length_m;
        let span_m = piece.high_m - piece.low_m;
        let share = if span_m > 0.0 { (chainage_m - piece.low_m) / span_m } else { 0.0 };
        let share = if piece.against { 1.0 - share } else { share };
        Some(self.foot_at(piece.edge, share * length_m))
    }

    /// The first input line that carries the edge of a foot, and the chainage there in frame
    /// metres from the line's start. `None` on a connector.
    pub fn line_at(&self, foot: &Foot) -> Option<OnLine> {
        let edge = &self.edges[foot.edge as usize];
        let stretch = edge.stretches.first()?;
        let share = if edge.length_m > 0.0 { foot.along_m / edge.length_m } else { 0.0 };
        Some(OnLine {
            line: stretch.line,
            chainage_m: stretch.start_m + (stretch.end_m - stretch.start_m) * share,
            against: stretch.end_m < stretch.start_m,
        })
    }

    /// The foot nearest to a point within a number of frame metres, on the edges that
    /// `accept` takes. Of equally near feet, the one on the lowest edge, nearest its start.
    ///
    /// Cost: the segments in the cells within that distance.
    pub fn nearest_foot(
        &self,
        point: GroundPoint,
        within_m: f64,
        accept: impl Fn(&Edge) -> bool,
    ) -> Option<Foot> {
        self.index.nearest(&self.edges, point, within_m, accept)
    }

    /// On which side of the edge, in its own direction, a point lies whose foot is given.
    /// `None` where the point is on the line. Beyond the end of a dead end, and at a bend, the
    /// side of the segment that holds the foot decides.
    pub fn side_of(&self, foot: &Foot, point: GroundPoint) -> Option<Side> {
        let path = &self.edges[foot.edge as usize].path;
        let (k, _) = segment_at(path, foot.along_m);
        match super::orientation(path[k], path[k + 1], point) {
            super::Orientation::Left => Some(Side::Left),
            super::Orientation::Right => Some(Side::Right),
            super::Orientation::On => None,
        }
    }

    /// How many nodes there are of each kind, in the order of [`NodeKind::ALL`].
    pub fn node_kind_counts(&self) -> [(NodeKind, usize); 5] {
        NodeKind::ALL.map(|kind| (kind, self.nodes.iter().filter(|n| n.kind == kind).count()))
    }

    /// Length in frame metres of all edges that hold a kind.
    pub fn length_of_kind_m(&self, kind: LineKind) -> f64 {
        self.edges.iter().filter(|e| e.kinds.has(kind)).map(|e| e.length_m).sum()
    }
}

/// A place on an input line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OnLine {
    /// Index of the input line.
    pub line: u32,
    /// Frame metres from the line's start.
    pub chainage_m: f64,
    /// Whether the edge runs against the line.
    pub against: bool,
}

/// The connected components of a network.
#[derive(Clone, PartialEq, Debug)]
pub struct Components {
    /// How many there are.
    pub count: usize,
    /// The component of each node; `None` where no edge of the kinds asked for ends.
    pub of_node: Vec<Option<u32>>,
}

/// The segment of a path that holds a distance from its start, and how far into it. The
/// path has at least two points; distances outside fall to the first or last segment.
fn segment_at(path: &[GroundPoint], along_m: f64) -> (usize, f64) {
    let mut left_m = along_m;
    let last = path.len() - 2;
    for k in 0..last {
        // A plain root is much faster than `hypot` and good to the last bit but one.
        let (dx, dy) = (path[k + 1].x_m - path[k].x_m, path[k + 1].y_m - path[k].y_m);
        let step_m = (dx * dx + dy * dy).sqrt();
        if left_m < step_m {
            return (k, left_m);
        }
        left_m -= step_m;
    }
    (last, left_m)
}

fn adjacency(nodes: usize, edges: &[Edge]) -> (Vec<u32>, Vec<EdgeEnd>) {
    let mut starts = vec![0_u32; nodes + 1];
    for e in edges {
        starts[e.from as usize + 1] += 1;
        starts[e.to as usize + 1] += 1;
    }
    for i in 1..starts.len() {
        starts[i] += starts[i - 1];
    }
    let mut next = starts.clone();
    let mut ends = vec![EdgeEnd { edge: 0, at_to: false }; edges.len() * 2];
    for (k, e) in edges.iter().enumerate() {
        for (node, at_to) in [(e.from, false), (e.to, true)] {
            ends[next[node as usize] as usize] = EdgeEnd { edge: k as u32, at_to };
            next[node as usize] += 1;
        }
    }
    (starts, ends)
}

fn pieces_by_line(lines: usize, edges: &[Edge]) -> (Vec<u32>, Vec<LinePiece>) {
    let mut starts = vec![0_u32; lines + 1];
    for s in edges.iter().flat_map(|e| &e.stretches) {
        starts[s.line as usize + 1] += 1;
    }
    for i in 1..starts.len() {
        starts[i] += starts[i - 1];
    }
    let mut next = starts.clone();
    let total = starts.last().copied().unwrap_or(0) as usize;
    let blank = LinePiece { low_m: 0.0, high_m: 0.0, edge: 0, against: false };
    let mut pieces = vec![blank; total];
    for (k, e) in edges.iter().enumerate() {
        for s in &e.stretches {
            pieces[next[s.line as usize] as usize] = LinePiece {
                low_m: s.start_m.min(s.end_m),
                high_m: s.start_m.max(s.end_m),
                edge: k as u32,
                against: s.end_m < s.start_m,
            };
            next[s.line as usize] += 1;
        }
    }
    for w in starts.windows(2) {
        pieces[w[0] as usize..w[1] as usize].sort_by(|p, q| {
            p.low_m.total_cmp(&q.low_m).then(p.high_m.total_cmp(&q.high_m)).then(p.edge.cmp(&q.edge))
        });
    }
    (starts, pieces)
}
