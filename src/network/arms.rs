//! The edge ends of some kinds as a search around many nodes wants them: all that it needs of an
//! edge in one place, and those of neighbouring nodes side by side.

use super::rows::Rows;
use super::{Edge, KindSet, Network};

/// One end of an edge, seen from the node there.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Arm {
    /// The node at the edge's other end.
    pub other: u32,
    /// Twice the edge, and one more at its `to` end; edges have numbers below 2³¹.
    end: u32,
    /// Length of the edge in frame metres.
    pub length_m: f64,
}

impl Arm {
    #[inline]
    pub(crate) fn edge(&self) -> u32 {
        self.end >> 1
    }

    /// A distance along the arm as one from the edge's `from` end, in metres.
    #[inline]
    pub(crate) fn along_edge_m(&self, along_m: f64) -> f64 {
        if self.end & 1 == 1 { self.length_m - along_m } else { along_m }
    }
}

/// The arms of all nodes.
pub(crate) struct Arms {
    /// The row of each node: its position by place.
    pub row_of: Vec<u32>,
    rows: Rows<Arm>,
}

impl Arms {
    /// The arms of the edges that hold any of the kinds. `by_place` lists the nodes so that
    /// neighbours come together.
    ///
    /// Cost: linear.
    pub(crate) fn new(network: &Network, kinds: KindSet, by_place: &[u32]) -> Self {
        let mut row_of = vec![0; by_place.len()];
        for (row, &node) in (0..).zip(by_place) {
            row_of[node as usize] = row;
        }
        let blank = Arm { other: 0, end: 0, length_m: 0.0 };
        let rows = Rows::sorted(by_place.len(), blank, |add| {
            let taken = |e: &&Edge| e.kinds.meets(kinds);
            for (edge, e) in (0_u32..).zip(network.edges()).filter(|(_, e)| taken(e)) {
                let arm = |other, at_to| Arm { other, end: 2 * edge + at_to, length_m: e.length_m };
                add(row_of[e.from as usize], arm(e.to, 0));
                add(row_of[e.to as usize], arm(e.from, 1));
            }
        });
        Self { row_of, rows }
    }

    /// The arms at a node, by edge.
    #[inline]
    pub(crate) fn at(&self, node: u32) -> &[Arm] {
        self.rows.row(self.row_of[node as usize] as usize)
    }
}
