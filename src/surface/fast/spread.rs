//! Spreading points onto the coarse grid.

use std::marker::PhantomData;

use pulp::{Arch, NullaryFnOnce};
use rayon::prelude::*;

use super::super::WeightedPoint;
use super::axis::Axis;
use super::spline::Spline;
use super::strips::Strips;

/// Least columns of a tile, and most tiles beside and most strips above each other: few
/// enough that points sort quickly, so many that what a tile writes stays in cache.
const TILE: usize = 256;
const MOST_BESIDE: usize = 8;
const MOST_ABOVE: usize = 128;
/// Points sorted into strips at once: what they are copied to is used again by the next
/// batch, while it is in cache.
const BATCH: usize = 1 << 17;
/// Points whose nodes and weights are found before any of them is added.
const AHEAD: usize = 64;

/// Sums over the points of weight times spline, at the nodes of two axes, row by row.
/// Points whose spline is not wholly on the axes are left out.
///
/// Even strips first, all in parallel, then odd ones: a strip is as high as the spline, so
/// strips of one parity never write the same row, and every node adds its points in one
/// order. Cost: M² multiply-adds a point.
pub(in super::super) fn onto<S: Spline<M>, const M: usize>(
    x: &Axis,
    y: &Axis,
    points: &[WeightedPoint],
) -> Vec<f64> {
    let arch = Arch::new();
    let mut sums = vec![0.0; x.nodes * y.nodes];
    let height = M.max(y.nodes.div_ceil(MOST_ABOVE));
    let width = TILE.max(x.nodes.div_ceil(MOST_BESIDE));
    let tiles = x.nodes.div_ceil(width);
    let fits = |first: isize, axis: &Axis| first >= 0 && first as usize + M <= axis.nodes;
    let strip_of = |p: &WeightedPoint| {
        let (column, row) = (x.locate::<M>(p.at.x_m).0, y.locate::<M>(-p.at.y_m).0);
        // Off the axes a first node may be negative: it must not come into the product.
        let strip = || row as usize / height * tiles + column as usize / width;
        (fits(column, x) && fits(row, y)).then(strip)
    };
    for batch in points.chunks(BATCH) {
        let strips = Strips::new(batch, y.nodes.div_ceil(height) * tiles, strip_of);
        for parity in [0, 1] {
            let from = (parity * height * x.nodes).min(sums.len());
            sums[from..].par_chunks_mut(2 * height * x.nodes).enumerate().for_each(|(pair, rows)| {
                let strip = 2 * pair + parity;
                for points in strips.of(strip * tiles..(strip + 1) * tiles) {
                    arch.dispatch(Add::<S, M> {
                        points,
                        axes: (x, y),
                        first_row: strip * height,
                        rows,
                        spline: PhantomData,
                    });
                }
            });
        }
    }
    sums
}

/// Adds points to rows of nodes, the first of which is `first_row` of the axis. Their splines
/// lie wholly on these rows. A struct, since a closure is not sure to be compiled with the
/// features of the processor.
struct Add<'a, S, const M: usize> {
    points: &'a [WeightedPoint],
    axes: (&'a Axis, &'a Axis),
    first_row: usize,
    rows: &'a mut [f64],
    spline: PhantomData<S>,
}

impl<S: Spline<M>, const M: usize> NullaryFnOnce for Add<'_, S, M> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let Self { points, axes: (x, y), first_row, rows, .. } = self;
        let mut firsts = [0; AHEAD];
        let (mut across, mut down) = ([[0.0; M]; AHEAD], [[0.0; M]; AHEAD]);
        for points in points.chunks(AHEAD) {
            for (k, p) in points.iter().enumerate() {
                let ((column, right), (row, below)) = (x.locate::<M>(p.at.x_m), y.locate::<M>(-p.at.y_m));
                firsts[k] = (row as usize - first_row) * x.nodes + column as usize;
                across[k] = S::weights(right);
                down[k] = S::weights(below).map(|w| w * p.weight);
            }
            for ((&first, across), down) in firsts.iter().zip(&across).zip(&down).take(points.len()) {
                for (down, row) in down.iter().zip(rows[first..].chunks_mut(x.nodes)) {
                    let Some(sums) = row.first_chunk_mut::<M>() else { break };
                    // By value, so that all are added side by side.
                    let mut added = *sums;
                    for k in 0..M {
                        added[k] += down * across[k];
                    }
                    *sums = added;
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::super::spline::{Eighth, Fourth};
    use super::*;
    use crate::frame::GroundPoint;

    fn check<S: Spline<M>, const M: usize>(columns: usize, rows: usize) {
        let (x, y) = (Axis::new(300.0, 5.0, columns), Axis::new(-2000.0, 5.0, rows));
        let point = |k: u32| {
            // Some lie off the axes, north of the first row among them.
            let share = |by: f64| (f64::from(k) * by).fract() * 1.2 - 0.1;
            let at = GroundPoint::new(
                300.0 + share(std::f64::consts::SQRT_2) * 5.0 * columns as f64,
                2000.0 - share(std::f64::consts::PI) * 5.0 * rows as f64,
            );
            WeightedPoint::new(at, 0.25 + f64::from(k % 5))
        };
        let points: Vec<WeightedPoint> = (0..700).map(point).collect();
        let mut expected = vec![0.0; columns * rows];
        for p in &points {
            let (right, down) = ((p.at.x_m - 300.0) / 5.0, (2000.0 - p.at.y_m) / 5.0);
            let first = |steps: f64| steps.floor() as isize - (M as isize / 2 - 1);
            let (column, row) = (first(right), first(down));
            let on = |first: isize, nodes: usize| first >= 0 && first as usize + M <= nodes;
            if on(column, columns) && on(row, rows) {
                let (across, along) = (S::weights(right - right.floor()), S::weights(down - down.floor()));
                for (j, down) in along.into_iter().enumerate() {
                    for (k, across) in across.into_iter().enumerate() {
                        expected[(row as usize + j) * columns + column as usize + k] +=
                            p.weight * down * across;
                    }
                }
            }
        }
        assert!(expected.iter().filter(|v| **v > 0.0).count() > columns * rows / 20);
        for (found, expected) in onto::<S, M>(&x, &y, &points).into_iter().zip(expected) {
            assert!((found - expected).abs() <= 1e-9, "{found} {expected}");
        }
    }

    /// Node by node against the splines of all points; so many columns that they take tiles, so many
    /// rows that strips are higher than the spline.
    #[test]
    fn nodes_hold_weight_times_spline() {
        check::<Fourth, 4>(40, 30);
        check::<Eighth, 8>(41, 33);
        check::<Fourth, 4>(700, 20);
        check::<Eighth, 8>(12, 1500);
        check::<Eighth, 8>(3000, 9);
    }
}
