//! Narrow kernels: every point is added to the cells around it.

use rayon::prelude::*;

use super::super::{Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::REACH_BANDWIDTHS;
use super::strips::Strips;

/// Rows of cells in blocks as high as a kernel's reach: each block needs the points of the
/// three strips at it, above it and below it.
pub(super) struct BlockRows {
    /// Rows of a block.
    pub height: usize,
    north_m: f64,
    strip_m: f64,
    blocks: usize,
}

impl BlockRows {
    pub fn new(grid: &Grid, reach_m: f64) -> Self {
        let height = ((reach_m / grid.cell_m).ceil().max(1.0) as usize).min(grid.rows);
        let strip_m = (height as f64 * grid.cell_m).max(reach_m);
        Self { height, north_m: grid.north_m, strip_m, blocks: grid.rows.div_ceil(height) }
    }

    /// Number of strips, those just north and south of the grid included.
    pub fn strips(&self) -> usize {
        self.blocks + 2
    }

    /// Strip of a northing; strip 0 lies north of the grid. `None` if it is out of reach.
    pub fn strip(&self, y_m: f64) -> Option<usize> {
        let strip = ((self.north_m - y_m) / self.strip_m).floor() + 1.0;
        (strip >= 0.0 && strip < self.strips() as f64).then_some(strip as usize)
    }

    /// Strips whose points reach a block.
    pub fn around(&self, block: usize) -> std::ops::Range<usize> {
        block..block + 3
    }
}

/// Adds every point's kernel to the cells it reaches, in sign per km². Exact but for
/// rounding to f32 and the cut of the Gaussian.
///
/// Cost: one kernel a point and cell within reach; for the Gaussian, one multiply-add.
pub(super) fn add(
    points: &[WeightedPoint],
    grid: &Grid,
    kernel: Kernel,
    bandwidth_m: f64,
    values: &mut [f32],
) {
    let reach_m = kernel.radius_m(bandwidth_m).unwrap_or(REACH_BANDWIDTHS * bandwidth_m);
    let rows = BlockRows::new(grid, reach_m);
    let strips = Strips::new(points, rows.strips(), |p| rows.strip(p.at.y_m));
    let scale = kernel.peak_per_m2(bandwidth_m) * M2_PER_KM2;
    values.par_chunks_mut(rows.height * grid.columns).enumerate().for_each(|(block, out)| {
        let mut sums = vec![0.0_f64; out.len()];
        let mut along = Vec::new();
        for p in rows.around(block).flat_map(|strip| strips.of(strip)) {
            let Some(columns) = reached(p.at.x_m - grid.west_m, reach_m, grid.cell_m, grid.columns) else {
                continue;
            };
            along.clear();
            along.extend(columns.clone().map(|column| square(grid.centre(0, column).x_m - p.at.x_m)));
            if kernel == Kernel::Gaussian {
                along.iter_mut().for_each(|d| *d = kernel.profile(*d, bandwidth_m));
            }
            for (k, sums) in sums.chunks_mut(grid.columns).enumerate() {
                let down = square(grid.centre(block * rows.height + k, 0).y_m - p.at.y_m);
                if down > reach_m * reach_m {
                    continue;
                }
                let sums = sums[columns.clone()].iter_mut().zip(&along);
                if kernel == Kernel::Gaussian {
                    let weight = p.weight * kernel.profile(down, bandwidth_m);
                    sums.for_each(|(sum, along)| *sum += weight * along);
                } else {
                    sums.for_each(|(sum, along)| {
                        *sum += p.weight * kernel.profile(along + down, bandwidth_m)
                    });
                }
            }
        }
        out.iter_mut().zip(sums).for_each(|(value, sum)| *value = (scale * sum) as f32);
    });
}

fn square(v: f64) -> f64 {
    v * v
}

/// Cells whose centres lie within reach of an offset from the western edge.
pub(super) fn reached(
    offset_m: f64,
    reach_m: f64,
    cell_m: f64,
    count: usize,
) -> Option<std::ops::Range<usize>> {
    let from = ((offset_m - reach_m) / cell_m - 0.5).ceil().max(0.0);
    let to = (((offset_m + reach_m) / cell_m - 0.5).floor() + 1.0).min(count as f64);
    (from < to).then_some(from as usize..to as usize)
}
