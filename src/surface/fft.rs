//! Two-dimensional transforms of real grids.

use std::sync::Arc;

use rayon::prelude::*;
use realfft::num_complex::Complex;
use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::{Fft, FftNum, FftPlanner};

/// Plans for one size. The transform of a grid of `rows` × `columns` is held turned:
/// `columns / 2 + 1` lines of `rows` numbers each, one line a wave number along the row.
pub(super) struct Plane<T> {
    pub columns: usize,
    pub rows: usize,
    row_forward: Arc<dyn RealToComplex<T>>,
    row_inverse: Arc<dyn ComplexToReal<T>>,
    column_forward: Arc<dyn Fft<T>>,
    column_inverse: Arc<dyn Fft<T>>,
}

impl<T: FftNum + Default + std::ops::MulAssign> Plane<T> {
    /// Plans for at least this many columns and rows; sizes grow to products of 2, 3 and 5.
    pub fn at_least(columns: usize, rows: usize) -> Self {
        let (columns, rows) = (smooth_even(columns), smooth_even(rows));
        let (mut real, mut complex) = (RealFftPlanner::new(), FftPlanner::new());
        Self {
            columns,
            rows,
            row_forward: real.plan_fft_forward(columns),
            row_inverse: real.plan_fft_inverse(columns),
            column_forward: complex.plan_fft_forward(rows),
            column_inverse: complex.plan_fft_inverse(rows),
        }
    }

    /// Wave numbers along a row.
    pub fn lines(&self) -> usize {
        self.columns / 2 + 1
    }

    /// Transform of a grid held row by row, which is let go as soon as it is not needed.
    pub fn forward(&self, grid: Vec<f64>) -> Vec<Complex<T>> {
        let lines = self.lines();
        let mut by_row = vec![Complex::<T>::default(); lines * self.rows];
        by_row.par_chunks_mut(lines).zip(grid.par_chunks(self.columns)).for_each_init(
            || (vec![T::zero(); self.columns], self.row_forward.make_scratch_vec()),
            |(line, scratch), (out, row)| {
                line.iter_mut().zip(row).for_each(|(to, from)| *to = T::from_f64(*from).unwrap_or_default());
                // Lengths are the plan's own: the transform cannot refuse them.
                let _ = self.row_forward.process_with_scratch(line, out, scratch);
            },
        );
        drop(grid);
        let mut turned = turned(&by_row, lines, self.rows);
        drop(by_row);
        turned.par_chunks_mut(self.rows).for_each_init(
            || vec![Complex::default(); self.column_forward.get_inplace_scratch_len()],
            |scratch, line| self.column_forward.process_with_scratch(line, scratch),
        );
        turned
    }

    /// Grid, row by row, of a transform; divided by the number of its cells, so that it
    /// undoes [`Plane::forward`].
    pub fn inverse(&self, mut transform: Vec<Complex<T>>) -> Vec<T> {
        let lines = self.lines();
        transform.par_chunks_mut(self.rows).for_each_init(
            || vec![Complex::default(); self.column_inverse.get_inplace_scratch_len()],
            |scratch, line| self.column_inverse.process_with_scratch(line, scratch),
        );
        let mut by_row = turned(&transform, self.rows, lines);
        drop(transform);
        let mut grid = vec![T::zero(); self.columns * self.rows];
        let scale = T::from_f64(1.0 / grid.len() as f64).unwrap_or_default();
        grid.par_chunks_mut(self.columns).zip(by_row.par_chunks_mut(lines)).for_each_init(
            || self.row_inverse.make_scratch_vec(),
            |scratch, (out, row)| {
                // Of a real grid these two are real; rounding must not say otherwise.
                row[0].im = T::zero();
                row[lines - 1].im = T::zero();
                let _ = self.row_inverse.process_with_scratch(row, out, scratch);
                out.iter_mut().for_each(|v| *v *= scale);
            },
        );
        grid
    }
}

/// The transpose of a matrix of `width` columns and `height` rows.
fn turned<T: FftNum + Default>(matrix: &[Complex<T>], width: usize, height: usize) -> Vec<Complex<T>> {
    /// Lines turned together, so that both sides stay in cache.
    const BLOCK: usize = 16;
    let mut out = vec![Complex::default(); matrix.len()];
    out.par_chunks_mut(BLOCK * height).enumerate().for_each(|(block, lines)| {
        for row in 0..height {
            let source = &matrix[row * width + block * BLOCK..(row + 1) * width];
            for (line, &value) in lines.chunks_mut(height).zip(source) {
                line[row] = value;
            }
        }
    });
    out
}

/// The smallest even product of 2, 3 and 5 that is at least `size`.
fn smooth_even(size: usize) -> usize {
    let is_smooth = |n: &usize| {
        let rest = [2, 3, 5].into_iter().fold(*n, |mut rest, prime| {
            while rest % prime == 0 {
                rest /= prime;
            }
            rest
        });
        rest == 1
    };
    (size.max(4).next_multiple_of(2)..).step_by(2).find(is_smooth).unwrap_or(size)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    #[test]
    fn one_wave_has_one_number_and_comes_back() {
        let plane = Plane::at_least(29, 17);
        assert_eq!((plane.columns, plane.rows), (30, 18));
        let wave = |row: usize, column: usize| {
            (2.0 * PI * (3.0 * column as f64 / 30.0 + 5.0 * row as f64 / 18.0)).cos()
        };
        let grid: Vec<f64> = (0..18 * 30).map(|k| wave(k / 30, k % 30)).collect();
        let transform = plane.forward(grid.clone());
        for (k, value) in transform.iter().enumerate() {
            let expected = if (k / 18, k % 18) == (3, 5) { 18.0 * 30.0 / 2.0 } else { 0.0 };
            assert!((value - expected).norm() < 1e-10, "line {} row {}: {value}", k / 18, k % 18);
        }
        let back = plane.inverse(transform);
        assert!(back.iter().zip(&grid).all(|(a, b)| (a - b).abs() < 1e-13));
    }
}
