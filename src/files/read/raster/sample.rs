//! Values of a raster at places.

use super::RasterFile;
use crate::frame::{FrameError, LonLat};

impl RasterFile {
    /// The value of the cell that holds a place; nothing outside the raster or where the cell
    /// has no value. For classes (land cover), whose numbers must not be mixed.
    pub fn nearest(&self, at: LonLat) -> Option<f64> {
        let (column, row) = self.cell_of(at)?;
        self.value(row.floor(), column.floor())
    }

    /// The value between the four cell centres round a place, weighted by nearness in both
    /// directions (bilinear); nothing where [`RasterFile::nearest`] has nothing. Centres without
    /// a value are left out and the weights of the others made up to one, so that the outermost
    /// half cell takes the values of its edge. For quantities (height, cover, rain).
    pub fn bilinear(&self, at: LonLat) -> Option<f64> {
        let (column, row) = self.cell_of(at)?;
        self.value(row.floor(), column.floor())?;
        let (x, y) = (column - 0.5, row - 0.5);
        let (x0, y0) = (x.floor(), y.floor());
        let (tx, ty) = (x - x0, y - y0);
        let (mut sum, mut weights) = (0.0, 0.0);
        for (dy, wy) in [(0.0, 1.0 - ty), (1.0, ty)] {
            for (dx, wx) in [(0.0, 1.0 - tx), (1.0, tx)] {
                if let Some(value) = self.value(y0 + dy, x0 + dx) {
                    sum += wy * wx * value;
                    weights += wy * wx;
                }
            }
        }
        (weights > 0.0).then(|| sum / weights)
    }

    /// The place at a row and column counted from the north-western corner in cells, edges
    /// being whole numbers.
    ///
    /// # Errors
    /// [`FrameError`] where that is no place.
    pub fn place_of(&self, row: f64, column: f64) -> Result<LonLat, FrameError> {
        let p = self.placement;
        self.system.place(p.west + column * p.cell_x, p.north - row * p.cell_y)
    }

    fn cell_of(&self, at: LonLat) -> Option<(f64, f64)> {
        let (x, y) = self.system.of(at)?;
        Some(self.placement.cell_of(x, y))
    }

    /// The value of a cell by whole numbers; nothing outside.
    fn value(&self, row: f64, column: f64) -> Option<f64> {
        if !(row >= 0.0 && column >= 0.0 && row < self.rows as f64 && column < self.columns as f64) {
            return None;
        }
        let value = *self.values.get(row as usize * self.columns + column as usize)?;
        (!value.is_nan()).then(|| f64::from(value))
    }
}
