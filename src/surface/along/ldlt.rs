//! Sparse LDLᵀ for complex symmetric matrices, without pivoting.
//!
//! One pattern serves every pole and every bandwidth: the elimination order (minimum
//! degree, Tinney & Walker 1967) and the fill are found once, numbers are filled in for
//! each pole. Road networks are nearly planar, so the fill is a few entries a junction.

use std::collections::BTreeSet;

use num_complex::Complex64;

const ZERO: Complex64 = Complex64::new(0.0, 0.0);

/// Elimination order and fill of a symmetric matrix. Rows are numbered by elimination.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Pattern {
    /// Position in the elimination order of each row of the matrix.
    pub order: Vec<u32>,
    /// Start of each column below the diagonal, and the end of the last.
    starts: Vec<usize>,
    /// Row of each entry, ascending within its column.
    rows: Vec<u32>,
    /// For each row: the entries to the left of its diagonal, as (column, entry).
    row_entries: Vec<Vec<(u32, u32)>>,
}

impl Pattern {
    /// The pattern of a matrix of `size` rows with the off-diagonal entries given, each
    /// once or more, in either triangle.
    pub fn new(size: usize, entries: impl Iterator<Item = (u32, u32)>) -> Self {
        let mut neighbours = vec![BTreeSet::new(); size];
        for (i, j) in entries.filter(|(i, j)| i != j) {
            neighbours[i as usize].insert(j);
            neighbours[j as usize].insert(i);
        }
        let mut order = vec![0; size];
        let columns = eliminate(neighbours, &mut order);
        let mut pattern =
            Self { order, starts: vec![0], rows: Vec::new(), row_entries: vec![Vec::new(); size] };
        for (column, below) in columns.into_iter().enumerate() {
            let mut below: Vec<u32> = below.into_iter().map(|row| pattern.order[row as usize]).collect();
            below.sort_unstable();
            for row in below {
                pattern.row_entries[row as usize].push((column as u32, pattern.rows.len() as u32));
                pattern.rows.push(row);
            }
            pattern.starts.push(pattern.rows.len());
        }
        pattern
    }

    /// Number of entries below the diagonal.
    pub fn entries(&self) -> usize {
        self.rows.len()
    }

    /// Rows with all that stand above them in the elimination tree, ascending: what a solve
    /// has to pass through for them (Gilbert & Peierls 1988).
    pub fn closure(&self, rows: impl Iterator<Item = usize>) -> Vec<u32> {
        let mut closed = std::collections::BTreeSet::new();
        for mut row in rows {
            while closed.insert(row as u32) {
                match self.rows.get(self.starts[row]) {
                    // The first row of a column is its parent.
                    Some(&parent) if self.starts[row] < self.starts[row + 1] => row = parent as usize,
                    _ => break,
                }
            }
        }
        closed.into_iter().collect()
    }

    fn column(&self, column: usize) -> std::ops::Range<usize> {
        self.starts[column]..self.starts[column + 1]
    }

    /// The entry that two different rows of the matrix share, if the pattern has one.
    pub fn entry(&self, i: u32, j: u32) -> Option<usize> {
        let (i, j) = (self.order[i as usize], self.order[j as usize]);
        let range = self.column(i.min(j) as usize);
        let found = self.rows[range.clone()].binary_search(&i.max(j)).ok()?;
        Some(range.start + found)
    }
}

/// Eliminates nodes of least degree first (ties: the lowest number) and returns, for each
/// step, the neighbours that the eliminated node still had.
fn eliminate(mut neighbours: Vec<BTreeSet<u32>>, order: &mut [u32]) -> Vec<BTreeSet<u32>> {
    let mut queue: BTreeSet<(usize, u32)> =
        neighbours.iter().enumerate().map(|(node, around)| (around.len(), node as u32)).collect();
    let mut columns = Vec::with_capacity(neighbours.len());
    while let Some((_, node)) = queue.pop_first() {
        order[node as usize] = columns.len() as u32;
        let around = std::mem::take(&mut neighbours[node as usize]);
        for &other in &around {
            let set = &mut neighbours[other as usize];
            let degree = set.len();
            set.remove(&node);
            set.extend(around.iter().copied().filter(|&third| third != other));
            if set.len() != degree {
                queue.remove(&(degree, other));
                queue.insert((set.len(), other));
            }
        }
        columns.push(around);
    }
    columns
}

