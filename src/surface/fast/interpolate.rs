//! From the coarse grid to the cells.

use pulp::{Arch, NullaryFnOnce};
use rayon::prelude::*;

use super::super::Grid;
use super::axis::Axis;
use super::spline::Spline;

/// Rows of nodes interpolated across together; they are the lanes of the innermost loop.
const LANES: usize = 8;
/// Rows of cells worked on by one task.
const ROWS: usize = 16;
/// Cells of a row done at once: their lines stay in the innermost cache from row to row.
const COLUMNS: usize = 512;

/// First node and spline weights of a cell centre.
struct Cell<const M: usize> {
    first: usize,
    weights: [f64; M],
}

/// Interpolates every cell centre from the nodes of two axes, across and then down.
///
/// Across there are only the rows of nodes to do; down, a row of cells is a sum of M lines
/// with one weight each. Cost: M multiply-adds a cell. Memory: four bytes for every row of
/// nodes and column of cells.
pub(super) fn to_cells<S: Spline<M>, const M: usize>(
    (x, y): (&Axis, &Axis),
    nodes: &[impl Copy + Into<f64> + Sync],
    grid: &Grid,
    values: &mut [f32],
) {
    let centre = grid.centre(0, 0);
    let across = cells::<S, M>(x, centre.x_m, grid.cell_m, grid.columns);
    let down = cells::<S, M>(y, -centre.y_m, grid.cell_m, grid.rows);
    let arch = Arch::new();
    let mut lines = vec![0.0_f32; y.nodes * grid.columns];
    lines
        .par_chunks_mut(LANES * grid.columns)
        .zip(nodes.par_chunks(LANES * x.nodes))
        .for_each(|(lines, nodes)| arch.dispatch(Across { nodes, wide: x.nodes, across: &across, lines }));
    let lines: Vec<&[f32]> = lines.chunks(grid.columns).collect();
    values
        .par_chunks_mut(ROWS * grid.columns)
        .zip(down.par_chunks(ROWS))
        .for_each(|(values, down)| arch.dispatch(Down { lines: &lines, down, values }));
}

/// Lines of cells from up to eight rows of `wide` nodes.
struct Across<'a, N, const M: usize> {
    nodes: &'a [N],
    wide: usize,
    across: &'a [Cell<M>],
    lines: &'a mut [f32],
}

impl<N: Copy + Into<f64>, const M: usize> NullaryFnOnce for Across<'_, N, M> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let mut lanes = vec![[0.0; LANES]; self.wide];
        for (lane, row) in self.nodes.chunks(self.wide).enumerate() {
            lanes.iter_mut().zip(row).for_each(|(lanes, value)| lanes[lane] = (*value).into());
        }
        let mut lines: Vec<&mut [f32]> = self.lines.chunks_mut(self.across.len()).collect();
        for (column, cell) in self.across.iter().enumerate() {
            let mut sums = [0.0; LANES];
            for (weight, lanes) in cell.weights.iter().zip(&lanes[cell.first..][..M]) {
                for lane in 0..LANES {
                    sums[lane] += weight * lanes[lane];
                }
            }
            lines.iter_mut().zip(sums).for_each(|(line, sum)| line[column] = sum as f32);
        }
    }
}

/// Rows of cells, each from M of the lines.
struct Down<'a, const M: usize> {
    lines: &'a [&'a [f32]],
    down: &'a [Cell<M>],
    values: &'a mut [f32],
}

impl<const M: usize> NullaryFnOnce for Down<'_, M> {
    type Output = ();

    #[inline(always)]
    fn call(self) {
        let wide = self.values.len() / self.down.len();
        for from in (0..wide).step_by(COLUMNS) {
            let to = (from + COLUMNS).min(wide);
            for (row, values) in self.down.iter().zip(self.values.chunks_mut(wide)) {
                let line = |k: usize| &self.lines[row.first + k][from..to];
                weighted_sum(
                    std::array::from_fn::<_, M, _>(line),
                    row.weights.map(|w| w as f32),
                    &mut values[from..to],
                );
            }
        }
    }
}

#[inline(always)]
fn weighted_sum<const M: usize>(lines: [&[f32]; M], w: [f32; M], values: &mut [f32]) {
    let wide = values.len();
    let lines = lines.map(|line| &line[..wide]);
    for k in 0..wide {
        let mut sum = w[0] * lines[0][k];
        for m in 1..M {
            sum += w[m] * lines[m][k];
        }
        // Nodes of a compact kernel ring around zero.
        values[k] = sum.max(0.0);
    }
}

fn cells<S: Spline<M>, const M: usize>(
    axis: &Axis,
    first_centre_m: f64,
    cell_m: f64,
    count: usize,
) -> Vec<Cell<M>> {
    (0..count)
        .map(|k| {
            let (first, fraction) = axis.locate::<M>(first_centre_m + k as f64 * cell_m);
            // The axis begins half a spline before the first centre: rounding cannot make
            // `first` negative, nor its last node fall off the axis.
            Cell { first: first.max(0) as usize, weights: S::weights(fraction) }
        })
        .collect()
}
