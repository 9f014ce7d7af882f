//! The edge ends of some kinds as a search around many nodes wants them: those of neighbouring
//! nodes side by side.

use super::rows::Rows;
use super::{Edge, KindSet, Network};

/// One end of an edge, seen from the node there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Arm {
    /// The node at the edge's other end.
    pub other: u32,
    pub edge: u32,
    at_to: bool,
    /// Length of the edge in frame metres.
    pub length_m: f64,
}

impl Arm {
    /// A distance along the arm as one from the edge's `from` end, in metres.
    #[inline]
    pub(crate) fn along_edge_m(&self, along_m: f64) -> f64 {
        if self.at_to { self.length_m - along_m } else { along_m }
    }
}

/// The arms of all nodes.
pub(crate) struct Arms<'a> {
    edges: &'a [Edge],
    /// The row of each node: its position by place.
    pub row_of: Vec<u32>,
    /// Twice the edge, and one more at its `to` end; edges have numbers below 2³¹.
    rows: Rows<u32>,
}

impl<'a> Arms<'a> {
    /// The arms of the edges that hold any of the kinds. `by_place` lists the nodes so that
    /// neighbours come together.
    ///
    /// Cost: linear.
    pub(crate) fn new(network: &'a Network, kinds: KindSet, by_place: &[u32]) -> Self {
        let edges = network.edges();
        let mut row_of = vec![0; by_place.len()];
        for (row, &node) in (0..).zip(by_place) {
            row_of[node as usize] = row;
        }
        let rows = Rows::sorted(by_place.len(), 0, |add| {
            for (edge, e) in (0_u32..).zip(edges).filter(|(_, e)| e.kinds.meets(kinds)) {
                add(row_of[e.from as usize], 2 * edge);
                add(row_of[e.to as usize], 2 * edge + 1);
            }
        });
        Self { edges, row_of, rows }
    }

    /// The arms at a node, by edge.
    #[inline]
    pub(crate) fn at(&self, node: u32) -> impl ExactSizeIterator<Item = Arm> + '_ {
        self.rows.row(self.row_of[node as usize] as usize).iter().map(|&end| {
            let (edge, at_to) = (end >> 1, end & 1 == 1);
            let e = &self.edges[edge as usize];
            Arm { other: if at_to { e.from } else { e.to }, edge, at_to, length_m: e.length_m }
        })
    }
}
