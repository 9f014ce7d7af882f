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
        (fits(column, x) && fits(row, y)).then_some(row as usize / height * tiles + column as usize / width)
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
