//! The grid that every surface of a job shares.

use crate::frame::GroundPoint;

/// Square cells in the job's frame, row by row from the north-west corner, as a north-up
/// raster has them. Edges lie on multiples of the cell size, so that the surfaces of
/// different runs align.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Grid {
    /// Easting of the western edge in metres, a multiple of the cell size.
    pub west_m: f64,
    /// Northing of the northern edge in metres, a multiple of the cell size.
    pub north_m: f64,
    /// Side of a cell in metres.
    pub cell_m: f64,
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
}

impl Grid {
    /// The smallest snapped grid that covers a box in the frame.
    /// `min` is its south-west corner, `max` its north-east one; `cell_m` must be positive.
    pub fn covering(min: GroundPoint, max: GroundPoint, cell_m: f64) -> Self {
        let column_0 = (min.x_m / cell_m).floor();
        let column_1 = (max.x_m / cell_m).ceil().max(column_0 + 1.0);
        let row_0 = (min.y_m / cell_m).floor();
        let row_1 = (max.y_m / cell_m).ceil().max(row_0 + 1.0);
        Self {
            west_m: column_0 * cell_m,
            north_m: row_1 * cell_m,
            cell_m,
            columns: (column_1 - column_0) as usize,
            rows: (row_1 - row_0) as usize,
        }
    }

    /// Number of cells.
    pub fn cells(&self) -> usize {
        self.columns * self.rows
    }

    /// Centre of a cell; row 0 is the northernmost, column 0 the westernmost.
    pub fn centre(&self, row: usize, column: usize) -> GroundPoint {
        GroundPoint::new(
            self.west_m + (column as f64 + 0.5) * self.cell_m,
            self.north_m - (row as f64 + 0.5) * self.cell_m,
        )
    }

    /// Area of a cell in square metres of the frame.
    pub fn cell_area_m2(&self) -> f64 {
        self.cell_m * self.cell_m
    }
}
