//! The network as a whole.

use std::sync::OnceLock;

use super::edges::Edges;
use super::index::SegmentIndex;
use super::node::Node;
use super::paths::Paths;
use super::rows::Rows;
use super::ways::{Ways, ways_of_all};
use super::{Edge, EdgeEnd, LinePiece, NearMiss, NetworkSettings, Report, Stretch};
use crate::frame::GroundPoint;
use crate::record::LineKind;

/// The noded network.
pub struct Network {
    pub(super) nodes: Vec<Node>,
    pub(super) edges: Vec<Edge>,
    pub(super) paths: Paths,
    pub(super) stretches: Rows<Stretch>,
    ends: Rows<EdgeEnd>,
    line_lengths_m: Vec<f64>,
    pub(super) near_misses: Vec<NearMiss>,
    pub(super) report: Report,
    pub(super) settings: NetworkSettings,
    // What follows is made when first asked for: many a caller never does.
    /// Grid bearings of the ways at every node.
    ways: OnceLock<Ways>,
    pub(super) line_pieces: OnceLock<Rows<LinePiece>>,
    index: OnceLock<SegmentIndex>,
}

impl Network {
    /// Puts the parts together; nodes are not described yet.
    pub(super) fn assemble(
        nodes: Vec<GroundPoint>,
        made: Edges,
        line_lengths_m: Vec<f64>,
        near_misses: Vec<NearMiss>,
        report: Report,
        settings: NetworkSettings,
    ) -> Self {
        let Edges { edges, ends, paths, stretches, .. } = made;
        Self {
            nodes: nodes.into_iter().map(Node::bare).collect(),
            edges,
            paths,
            stretches,
            ends,
            line_lengths_m,
            near_misses,
            report,
            settings,
            ways: OnceLock::new(),
            line_pieces: OnceLock::new(),
            index: OnceLock::new(),
        }
    }

    /// Every node that an edge names.
    pub fn nodes(&self) -> &[Node] {
        &self.nodes
    }

    /// Grid bearings of the ways at a node, in degrees clockwise from grid north, ascending.
    ///
    /// Those of all nodes are found when the first are asked for.
    pub fn ways_deg(&self, node: u32) -> &[f64] {
        let ways = self.ways.get().unwrap_or_else(|| {
            // Found before the cell is locked: a thread that waited for it could hold up the
            // threads that find them.
            let found = ways_of_all(self);
            self.ways.get_or_init(|| found)
        });
        ways.deg(node)
    }

    /// Every edge; the position is the edge's number.
    pub fn edges(&self) -> &[Edge] {
        &self.edges
    }

    /// The way of an edge in the frame, both ends included, in the direction of the first input
    /// line that holds it.
    pub fn path(&self, edge: u32) -> &[GroundPoint] {
        self.paths.row(edge as usize)
    }

    /// The stretches of input lines that an edge carries, in input order; never empty, save for a
    /// connector that closes a gap.
    pub fn stretches(&self, edge: u32) -> &[Stretch] {
        self.stretches.row(edge as usize)
    }

    /// The edge ends at a node, by edge; a loop is there twice.
    pub fn ends_at(&self, node: u32) -> &[EdgeEnd] {
        self.ends.row(node as usize)
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

    /// Length in frame metres of all edges that hold a kind.
    pub fn length_of_kind_m(&self, kind: LineKind) -> f64 {
        self.edges.iter().filter(|e| e.kinds.has(kind)).map(|e| e.length_m).sum()
    }

    /// Length of an input line in frame metres, before noding.
    pub fn line_length_m(&self, line: u32) -> Option<f64> {
        self.line_lengths_m.get(line as usize).copied()
    }

    /// The number of nodes by degree: entry `d` counts those with `d` edge ends.
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

    pub(super) fn index(&self) -> &SegmentIndex {
        self.index.get_or_init(|| SegmentIndex::new(&self.paths))
    }
}
