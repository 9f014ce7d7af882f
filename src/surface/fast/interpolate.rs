//! From the coarse grid to the cells.

use pulp::Arch;
use rayon::prelude::*;

use super::super::Grid;
use super::ORDER;
use super::axis::Axis;
use super::spline;

/// Rows of nodes interpolated across together; they are the lanes of the innermost loop.
const LANES: usize = 8;
/// Rows of cells worked on by one task.
const ROWS: usize = 16;
/// Cells of a row done at once: their lines stay in the innermost cache from row to row.
const COLUMNS: usize = 512;

/// First node and spline weights of a cell centre.
struct Cell {
    first: usize,
    weights: [f64; ORDER],
}

/// Interpolates every cell centre from the nodes of two axes, across and then down.
///
/// Across there are only the rows of nodes to do; down, a row of cells is a sum of eight
/// lines with one weight each. Cost: eight multiply-adds a cell. Memory: four bytes for
/// every row of nodes and column of cells.
pub(super) fn to_cells((x, y): (&Axis, &Axis), nodes: &[f64], grid: &Grid, values: &mut [f32]) {
    let centre = grid.centre(0, 0);
    let across = cells(x, centre.x_m, grid.cell_m, grid.columns);
    let down = cells(y, -centre.y_m, grid.cell_m, grid.rows);
    let arch = Arch::new();
    let mut lines = vec![0.0_f32; y.nodes * grid.columns];
    lines
        .par_chunks_mut(LANES * grid.columns)
        .zip(nodes.par_chunks(LANES * x.nodes))
        .for_each(|(lines, nodes)| arch.dispatch(|| interpolate_across(nodes, x.nodes, &across, lines)));
    let lines: Vec<&[f32]> = lines.chunks(grid.columns).collect();
    values
        .par_chunks_mut(ROWS * grid.columns)
        .zip(down.par_chunks(ROWS))
        .for_each(|(values, down)| arch.dispatch(|| interpolate_down(&lines, down, values)));
}

/// Lines of cells from up to eight rows of `wide` nodes.
#[inline(always)]
fn interpolate_across(nodes: &[f64], wide: usize, across: &[Cell], lines: &mut [f32]) {
    let mut lanes = vec![[0.0; LANES]; wide];
    for (lane, row) in nodes.chunks(wide).enumerate() {
        lanes.iter_mut().zip(row).for_each(|(lanes, value)| lanes[lane] = *value);
    }
    let mut lines: Vec<&mut [f32]> = lines.chunks_mut(across.len()).collect();
    for (column, cell) in across.iter().enumerate() {
        let mut sums = [0.0; LANES];
        for (weight, lanes) in cell.weights.iter().zip(&lanes[cell.first..][..ORDER]) {
            for lane in 0..LANES {
                sums[lane] += weight * lanes[lane];
            }
        }
        lines.iter_mut().zip(sums).for_each(|(line, sum)| line[column] = sum as f32);
    }
}

/// Rows of cells, each from eight of the lines.
#[inline(always)]
fn interpolate_down(lines: &[&[f32]], down: &[Cell], values: &mut [f32]) {
    let wide = values.len() / down.len();
    for from in (0..wide).step_by(COLUMNS) {
        let to = (from + COLUMNS).min(wide);
        for (row, values) in down.iter().zip(values.chunks_mut(wide)) {
            let line = |k: usize| &lines[row.first + k][from..to];
            weighted_sum(std::array::from_fn(line), row.weights.map(|w| w as f32), &mut values[from..to]);
        }
    }
}

#[inline(always)]
fn weighted_sum(lines: [&[f32]; ORDER], w: [f32; ORDER], values: &mut [f32]) {
    let wide = values.len();
    let [a, b, c, d, e, f, g, h] = lines.map(|line| &line[..wide]);
    for k in 0..wide {
        let sum = (w[0] * a[k] + w[1] * b[k] + (w[2] * c[k] + w[3] * d[k]))
            + (w[4] * e[k] + w[5] * f[k] + (w[6] * g[k] + w[7] * h[k]));
        // Nodes of a compact kernel ring around zero.
        values[k] = sum.max(0.0);
    }
}

fn cells(axis: &Axis, first_centre_m: f64, cell_m: f64, count: usize) -> Vec<Cell> {
    (0..count)
        .map(|k| {
            let (first, fraction) = axis.locate(first_centre_m + k as f64 * cell_m);
            // The axis begins ORDER/2 steps before the first centre: rounding cannot make
            // `first` negative, nor its last node fall off the axis.
            Cell { first: first.max(0) as usize, weights: spline::weights(fraction) }
        })
        .collect()
}
