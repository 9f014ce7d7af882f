//! Nodes of a coarse grid along one axis.

use super::ORDER;

/// Nodes along one axis: node `k` lies `k · step_m` from the first, eastward or southward.
#[derive(Clone, Copy, Debug)]
pub(in super::super) struct Axis {
    /// Where the first node lies, in metres east or south of the frame's origin.
    pub first_m: f64,
    /// Distance from node to node in metres.
    pub step_m: f64,
    /// Number of nodes.
    pub nodes: usize,
    steps_a_metre: f64,
}

impl Axis {
    pub fn new(first_m: f64, step_m: f64, nodes: usize) -> Self {
        Self { first_m, step_m, nodes, steps_a_metre: 1.0 / step_m }
    }

    /// The axis from whose nodes every position of a range can be interpolated: splines at
    /// its ends need half their nodes beyond it.
    pub fn around(from_m: f64, to_m: f64, step_m: f64) -> Self {
        let nodes = ((to_m - from_m) / step_m).ceil() as usize + ORDER + 1;
        Self::new(from_m - (ORDER / 2) as f64 * step_m, step_m, nodes)
    }

    /// This axis with `margin` more nodes before its first, and `nodes` in all.
    pub fn widened(&self, margin: usize, nodes: usize) -> Self {
        Self::new(self.first_m - margin as f64 * self.step_m, self.step_m, nodes)
    }

    /// The first of the nodes that carry the spline of order `M` about a position, and the
    /// fraction of a step by which the position lies beyond the node before it. The first
    /// node may be off the axis.
    #[inline(always)]
    pub fn locate<const M: usize>(&self, position_m: f64) -> (isize, f64) {
        let steps = (position_m - self.first_m) * self.steps_a_metre;
        let before = steps.floor();
        ((before as isize).saturating_sub((M / 2) as isize - 1), steps - before)
    }
}