/// A matrix on a [`Pattern`], in elimination order; [`Matrix::factor`] turns it into its
/// factors in place.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Matrix<'a> {
    pattern: &'a Pattern,
    pub diagonal: Vec<Complex64>,
    pub below: Vec<Complex64>,
}

/// The factors L (unit lower triangle) and D.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Factors<'a>(Matrix<'a>);

impl<'a> Matrix<'a> {
    /// The zero matrix.
    pub fn zero(pattern: &'a Pattern) -> Self {
        Self { pattern, diagonal: vec![ZERO; pattern.order.len()], below: vec![ZERO; pattern.entries()] }
    }

    /// Factors the matrix, column by column from the left.
    pub fn factor(mut self) -> Factors<'a> {
        let pattern = self.pattern;
        let mut work = vec![ZERO; self.diagonal.len()];
        for k in 0..self.diagonal.len() {
            let column = pattern.column(k);
            for entry in column.clone() {
                work[pattern.rows[entry] as usize] = self.below[entry];
            }
            let mut pivot = self.diagonal[k];
            for &(j, at) in &pattern.row_entries[k] {
                let scale = self.below[at as usize] * self.diagonal[j as usize];
                pivot -= self.below[at as usize] * scale;
                for entry in at as usize + 1..pattern.starts[j as usize + 1] {
                    work[pattern.rows[entry] as usize] -= self.below[entry] * scale;
                }
            }
            self.diagonal[k] = pivot;
            let inverse = pivot.inv();
            for entry in column {
                self.below[entry] = work[pattern.rows[entry] as usize] * inverse;
            }
        }
        Factors(self)
    }
}

impl<'a> Factors<'a> {
    /// Solves in place; the right side is in elimination order.
    pub fn solve(&self, x: &mut [Complex64]) {
        let Matrix { pattern, diagonal, below } = &self.0;
        for k in 0..x.len() {
            let value = x[k];
            if value != ZERO {
                for entry in pattern.column(k) {
                    x[pattern.rows[entry] as usize] -= below[entry] * value;
                }
            }
        }
        for k in (0..x.len()).rev() {
            let mut value = x[k] / diagonal[k];
            for entry in pattern.column(k) {
                value -= below[entry] * x[pattern.rows[entry] as usize];
            }
            x[k] = value;
        }
    }

    /// Solves for one unit at the row `start`, where only some rows of the solution are
    /// wanted: `rows` holds these, closed by [`Pattern::closure`], ascending. `x` is zero, and
    /// right in these rows afterwards.
    pub fn solve_unit(&self, start: usize, rows: &[u32], x: &mut [Complex64]) {
        let Matrix { pattern, diagonal, below } = &self.0;
        x[start] = Complex64::new(1.0, 0.0);
        for k in rows.iter().map(|&row| row as usize) {
            let value = x[k];
            if value != ZERO {
                for entry in pattern.column(k) {
                    x[pattern.rows[entry] as usize] -= below[entry] * value;
                }
            }
        }
        for k in rows.iter().rev().map(|&row| row as usize) {
            let mut value = x[k] / diagonal[k];
            for entry in pattern.column(k) {
                value -= below[entry] * x[pattern.rows[entry] as usize];
            }
            x[k] = value;
        }
    }

