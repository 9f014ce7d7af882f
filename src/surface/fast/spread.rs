//! Spreading points onto the coarse grid.

use pulp::Arch;
use rayon::prelude::*;

use super::super::WeightedPoint;
use super::ORDER;
use super::axis::Axis;
use super::spline;
use super::strips::Strips;

/// Rows of a strip. A spline that begins in one strip ends in the next, and the rows of
/// both stay in the innermost cache.
const STRIP: usize = ORDER;
/// Points sorted into strips at once: what they are copied to is used again by the next
/// batch, while it is in cache.
const BATCH: usize = 1 << 17;
/// Points whose nodes and weights are found before any of them is added.
const AHEAD: usize = 64;

/// Sums over the points of weight times spline, at the nodes of two axes, row by row.
/// Points whose spline is not wholly on the axes are left out.
///
/// Even strips first, all in parallel, then odd ones: strips of one parity never write the
/// same row, so every node adds its points in one order. Cost: 64 multiply-adds a point.
pub(in super::super) fn onto(x: &Axis, y: &Axis, points: &[WeightedPoint]) -> Vec<f64> {
    let arch = Arch::new();
    let mut sums = vec![0.0; x.nodes * y.nodes];
    let fits = |first: isize, axis: &Axis| first >= 0 && first as usize + ORDER <= axis.nodes;
    let strip_of = |p: &WeightedPoint| {
        let (column, row) = (x.locate(p.at.x_m).0, y.locate(-p.at.y_m).0);
        (fits(column, x) && fits(row, y)).then_some(row as usize / STRIP)
    };
    for batch in points.chunks(BATCH) {
        let strips = Strips::new(batch, y.nodes.div_ceil(STRIP), strip_of);
        for parity in [0, 1] {
            let from = (parity * STRIP * x.nodes).min(sums.len());
            sums[from..].par_chunks_mut(2 * STRIP * x.nodes).enumerate().for_each(|(pair, rows)| {
                let strip = 2 * pair + parity;
                for run in strips.of(strip) {
                    arch.dispatch(|| add(run, x, y, strip * STRIP, rows));
                }
            });
        }
    }
    sums
}

/// Adds points to rows of nodes, the first of which is `first_row` of the axis. Their splines
/// lie wholly on these rows.
#[inline(always)]
fn add(points: &[WeightedPoint], x: &Axis, y: &Axis, first_row: usize, rows: &mut [f64]) {
    let mut firsts = [0; AHEAD];
    let (mut across, mut down) = ([[0.0; ORDER]; AHEAD], [[0.0; ORDER]; AHEAD]);
    for points in points.chunks(AHEAD) {
        for (k, p) in points.iter().enumerate() {
            let ((column, right), (row, below)) = (x.locate(p.at.x_m), y.locate(-p.at.y_m));
            firsts[k] = (row as usize - first_row) * x.nodes + column as usize;
            across[k] = spline::weights(right);
            down[k] = spline::weights(below).map(|w| w * p.weight);
        }
        for ((&first, across), down) in firsts.iter().zip(&across).zip(&down).take(points.len()) {
            for (down, row) in down.iter().zip(rows[first..].chunks_mut(x.nodes)) {
                let Some(sums) = row.first_chunk_mut::<ORDER>() else { break };
                // By value, so that all eight are added side by side.
                let mut added = *sums;
                for k in 0..ORDER {
                    added[k] += down * across[k];
                }
                *sums = added;
            }
        }
    }
}
