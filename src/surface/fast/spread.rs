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
    let first_node = |axis: &Axis, position_m: f64| {
        let (first, fraction) = axis.locate(position_m);
        (first >= 0 && first as usize + ORDER <= axis.nodes).then_some((first as usize, fraction))
    };
    let strips = Strips::new(points, y.nodes.div_ceil(STRIP), |p: &WeightedPoint| {
        first_node(x, p.at.x_m)?;
        first_node(y, -p.at.y_m).map(|(row, _)| row / STRIP)
    });
    for parity in [0, 1] {
        let from = (parity * STRIP * x.nodes).min(sums.len());
        sums[from..].par_chunks_mut(2 * STRIP * x.nodes).enumerate().for_each(|(pair, rows)| {
            let strip = 2 * pair + parity;
            for p in strips.of(strip) {
                let (Some((column, across)), Some((row, down))) =
                    (first_node(x, p.at.x_m), first_node(y, -p.at.y_m))
                else {
                    continue;
                };
                let (wx, wy) = (spline::weights::<ORDER>(across), spline::weights::<ORDER>(down));
                for (k, wy) in wy.iter().enumerate() {
                    let at = (row - strip * STRIP + k) * x.nodes + column;
                    let weight = p.weight * wy;
                    rows[at..at + ORDER].iter_mut().zip(&wx).for_each(|(sum, wx)| *sum += weight * wx);
                }
            }
        });
    }
    sums
}
