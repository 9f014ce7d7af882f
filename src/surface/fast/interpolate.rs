//! From the coarse grid to the cells.

use rayon::prelude::*;

use super::super::Grid;
use super::ORDER;
use super::coarse::Axis;
use super::spline;

/// Rows of cells worked on together; they are the lanes of the innermost loop.
const LANES: usize = 8;

/// First node and spline weights of a cell centre.
struct Cell<T> {
    first: usize,
    weights: [T; ORDER],
}

/// Interpolates every cell centre from the nodes of two axes, down and then across.
pub(super) fn to_cells((x, y): (&Axis, &Axis), nodes: &[f64], grid: &Grid, values: &mut [f32]) {
    let centre = grid.centre(0, 0);
    let across: Vec<Cell<f32>> = cells(x, centre.x_m, grid.cell_m, grid.columns)
        .into_iter()
        .map(|c| Cell { first: c.first, weights: c.weights.map(|w| w as f32) })
        .collect();
    let down = cells(y, -centre.y_m, grid.cell_m, grid.rows);
    let wide = x.nodes;
    values.par_chunks_mut(LANES * grid.columns).enumerate().for_each_init(
        || (vec![[0.0_f32; LANES]; wide], vec![0.0_f64; wide]),
        |(lanes, line), (block, out)| {
            let rows = &down[block * LANES..(block * LANES + LANES).min(grid.rows)];
            for (lane, row) in rows.iter().enumerate() {
                line.fill(0.0);
                for (k, weight) in row.weights.iter().enumerate() {
                    let source = &nodes[(row.first + k) * wide..][..wide];
                    line.iter_mut().zip(source).for_each(|(sum, value)| *sum += weight * value);
                }
                lanes.iter_mut().zip(line.iter()).for_each(|(lanes, value)| lanes[lane] = *value as f32);
            }
            let mut out: Vec<&mut [f32]> = out.chunks_mut(grid.columns).collect();
            for (column, cell) in across.iter().enumerate() {
                let mut sums = [0.0_f32; LANES];
                for (weight, source) in cell.weights.iter().zip(&lanes[cell.first..cell.first + ORDER]) {
                    for lane in 0..LANES {
                        sums[lane] += weight * source[lane];
                    }
                }
                for (row, sum) in out.iter_mut().zip(sums) {
                    // Nodes of a compact kernel ring around zero.
                    row[column] = sum.max(0.0);
                }
            }
        },
    );
}

fn cells(axis: &Axis, first_centre_m: f64, cell_m: f64, count: usize) -> Vec<Cell<f64>> {
    (0..count)
        .map(|k| {
            let (first, fraction) = axis.locate(first_centre_m + k as f64 * cell_m);
            // The axis begins ORDER/2 steps before the first centre: rounding cannot make
            // `first` negative, nor its last node fall off the axis.
            Cell { first: first.max(0) as usize, weights: spline::weights(fraction) }
        })
        .collect()
}
