//! Spreading points onto the coarse grid.

use rayon::prelude::*;

use super::super::WeightedPoint;
use super::ORDER;
use super::coarse::Axis;
use super::spline;
use super::strips::Strips;

/// Rows of a strip. A spline that begins in one strip ends in the next.
const STRIP: usize = 2 * ORDER;

/// Sums over the points of weight times spline, at the nodes of two axes, row by row.
/// Points whose spline is not wholly on the axes are left out.
///
/// Even strips first, all in parallel, then odd ones: strips of one parity never write the
/// same row, so every node adds its points in one order.
pub(in super::super) fn onto(x: &Axis, y: &Axis, points: &[WeightedPoint]) -> Vec<f64> {
    let mut sums = vec![0.0; x.nodes * y.nodes];
    let fits = |first: isize, axis: &Axis| first >= 0 && first as usize + ORDER <= axis.nodes;
    let strips = Strips::new(points, y.nodes.div_ceil(STRIP), |p: &WeightedPoint| {
        let (column, row) = (x.locate(p.at.x_m).0, y.locate(-p.at.y_m).0);
        (fits(column, x) && fits(row, y)).then_some(row as usize / STRIP)
    });
    for parity in [0, 1] {
        let from = (parity * STRIP * x.nodes).min(sums.len());
        sums[from..].par_chunks_mut(2 * STRIP * x.nodes).enumerate().for_each(|(pair, rows)| {
            let strip = 2 * pair + parity;
            for p in strips.of(strip) {
                let ((column, across), (row, down)) = (x.locate(p.at.x_m), y.locate(-p.at.y_m));
                let (wx, wy) = (spline::weights(across), spline::weights(down));
                let first = (row as usize - strip * STRIP) * x.nodes + column as usize;
                for (k, wy) in wy.into_iter().enumerate() {
                    let (sums, _) = rows[first + k * x.nodes..].split_at_mut(ORDER);
                    let weight = p.weight * wy;
                    sums.iter_mut().zip(&wx).for_each(|(sum, wx)| *sum += weight * wx);
                }
            }
        });
    }
    sums
}
