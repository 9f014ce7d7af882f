//! The coarse grid between points and cells, and the convolution on it.

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::super::{Extent, Grid, M2_PER_KM2, WeightedPoint};
use super::axis::Axis;
use super::spline::{Eighth, Spline};
use super::{ORDER, STEPS_A_BANDWIDTH, spread, taps};

/// The coarse grid of a Gaussian: nodes that receive points, and within them the nodes
/// from which cells are interpolated.
pub(in super::super) struct CoarseGrid {
    /// Columns that receive points.
    pub spread_x: Axis,
    /// Rows that receive points.
    pub spread_y: Axis,
    /// Columns from which cells are interpolated.
    pub node_x: Axis,
    /// Rows from which cells are interpolated.
    pub node_y: Axis,
    /// Taps from the middle outward.
    taps: Vec<f64>,
    scale_per_km2: f64,
}

impl CoarseGrid {
    /// The coarse grid for the cell centres of a grid.
    pub fn new(grid: &Grid, bandwidth_m: f64) -> Self {
        let (min, max) = (grid.centre(grid.rows - 1, 0), grid.centre(0, grid.columns - 1));
        Self::over(Extent { min, max }, bandwidth_m)
    }

    /// The coarse grid from which any place in a box can be interpolated.
    pub fn over(extent: Extent, bandwidth_m: f64) -> Self {
        let step_m = bandwidth_m / STEPS_A_BANDWIDTH;
        let taps = taps::gaussian(STEPS_A_BANDWIDTH, 2 * ORDER as i32);
        let reach = taps.len() - 1;
        let wider = |axis: Axis| axis.widened(reach, axis.nodes + 2 * reach);
        let node_x = Axis::around(extent.min.x_m, extent.max.x_m, step_m);
        let node_y = Axis::around(-extent.max.y_m, -extent.min.y_m, step_m);
        Self {
            spread_x: wider(node_x),
            spread_y: wider(node_y),
            node_x,
            node_y,
            taps,
            // The taps are those of a bandwidth of one.
            scale_per_km2: M2_PER_KM2 / (bandwidth_m * bandwidth_m),
        }
    }

    /// Value at a place of the box, interpolated from [`CoarseGrid::convolved`] nodes.
    pub fn at(&self, nodes: &[f64], at: GroundPoint) -> f64 {
        let ((column, across), (row, down)) =
            (self.node_x.locate::<ORDER>(at.x_m), self.node_y.locate::<ORDER>(-at.y_m));
        let (wx, wy) = (Eighth::weights(across), Eighth::weights(down));
        let start = |row: usize| row * self.node_x.nodes + column.max(0) as usize;
        wy.iter()
            .enumerate()
            .map(|(k, wy)| {
                let line = &nodes[start(row.max(0) as usize + k)..][..ORDER];
                wy * line.iter().zip(&wx).map(|(v, w)| v * w).sum::<f64>()
            })
            .sum()
    }

    /// Multiply-adds of the convolution, without the memory to hold it being asked for.
    pub fn cost(&self) -> f64 {
        2.0 * self.spread_x.nodes as f64 * self.spread_y.nodes as f64 * self.taps.len() as f64
    }

    pub fn steps_a_bandwidth(&self) -> f64 {
        STEPS_A_BANDWIDTH
    }

    /// Spline sums of the points at the receiving nodes, row by row.
    pub fn spread(&self, points: &[WeightedPoint]) -> Vec<f64> {
        spread::onto::<Eighth, ORDER>(&self.spread_x, &self.spread_y, points)
    }

    /// Convolution of the spline sums along both axes, in sign per km², at the nodes from
    /// which cells are interpolated.
    pub fn convolved(&self, sums: &[f64]) -> Vec<f64> {
        let (wide, reach) = (self.spread_x.nodes, self.taps.len() - 1);
        let mut nodes = vec![0.0; self.node_x.nodes * self.node_y.nodes];
        nodes.par_chunks_mut(self.node_x.nodes).enumerate().for_each_init(
            || vec![0.0; wide],
            |down, (row, out)| {
                let line = |k: usize| &sums[(row + k) * wide..][..wide];
                down.fill(0.0);
                add_pair(down, self.taps[0] * self.scale_per_km2, line(reach), None);
                for (j, tap) in self.taps.iter().enumerate().skip(1) {
                    add_pair(down, tap * self.scale_per_km2, line(reach - j), Some(line(reach + j)));
                }
                let narrow = out.len();
                let part = |k: usize| &down[k..][..narrow];
                add_pair(out, self.taps[0], part(reach), None);
                for (j, &tap) in self.taps.iter().enumerate().skip(1) {
                    add_pair(out, tap, part(reach - j), Some(part(reach + j)));
                }
            },
        );
        nodes
    }
}

/// out += tap · (a + b).
fn add_pair(out: &mut [f64], tap: f64, a: &[f64], b: Option<&[f64]>) {
    match b {
        Some(b) => out.iter_mut().zip(a).zip(b).for_each(|((o, a), b)| *o += tap * (a + b)),
        None => out.iter_mut().zip(a).for_each(|(o, a)| *o += tap * a),
    }
}
