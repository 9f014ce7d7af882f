//! The uniform kernel, exactly: every point adds a chord to every row it reaches.

use pulp::{Arch, NullaryFnOnce};
use rayon::prelude::*;

use super::super::{ErrorBound, Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::strips::Strips;
use super::window::{self, BlockRows};

/// Rows of a block: so few that their running sums stay in cache.
const HEIGHT: usize = 16;
/// Parts of a strip by which points are sorted from west to east.
const TILES: usize = 64;

/// Adds every point's disc, in sign per km². Exact but for rounding.
///
/// A chord is two changes of a running sum along its row, so the cost is two additions a
/// point and row, whatever the width of the disc, and one pass over the cells.
pub(super) fn add(points: &[WeightedPoint], grid: &Grid, bandwidth_m: f64, values: &mut [f32]) {
    let Some(radius_m) = Kernel::Uniform.radius_m(bandwidth_m) else { return };
    let rows = BlockRows::new(grid, radius_m, HEIGHT);
    // Points of a strip from west to east, so that what they change is still in cache.
    let (first_m, tile_m) =
        (grid.west_m - radius_m, (grid.cell_m * grid.columns as f64 + 2.0 * radius_m) / TILES as f64);
    let tile = |p: &WeightedPoint| (((p.at.x_m - first_m) / tile_m).max(0.0) as usize).min(TILES - 1);
    let strips = Strips::new(points, rows.strips() * TILES, |p: &WeightedPoint| {
        rows.strip(p.at.y_m).map(|strip| strip * TILES + tile(p))
    });
    let scale = Kernel::Uniform.peak_per_m2(bandwidth_m) * M2_PER_KM2;
    let arch = Arch::new();
    values.par_chunks_mut(rows.height * grid.columns).enumerate().for_each(|(block, out)| {
        let mut changes = Changes::new(grid, block * rows.height, out.len() / grid.columns);
        for points in rows.around(block).flat_map(|strip| strips.of(strip * TILES..(strip + 1) * TILES)) {
            arch.dispatch(Add { points, radius_m, changes: &mut changes });
        }
        changes.summed(scale, out);
    });
}

/// Bound of the error: rounding, and what a running sum along a row keeps of it.
pub(super) fn error_bound(points: usize, peak_per_km2: f64) -> ErrorBound {
    ErrorBound {
        absolute_per_km2: points as f64 * f64::EPSILON * peak_per_km2,
        ..window::error_bound(Kernel::Uniform, peak_per_km2)
    }
}

/// Changes of the running sums along some rows of cells.
struct Changes {
    /// Northings of the rows' centres.
    centres_m: Vec<f64>,
    west_m: f64,
    cells_a_metre: f64,
    columns: usize,
    /// By row; one more than there are columns.
    changes: Vec<f64>,
}

impl Changes {
    fn new(grid: &Grid, first_row: usize, rows: usize) -> Self {
        Self {
            centres_m: (first_row..first_row + rows).map(|row| grid.centre(row, 0).y_m).collect(),
            west_m: grid.west_m,
            cells_a_metre: 1.0 / grid.cell_m,
            columns: grid.columns,
            changes: vec![0.0; rows * (grid.columns + 1)],
        }
    }

    fn summed(&self, scale: f64, values: &mut [f32]) {
        let wide = self.columns + 1;
        for (values, changes) in values.chunks_mut(self.columns).zip(self.changes.chunks(wide)) {
            let mut sum = 0.0;
            for (value, change) in values.iter_mut().zip(changes) {
                sum += change;
                // Where all chords have ended, only rounding is left.
                *value = (scale * sum).max(0.0) as f32;
            }
        }
    }
}

/// Adds the chords of some points. A struct, since a closure is not sure to be compiled with
/// the features of the processor.
struct Add<'a> {
    points: &'a [WeightedPoint],
    radius_m: f64,
    changes: &'a mut Changes,
}

impl NullaryFnOnce for Add<'_> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { points, radius_m, changes } = self;
        let mut chords = vec![(0_u32, 0_u32); changes.centres_m.len()];
        let wide = changes.columns + 1;
        for p in points {
            // Centres lie half a cell from their western edge.
            let middle = (p.at.x_m - changes.west_m) * changes.cells_a_metre - 0.5;
            for (chord, centre_m) in chords.iter_mut().zip(&changes.centres_m) {
                let down_m = centre_m - p.at.y_m;
                // A row out of reach has no root: its chord is from NaN to NaN, that is none.
                let half = (radius_m * radius_m - down_m * down_m).sqrt() * changes.cells_a_metre;
                *chord = ((middle - half).ceil() as u32, (middle + half + 1.0).floor() as u32);
            }
            for (sums, &(from, to)) in changes.changes.chunks_mut(wide).zip(&chords) {
                let to = (to as usize).min(changes.columns);
                if (from as usize) < to {
                    sums[from as usize] += p.weight;
                    sums[to] -= p.weight;
                }
            }
        }
    }
}
