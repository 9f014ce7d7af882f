//! Narrow kernels: every point is added to the cells around it.

use rayon::prelude::*;

use super::super::{ErrorBound, Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::REACH_BANDWIDTHS;
use super::bound::ROUNDING;
use super::strips::Strips;

/// Most strips to either side of a block.
const MOST_BEYOND: f64 = 64.0;

/// Rows of cells in blocks: each block needs the points of the strips, as high as it is,
/// within a kernel's reach.
pub(super) struct BlockRows {
    /// Rows of a block.
    pub height: usize,
    north_m: f64,
    strip_m: f64,
    blocks: usize,
    /// Strips to either side whose points reach a block.
    beyond: usize,
}

impl BlockRows {
    /// Blocks of `height` rows, or higher ones where that would make very many strips.
    pub fn new(grid: &Grid, reach_m: f64, height: usize) -> Self {
        let least = (reach_m / grid.cell_m / MOST_BEYOND).ceil() as usize;
        let height = height.max(least).clamp(1, grid.rows);
        // A grid lower than the reach has one block and a strip that reaches it all.
        let strip_m = height as f64 * grid.cell_m;
        let strip_m = if height == grid.rows { strip_m.max(reach_m) } else { strip_m };
        let beyond = (reach_m / strip_m).ceil().max(1.0) as usize;
        Self { height, north_m: grid.north_m, strip_m, blocks: grid.rows.div_ceil(height), beyond }
    }

    /// Number of strips, those north and south of the grid included.
    pub fn strips(&self) -> usize {
        self.blocks + 2 * self.beyond
    }

    /// Strip of a northing; strip 0 lies north of the grid. `None` if it is out of reach.
    pub fn strip(&self, y_m: f64) -> Option<usize> {
        let strip = ((self.north_m - y_m) / self.strip_m).floor() + self.beyond as f64;
        (strip >= 0.0 && strip < self.strips() as f64).then_some(strip as usize)
    }

    /// Strips whose points reach a block.
    pub fn around(&self, block: usize) -> std::ops::Range<usize> {
        block..block + 2 * self.beyond + 1
    }
}

/// A point with a bandwidth of its own.
#[derive(Clone, Copy)]
pub(in super::super) struct Own {
    pub point: WeightedPoint,
    pub bandwidth_m: f64,
}

impl Own {
    fn reach_m(&self, kernel: Kernel) -> f64 {
        kernel.radius_m(self.bandwidth_m).unwrap_or(REACH_BANDWIDTHS * self.bandwidth_m)
    }
}

/// Adds every point's kernel to the cells it reaches, in sign per km². Exact but for
/// rounding to f32 and the cut of the Gaussian.
///
/// Cost: one kernel a point and cell within reach; for the Gaussian, one multiply-add.
pub(in super::super) fn add(points: &[Own], grid: &Grid, kernel: Kernel, values: &mut [f32]) {
    let widest_m = points.iter().map(|p| p.reach_m(kernel)).fold(grid.cell_m, f64::max);
    // As high as the reach, so that a point is looked at by three blocks at most.
    let rows = BlockRows::new(grid, widest_m, (widest_m / grid.cell_m).ceil() as usize);
    let strips = Strips::new(points, rows.strips(), |p: &Own| rows.strip(p.point.at.y_m));
    values.par_chunks_mut(rows.height * grid.columns).enumerate().for_each(|(block, out)| {
        let mut sums = vec![0.0_f64; out.len()];
        let mut along = Vec::new();
        for p in rows.around(block).flat_map(|strip| strips.of(strip..strip + 1)).flatten() {
            add_one(p, grid, kernel, block * rows.height, &mut sums, &mut along);
        }
        out.iter_mut().zip(sums).for_each(|(value, sum)| *value = sum as f32);
    });
}

/// Adds one point to some rows of cells, the first of which is `first_row` of the grid.
fn add_one(p: &Own, grid: &Grid, kernel: Kernel, first_row: usize, sums: &mut [f64], along: &mut Vec<f64>) {
    let (reach_m, at) = (p.reach_m(kernel), p.point.at);
    let Some(columns) = reached(at.x_m - grid.west_m, reach_m, grid.cell_m, grid.columns) else {
        return;
    };
    let north_m = grid.north_m - first_row as f64 * grid.cell_m;
    let Some(rows) = reached(north_m - at.y_m, reach_m, grid.cell_m, sums.len() / grid.columns) else {
        return;
    };
    let weight = p.point.weight * kernel.peak_per_m2(p.bandwidth_m) * M2_PER_KM2;
    along.clear();
    along.extend(columns.clone().map(|column| square(grid.centre(0, column).x_m - at.x_m)));
    if kernel == Kernel::Gaussian {
        along.iter_mut().for_each(|d| *d = kernel.profile(*d, p.bandwidth_m));
    }
    for row in rows {
        let down = square(grid.centre(first_row + row, 0).y_m - at.y_m);
        let sums = sums[row * grid.columns..][columns.clone()].iter_mut().zip(along.iter());
        if kernel == Kernel::Gaussian {
            let weight = weight * kernel.profile(down, p.bandwidth_m);
            sums.for_each(|(sum, along)| *sum += weight * along);
        } else {
            sums.for_each(|(sum, along)| *sum += weight * kernel.profile(along + down, p.bandwidth_m));
        }
    }
}

/// Bound of the error: rounding, and for the Gaussian what is cut, for points whose kernels
/// together would peak at `peak_per_km2` if they stood on one place.
pub(in super::super) fn error_bound(kernel: Kernel, peak_per_km2: f64) -> ErrorBound {
    let cut = match kernel {
        Kernel::Gaussian => (-0.5 * REACH_BANDWIDTHS * REACH_BANDWIDTHS).exp() * peak_per_km2,
        _ => 0.0,
    };
    ErrorBound { relative: 2.0 * ROUNDING, absolute_per_km2: cut }
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::GroundPoint;

    const GRID: Grid = Grid { west_m: 100.0, north_m: 900.0, cell_m: 10.0, columns: 7, rows: 43 };

    /// Whoever reaches a cell of a block stands in a strip that the block looks at, whatever the
    /// height of blocks; who stands beyond all strips reaches no cell.
    #[test]
    fn blocks_look_at_every_strip_within_reach() {
        for (reach_m, height) in [(3.0, 1), (25.0, 3), (25.0, 1), (70.0, 16), (500.0, 50), (5000.0, 500)] {
            let rows = BlockRows::new(&GRID, reach_m, height);
            assert_eq!(rows.height, height.min(43).max((reach_m / 640.0).ceil() as usize));
            for tenth in -6000..7000 {
                let y_m = f64::from(tenth);
                let strip = rows.strip(y_m);
                for row in 0..GRID.rows {
                    if (GRID.centre(row, 0).y_m - y_m).abs() <= reach_m {
                        let strip = strip.unwrap_or_else(|| panic!("{y_m} reaches row {row}"));
                        assert!(rows.around(row / rows.height).contains(&strip), "{y_m} and row {row}");
                    }
                }
                assert!(strip.is_none_or(|strip| strip < rows.strips()));
            }
        }
    }

    /// Strips are few: a point far off has none, and blocks look at no more than they must.
    #[test]
    fn strips_are_as_high_as_blocks() {
        let rows = BlockRows::new(&GRID, 25.0, 4);
        // Eleven blocks of 40 m from 900 down to 470, and one strip to either side.
        assert_eq!((rows.strips(), rows.around(3)), (13, 3..6));
        let strips = [941.0, 940.0, 901.0, 900.0, 861.0, 421.0, 420.1, 419.9].map(|y_m| rows.strip(y_m));
        let expected = [None, Some(0), Some(0), Some(1), Some(1), Some(12), Some(12), None];
        assert_eq!(strips, expected);
        // Ten rows to a block, of which each looks at three to either side.
        let low = BlockRows::new(&GRID, 250.0, 10);
        assert_eq!((low.strips(), low.around(0)), (5 + 2 * 3, 0..7));
    }

    /// Cells of 10 m, their centres at 5, 15, … 65 m: those within reach, the rim included.
    #[test]
    fn cells_reached_are_those_whose_centres_are_near() {
        for tenth in -400..=1100 {
            for reach_m in [0.0, 4.0, 5.0, 12.0, 40.0, 300.0] {
                let offset_m = 0.1 * f64::from(tenth) + 0.037;
                let near: Vec<usize> =
                    (0..7).filter(|&k| (10.0 * k as f64 + 5.0 - offset_m).abs() <= reach_m).collect();
                let found = reached(offset_m, reach_m, 10.0, 7).map_or(vec![], Iterator::collect);
                assert_eq!(found, near, "{offset_m} {reach_m}");
            }
        }
        assert_eq!(reached(20.0, 5.0, 10.0, 7), Some(1..3), "centres on the rim");
    }

    /// Points of their own bandwidths on, beside and far from a grid, cell by cell.
    #[test]
    fn every_cell_holds_the_sum_of_the_kernels() {
        let point = |k: u32| Own {
            point: WeightedPoint::new(
                GroundPoint::new(60.0 + f64::from(k * 37 % 150), 380.0 + f64::from(k * 53 % 600)),
                0.5 + f64::from(k % 4),
            ),
            bandwidth_m: 3.0 + f64::from(k * 7 % 40),
        };
        let mut points: Vec<Own> = (0..60).map(point).collect();
        points.push(Own { point: WeightedPoint::new(GroundPoint::new(9e5, 0.0), 1.0), bandwidth_m: 9.0 });
        for kernel in Kernel::ALL {
            let mut values = vec![0.0; GRID.cells()];
            add(&points, &GRID, kernel, &mut values);
            let peak_per_km2: f64 =
                points.iter().map(|p| p.point.weight * kernel.peak_per_m2(p.bandwidth_m)).sum::<f64>() * 1e6;
            let bound = error_bound(kernel, peak_per_km2);
            for (cell, found) in values.into_iter().enumerate() {
                let centre = GRID.centre(cell / GRID.columns, cell % GRID.columns);
                let term = |p: &Own| {
                    let square_m2 = centre.distance_m(p.point.at).powi(2);
                    p.point.weight * kernel.density_per_m2(square_m2, p.bandwidth_m)
                };
                let expected: f64 = points.iter().map(term).sum::<f64>() * 1e6;
                let error = (f64::from(found) - expected).abs();
                assert!(error <= bound.relative * expected + bound.absolute_per_km2, "{kernel}: {error}");
            }
        }
    }

    /// Only the Gaussian is cut: by e^(−7.5²/2) of its peak.
    #[test]
    fn what_is_cut_is_told() {
        let cut = error_bound(Kernel::Gaussian, 200.0);
        assert!((cut.absolute_per_km2 / (200.0 * 6.101_936_677_605_324e-13) - 1.0).abs() < 1e-6, "{cut:?}");
        assert_eq!(cut.relative, 1.2e-7);
        assert_eq!(error_bound(Kernel::Quartic, 200.0).absolute_per_km2, 0.0);
    }
}
