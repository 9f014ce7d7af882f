//! The edge ends of some kinds as a search wants them.

use super::{KindSet, Network};

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

impl Network {
    /// The arms at a node along edges that hold any of the kinds, by edge.
    #[inline]
    pub(crate) fn arms(&self, node: u32, kinds: KindSet) -> impl Iterator<Item = Arm> + '_ {
        self.ends_at(node).iter().filter_map(move |end| {
            let e = &self.edges[end.edge as usize];
            let other = if end.at_to { e.from } else { e.to };
            let arm = Arm { other, edge: end.edge, at_to: end.at_to, length_m: e.length_m };
            e.kinds.meets(kinds).then_some(arm)
        })
    }
}
