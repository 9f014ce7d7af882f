//! The coarse grid between points and cells, and the convolution on it.

use pulp::{Arch, NullaryFnOnce};
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

    /// Values at places of the box, interpolated from [`CoarseGrid::convolved`] nodes.
    pub fn at(&self, nodes: &[f64], places: &[GroundPoint]) -> Vec<f64> {
        let arch = Arch::new();
        let mut values = vec![0.0; places.len()];
        values
            .par_chunks_mut(PLACES)
            .zip(places.par_chunks(PLACES))
            .for_each(|(values, places)| arch.dispatch(At { coarse: self, nodes, places, values }));
        values
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
        let arch = Arch::new();
        let mut nodes = vec![0.0; self.node_x.nodes * self.node_y.nodes];
        nodes.par_chunks_mut(ROWS * self.node_x.nodes).enumerate().for_each(|(block, out)| {
            arch.dispatch(Convolve { coarse: self, sums, first_row: block * ROWS, out })
        });
        nodes
    }
}

/// Rows convolved by one task, and nodes of a row at once: the lines that they share stay in the
/// innermost cache.
const ROWS: usize = 16;
const COLUMNS: usize = 16;

/// Convolves some rows, the first of which is `first_row` of those from which cells are
/// interpolated: down, then across. A struct, since a closure is not sure to be compiled with the
/// features of the processor.
struct Convolve<'a> {
    coarse: &'a CoarseGrid,
    sums: &'a [f64],
    first_row: usize,
    out: &'a mut [f64],
}

impl NullaryFnOnce for Convolve<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { coarse, sums, first_row, out } = self;
        let (wide, narrow) = (coarse.spread_x.nodes, coarse.node_x.nodes);
        let reach = coarse.taps.len() - 1;
        let rows = out.len() / narrow;
        // A row of few nodes is done as if it were as long as a block.
        let padded = wide.max(2 * reach + COLUMNS);
        let mut down = vec![0.0; rows * padded];
        for column in blocks(wide) {
            for row in 0..rows {
                let middle = (first_row + row + reach) * wide + column;
                let block = weighted(&coarse.taps, sums, middle, wide).map(|v| v * coarse.scale_per_km2);
                put(&mut down[row * padded + column..], block);
            }
        }
        for (down, out) in down.chunks(padded).zip(out.chunks_mut(narrow)) {
            for column in blocks(narrow) {
                put(&mut out[column..], weighted(&coarse.taps, down, column + reach, 1));
            }
        }
    }
}

/// Places that one task interpolates.
const PLACES: usize = 1024;

/// Interpolates the values at some places.
struct At<'a> {
    coarse: &'a CoarseGrid,
    nodes: &'a [f64],
    places: &'a [GroundPoint],
    values: &'a mut [f64],
}

impl NullaryFnOnce for At<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { coarse: CoarseGrid { node_x, node_y, .. }, nodes, places, values } = self;
        for (value, at) in values.iter_mut().zip(places) {
            let ((column, across), (row, down)) =
                (node_x.locate::<ORDER>(at.x_m), node_y.locate::<ORDER>(-at.y_m));
            let (wx, wy) = (Eighth::weights(across), Eighth::weights(down));
            let first = row.max(0) as usize * node_x.nodes + column.max(0) as usize;
            let mut sums = [0.0; ORDER];
            for (wy, line) in wy.iter().zip(nodes[first..].chunks(node_x.nodes)) {
                let Some(line) = line.first_chunk::<ORDER>() else { break };
                for k in 0..ORDER {
                    sums[k] += wy * line[k];
                }
            }
            *value = sums.iter().zip(&wx).map(|(sum, wx)| sum * wx).sum();
        }
    }
}

/// Where blocks of nodes begin that cover a row; the last overlaps the one before it.
fn blocks(nodes: usize) -> impl Iterator<Item = usize> {
    (0..nodes).step_by(COLUMNS).map(move |column| column.min(nodes.saturating_sub(COLUMNS)))
}

/// Sums of taps times the values to either side of some neighbouring ones, of which the first is
/// at `middle`; taps lie `stride` apart.
#[inline(always)]
fn weighted(taps: &[f64], values: &[f64], middle: usize, stride: usize) -> [f64; COLUMNS] {
    let part = |from: usize| values[from..].first_chunk::<COLUMNS>().copied().unwrap_or([0.0; COLUMNS]);
    let mut sums = part(middle).map(|v| v * taps[0]);
    for (j, tap) in taps.iter().enumerate().skip(1) {
        let (before, behind) = (part(middle - j * stride), part(middle + j * stride));
        for k in 0..COLUMNS {
            sums[k] += tap * (before[k] + behind[k]);
        }
    }
    sums
}

#[inline(always)]
fn put(to: &mut [f64], block: [f64; COLUMNS]) {
    to.iter_mut().zip(block).for_each(|(to, value)| *to = value);
}

#[cfg(test)]
mod tests {
    use super::*;
    /// Nodes and places against the sum of Gaussians, to the bound of the coarse way.
    #[test]
    fn nodes_and_places_hold_the_sum_of_gaussians() {
        let at = |k: u32| GroundPoint::new(f64::from(k * 37 % 101) * 7.0, f64::from(k * 53 % 89) * 5.0);
        let points: Vec<WeightedPoint> =
            (0..60).map(|k| WeightedPoint::new(at(k), 0.5 + f64::from(k % 4))).collect();
        for h in [20.0, 90.0, 700.0] {
            let extent = Extent { min: GroundPoint::new(-50.0, 20.0), max: GroundPoint::new(650.0, 400.0) };
            let coarse = CoarseGrid::over(extent, h);
            let nodes = coarse.convolved(&coarse.spread(&points));
            let places: Vec<GroundPoint> = (0..1500)
                .map(|k| (f64::from(k * 17 % 701), f64::from(k * 29 % 381)))
                .map(|(x, y)| GroundPoint::new(x - 50.0, 20.0 + y))
                .collect();
            for (place, found) in places.iter().zip(coarse.at(&nodes, &places)) {
                let term =
                    |p: &WeightedPoint| p.weight * (-0.5 * (p.at.distance_m(*place) / h).powi(2)).exp();
                let expected = points.iter().map(term).sum::<f64>() / (std::f64::consts::TAU * h * h) * 1e6;
                assert!((found / expected - 1.0).abs() < 1.1e-5, "{h}: {found} {expected}");
            }
            // Each receiving node is met twice by every tap: down and across.
            let cost =
                2.0 * coarse.taps.len() as f64 * (coarse.spread_x.nodes * coarse.spread_y.nodes) as f64;
            assert_eq!(coarse.cost(), cost);
            let reach = 2 * (coarse.taps.len() - 1);
            assert_eq!(coarse.spread_x.nodes, coarse.node_x.nodes + reach);
            assert_eq!(coarse.node_x.nodes, (700.0 / (h / 5.4)).ceil() as usize + 9);
        }
    }

    #[test]
    fn blocks_cover_every_node() {
        for nodes in [1, 15, 16, 17, 32, 33, 100] {
            let begins: Vec<usize> = blocks(nodes).collect();
            assert_eq!(begins.len(), nodes.div_ceil(16));
            assert!((0..nodes).all(|k| begins.iter().any(|&b| (b..b + 16).contains(&k))));
            assert!(nodes < 16 || begins.iter().all(|b| b + 16 <= nodes));
        }
    }
}