    /// The entries of the inverse on the pattern (Takahashi, Fagan & Chin 1973), in the
    /// same layout as the matrix.
    pub fn selected_inverse(&self) -> Matrix<'a> {
        let Matrix { pattern, diagonal, below } = &self.0;
        let mut inverse = Matrix::zero(pattern);
        for j in (0..diagonal.len()).rev() {
            let column = pattern.column(j);
            for k in column.clone() {
                let (row_k, factor) = (pattern.rows[k] as usize, below[k]);
                inverse.below[k] -= factor * inverse.diagonal[row_k];
                // Rows of column j below k are all rows of column row_k: walk both.
                let mut other = pattern.starts[row_k];
                for (i, &factor_i) in below.iter().enumerate().take(column.end).skip(k + 1) {
                    while pattern.rows[other] != pattern.rows[i] {
                        other += 1;
                    }
                    let z = inverse.below[other];
                    inverse.below[i] -= factor * z;
                    inverse.below[k] -= factor_i * z;
                }
            }
            let mut corner = diagonal[j].inv();
            for k in column {
                corner -= below[k] * inverse.below[k];
            }
            inverse.diagonal[j] = corner;
        }
        inverse
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A ladder with rungs and a tail: loops, fill, a leaf.
    fn ladder() -> (usize, Vec<(u32, u32)>) {
        let mut entries = vec![(0, 11), (11, 10)];
        for i in 0..5 {
            entries.push((i, i + 5));
            if i < 4 {
                entries.extend([(i, i + 1), (i + 5, i + 6)]);
            }
        }
        (12, entries)
    }

    /// Column `c` of A Z, where A is a weighted Laplacian plus a complex shift.
    #[test]
    fn solves_and_inverts_a_ladder() {
        let (size, entries) = ladder();
        let pattern = Pattern::new(size, entries.iter().copied());
        let weight = |i: u32, j: u32| Complex64::new(1.0 + f64::from(i.min(j)) * 0.1, 0.3);
        let shift = Complex64::new(0.2, 0.7);
        let mut matrix = Matrix::zero(&pattern);
        let mut dense = vec![vec![ZERO; size]; size];
        for (i, row) in dense.iter_mut().enumerate() {
            matrix.diagonal[pattern.order[i] as usize] += shift;
            row[i] += shift;
        }
        for &(i, j) in &entries {
            let w = weight(i, j);
            for node in [i, j] {
                matrix.diagonal[pattern.order[node as usize] as usize] += w;
                dense[node as usize][node as usize] += w;
            }
            matrix.below[pattern.entry(i, j).unwrap()] -= w;
            dense[i as usize][j as usize] -= w;
            dense[j as usize][i as usize] -= w;
        }
        let factors = matrix.factor();
        let inverse = factors.selected_inverse();
        for column in 0..size {
            let mut whole = vec![ZERO; size];
            whole[column] = Complex64::new(1.0, 0.0);
            factors.solve(&mut whole);
            let wanted = [column, (column + 5) % size];
            let rows = pattern.closure(wanted.into_iter());
            let mut part = vec![ZERO; size];
            factors.solve_unit(column, &rows, &mut part);
            for row in wanted {
                assert!((part[row] - whole[row]).norm() < 1e-14, "row {row} of column {column}");
            }
            let mut x = vec![ZERO; size];
            x[pattern.order[column] as usize] = Complex64::new(1.0, 0.0);
            factors.solve(&mut x);
            for row in 0..size {
                let product: Complex64 =
                    (0..size).map(|k| dense[row][k] * x[pattern.order[k] as usize]).sum();
                let expected = if row == column { 1.0 } else { 0.0 };
                assert!((product - expected).norm() < 1e-13, "row {row} column {column}");
                let z = x[pattern.order[row] as usize];
                if row == column {
                    assert!((inverse.diagonal[pattern.order[row] as usize] - z).norm() < 1e-13);
                } else if let Some(entry) = pattern.entry(row as u32, column as u32) {
                    assert!((inverse.below[entry] - z).norm() < 1e-13);
                }
            }
        }
    }

    #[test]
    fn a_tree_needs_no_fill() {
        let entries: Vec<(u32, u32)> = (1..63).map(|i| (i, (i - 1) / 2)).collect();
        assert_eq!(Pattern::new(63, entries.iter().copied()).entries(), 62);
    }
}
