//! A field of heights, and the eight ways out of a cell.

/// The steps to the eight neighbours as (row, column), from east clockwise; row 0 is the
/// northernmost.
pub(super) const STEPS: [(isize, isize); 8] =
    [(0, 1), (1, 1), (1, 0), (1, -1), (0, -1), (-1, -1), (-1, 0), (-1, 1)];

/// A rectangle of numbers, row by row from the north-west; NaN where there is none.
#[derive(Clone, Copy, Debug)]
pub(super) struct Field<'a> {
    pub(super) columns: usize,
    pub(super) values: &'a [f32],
}

impl Field<'_> {
    pub(super) fn rows(&self) -> usize {
        self.values.len() / self.columns.max(1)
    }

    /// The neighbour of a cell by the number of its step; nothing beyond the rectangle.
    pub(super) fn neighbour(&self, cell: usize, step: usize) -> Option<usize> {
        let (rows, columns) = (self.rows() as isize, self.columns as isize);
        let (down, right) = STEPS[step];
        let (row, column) = (cell as isize / columns + down, cell as isize % columns + right);
        let inside = (0..rows).contains(&row) && (0..columns).contains(&column);
        inside.then_some((row * columns + column) as usize)
    }

    /// The neighbours of a cell with the numbers of their steps.
    pub(super) fn neighbours(&self, cell: usize) -> impl Iterator<Item = (usize, usize)> + use<'_> {
        (0..8).filter_map(move |step| self.neighbour(cell, step).map(|other| (step, other)))
    }

    /// Whether a cell lies inside the outermost rows and columns.
    pub(super) fn is_inner(&self, cell: usize) -> bool {
        let (row, column) = (cell / self.columns, cell % self.columns);
        row > 0 && row + 1 < self.rows() && column > 0 && column + 1 < self.columns
    }

    /// Index distances to the eight neighbours of an inner cell.
    pub(super) fn offsets(&self) -> [isize; 8] {
        STEPS.map(|(down, right)| down * self.columns as isize + right)
    }

    /// Whether a cell has ground but a neighbour that has none, or lies at the border.
    pub(super) fn is_rim(&self, cell: usize) -> bool {
        if self.values[cell].is_nan() {
            return false;
        }
        if self.is_inner(cell) {
            self.offsets().iter().any(|offset| self.values[cell.wrapping_add_signed(*offset)].is_nan())
        } else {
            true
        }
    }
}
