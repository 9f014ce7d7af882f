//! Slope and aspect after Horn (1981), "Hill shading and the reflectance map", Proceedings of
//! the IEEE 69(1): the gradient from the eight neighbours, the nearer ones counted twice.

use rayon::prelude::*;

/// Slope in degrees of every cell of a field whose cells measure `cell_x_m` by `cell_y_m`
/// metres; NaN for a cell at the border or with a neighbour that has no height. Exact on a plane.
pub fn slope_deg(heights: &[f32], columns: usize, cell_x_m: f64, cell_y_m: f64) -> Vec<f32> {
    each_gradient(heights, columns, cell_x_m, cell_y_m, |east, south| east.hypot(south).atan().to_degrees())
}

/// Aspect of every cell: the true direction in which the ground falls, in degrees clockwise from
/// the north of the field, in 0..360; NaN as for [`slope_deg`] and where the ground is level.
pub fn aspect_deg(heights: &[f32], columns: usize, cell_x_m: f64, cell_y_m: f64) -> Vec<f32> {
    each_gradient(heights, columns, cell_x_m, cell_y_m, |east, south| {
        if east == 0.0 && south == 0.0 {
            f64::NAN
        } else {
            (-east).atan2(south).to_degrees().rem_euclid(360.0)
        }
    })
}

/// A number of the gradient (rise to the east and to the south, metres a metre) at every cell.
fn each_gradient(
    heights: &[f32],
    columns: usize,
    cell_x_m: f64,
    cell_y_m: f64,
    of: impl Fn(f64, f64) -> f64 + Sync,
) -> Vec<f32> {
    let mut out = vec![f32::NAN; heights.len()];
    let rows = heights.len() / columns.max(1);
    if rows < 3 || columns < 3 {
        return out;
    }
    let line = |row: usize| &heights[row * columns..(row + 1) * columns];
    out.par_chunks_mut(columns).enumerate().skip(1).take(rows - 2).for_each(|(row, out)| {
        let around = line(row - 1).windows(3).zip(line(row).windows(3)).zip(line(row + 1).windows(3));
        for (value, ((north, here), south)) in out[1..columns - 1].iter_mut().zip(around) {
            let side = |a: f32, b: f32, c: f32| f64::from(a) + 2.0 * f64::from(b) + f64::from(c);
            let rise_east = side(north[2], here[2], south[2]) - side(north[0], here[0], south[0]);
            let rise_south = side(south[0], south[1], south[2]) - side(north[0], north[1], north[2]);
            let known = !here[1].is_nan();
            let number = of(rise_east / (8.0 * cell_x_m), rise_south / (8.0 * cell_y_m));
            *value = if known { number as f32 } else { f32::NAN };
        }
    });
    out
}
