//! The uniform kernel, exactly: every point adds a chord to every row it reaches.

use rayon::prelude::*;

use super::super::{Grid, Kernel, M2_PER_KM2, WeightedPoint};
use super::strips::Strips;
use super::window::{BlockRows, reached};

/// Adds every point's disc, in sign per km². Exact but for rounding.
///
/// A chord is two changes of a running sum along its row, so the cost is two additions a
/// point and row, whatever the width of the disc, and one pass over the cells.
pub(super) fn add(points: &[WeightedPoint], grid: &Grid, bandwidth_m: f64, values: &mut [f32]) {
    let Some(radius_m) = Kernel::Uniform.radius_m(bandwidth_m) else { return };
    let rows = BlockRows::new(grid, radius_m);
    let strips = Strips::new(points, rows.strips(), |p: &WeightedPoint| rows.strip(p.at.y_m));
    let scale = Kernel::Uniform.peak_per_m2(bandwidth_m) * M2_PER_KM2;
    let wide = grid.columns + 1;
    values.par_chunks_mut(rows.height * grid.columns).enumerate().for_each(|(block, out)| {
        let mut changes = vec![0.0_f64; out.len() / grid.columns * wide];
        for p in rows.around(block).flat_map(|strip| strips.of(strip)) {
            let offset_m = p.at.x_m - grid.west_m;
            for (k, changes) in changes.chunks_mut(wide).enumerate() {
                let down_m = grid.centre(block * rows.height + k, 0).y_m - p.at.y_m;
                let square_m2 = radius_m * radius_m - down_m * down_m;
                if square_m2 < 0.0 {
                    continue;
                }
                if let Some(chord) = reached(offset_m, square_m2.sqrt(), grid.cell_m, grid.columns) {
                    changes[chord.start] += p.weight;
                    changes[chord.end] -= p.weight;
                }
            }
        }
        for (out, changes) in out.chunks_mut(grid.columns).zip(changes.chunks(wide)) {
            let mut sum = 0.0;
            for (value, change) in out.iter_mut().zip(changes) {
                sum += change;
                // Where all chords have ended, only rounding is left.
                *value = (scale * sum).max(0.0) as f32;
            }
        }
    });
}
