//! Narrow kernels: every point is added to the cells around it.

use rayon::prelude::*;

use super::super::{Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::REACH_BANDWIDTHS;
use super::strips::Strips;

/// Adds every point's kernel to the cells it reaches, in sign per km². Exact but for
/// rounding to f32 and the cut of the Gaussian.
///
/// Cost: one kernel a point and cell within reach (the Gaussian: one multiply-add). Rows
/// are worked on in blocks as high as the reach, each from the points of three strips.
pub(super) fn add(
    points: &[WeightedPoint],
    grid: &Grid,
    kernel: Kernel,
    bandwidth_m: f64,
    values: &mut [f32],
) {
    let reach_m = kernel.radius_m(bandwidth_m).unwrap_or(REACH_BANDWIDTHS * bandwidth_m);
    let height = ((reach_m / grid.cell_m).ceil().max(1.0) as usize).min(grid.rows);
    let strip_m = height as f64 * grid.cell_m;
    let blocks = grid.rows.div_ceil(height);
    // Strip 0 holds the points north of the grid that reach it.
    let strips = Strips::new(points, blocks + 2, |p| {
        let strip = ((grid.north_m - p.at.y_m) / strip_m).floor() + 1.0;
        (strip >= 0.0 && strip < (blocks + 2) as f64).then_some(strip as usize)
    });
    let scale = kernel.peak_per_m2(bandwidth_m) * M2_PER_KM2;
    values.par_chunks_mut(height * grid.columns).enumerate().for_each(|(block, out)| {
        let mut sums = vec![0.0_f64; out.len()];
        for p in (block..block + 3).flat_map(|strip| strips.of(strip)) {
            let Some(columns) = reached(p.at.x_m - grid.west_m, reach_m, grid.cell_m, grid.columns) else {
                continue;
            };
            for (k, sums) in sums.chunks_mut(grid.columns).enumerate() {
                let down_m = grid.centre(block * height + k, 0).y_m - p.at.y_m;
                if down_m.abs() > reach_m {
                    continue;
                }
                for (column, sum) in columns.clone().zip(&mut sums[columns.clone()]) {
                    let across_m = grid.centre(0, column).x_m - p.at.x_m;
                    *sum += p.weight * kernel.profile(across_m * across_m + down_m * down_m, bandwidth_m);
                }
            }
        }
        out.iter_mut().zip(sums).for_each(|(value, sum)| *value = (scale * sum) as f32);
    });
}

/// Cells whose centres lie within reach of an offset from the western edge.
fn reached(offset_m: f64, reach_m: f64, cell_m: f64, count: usize) -> Option<std::ops::Range<usize>> {
    let from = ((offset_m - reach_m) / cell_m - 0.5).ceil().max(0.0);
    let to = (((offset_m + reach_m) / cell_m - 0.5).floor() + 1.0).min(count as f64);
    (from < to).then_some(from as usize..to as usize)
}
