//! Heights on square cells in metres.

use rayon::prelude::*;

use super::TerrainError;
use crate::files::{RasterFile, RasterSystem};
use crate::frame::{Frame, GroundPoint, LonLat, distance_m};

/// Cells are square where their sides differ by no more than this share.
const SQUARE: f64 = 1e-6;

/// Heights on square cells in a projected system, row by row from the north-west.
pub struct Dem {
    /// Easting of the western edge in metres.
    pub west_m: f64,
    /// Northing of the northern edge in metres.
    pub north_m: f64,
    /// Side of a cell in metres.
    pub cell_m: f64,
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
    /// Heights in metres; NaN where there is none.
    pub heights: Vec<f32>,
    /// The projected system.
    pub frame: Frame,
}

impl Dem {
    /// The heights of a raster. One in a projected system with square cells is taken as it is;
    /// any other is set onto square cells of about the same area in the UTM zone of its centre
    /// (bilinear). Heights in feet become metres.
    ///
    /// # Errors
    /// [`TerrainError::Place`] where the raster's centre is no place; [`TerrainError::TooManyCells`].
    pub fn from_raster(raster: RasterFile) -> Result<Self, TerrainError> {
        let unit_m = raster.height_unit_m.unwrap_or(1.0);
        let mut dem = match raster.system {
            RasterSystem::Metres(frame) if is_square(raster.placement.cell_x, raster.placement.cell_y) => {
                Dem {
                    west_m: raster.placement.west,
                    north_m: raster.placement.north,
                    cell_m: raster.placement.cell_x,
                    columns: raster.columns,
                    rows: raster.rows,
                    heights: raster.values,
                    frame: *frame,
                }
            }
            _ => Self::resampled(&raster)?,
        };
        if unit_m != 1.0 {
            dem.heights.par_iter_mut().for_each(|h| *h = (f64::from(*h) * unit_m) as f32);
        }
        Ok(dem)
    }

    /// Centre of a cell.
    pub fn centre(&self, cell: u32) -> GroundPoint {
        let (row, column) = (cell as usize / self.columns, cell as usize % self.columns);
        GroundPoint::new(
            self.west_m + (column as f64 + 0.5) * self.cell_m,
            self.north_m - (row as f64 + 0.5) * self.cell_m,
        )
    }

    /// Hectares of a cell.
    pub fn cell_ha(&self) -> f64 {
        self.cell_m * self.cell_m / 10_000.0
    }

    /// How many cells some hectares are.
    pub fn cells_in(&self, hectares: f64) -> f64 {
        hectares / self.cell_ha()
    }

    fn resampled(raster: &RasterFile) -> Result<Self, TerrainError> {
        const EDGE_STEPS: usize = 16;
        let at = |row: f64, column: f64| raster.place_of(row, column);
        let (rows, columns) = (raster.rows as f64, raster.columns as f64);
        let centre = at(rows / 2.0, columns / 2.0)?;
        let frame = Frame::utm_for(centre)?;
        let cell_m = square_cell_m(
            distance_m(centre, at(rows / 2.0, columns / 2.0 + 1.0)?),
            distance_m(centre, at(rows / 2.0 + 1.0, columns / 2.0)?),
        );
        let share = |i: usize| i as f64 / EDGE_STEPS as f64;
        let (mut low, mut high) =
            (GroundPoint::new(f64::MAX, f64::MAX), GroundPoint::new(f64::MIN, f64::MIN));
        for i in 0..=EDGE_STEPS {
            for j in 0..=EDGE_STEPS {
                let p = frame.to_ground(at(rows * share(i), columns * share(j))?)?;
                low = GroundPoint::new(low.x_m.min(p.x_m), low.y_m.min(p.y_m));
                high = GroundPoint::new(high.x_m.max(p.x_m), high.y_m.max(p.y_m));
            }
        }
        let size = |from: f64, to: f64| ((to - from) / cell_m).ceil().max(1.0) as usize;
        let (columns, rows) = (size(low.x_m, high.x_m), size(low.y_m, high.y_m));
        if columns.saturating_mul(rows) > super::MAX_CELLS {
            return Err(TerrainError::TooManyCells { cells: columns.saturating_mul(rows) });
        }
        let mut dem =
            Dem { west_m: low.x_m, north_m: high.y_m, cell_m, columns, rows, heights: Vec::new(), frame };
        dem.heights = dem.sampled(raster)?;
        Ok(dem)
    }

    /// The raster's value at every cell centre. Longitude and latitude are computed on a lattice
    /// of [`LATTICE`] cells and drawn out between; that is off by less than a thousandth of a
    /// cell, since the sagitta of a great circle over such a step is.
    fn sampled(&self, raster: &RasterFile) -> Result<Vec<f32>, TerrainError> {
        const LATTICE: usize = 16;
        let across = self.columns.div_ceil(LATTICE) + 1;
        let down = self.rows.div_ceil(LATTICE) + 1;
        let mut lattice = Vec::with_capacity(across * down);
        for row in 0..down {
            for column in 0..across {
                let x_m = self.west_m + ((column * LATTICE) as f64 + 0.5) * self.cell_m;
                let y_m = self.north_m - ((row * LATTICE) as f64 + 0.5) * self.cell_m;
                let at = self.frame.to_lonlat(GroundPoint::new(x_m, y_m))?;
                lattice.push([at.lon_deg(), at.lat_deg()]);
            }
        }
        let place = |row: usize, column: usize| {
            let corner = |i: usize, j: usize| lattice[(row / LATTICE + i) * across + column / LATTICE + j];
            let (s, t) =
                ((row % LATTICE) as f64 / LATTICE as f64, (column % LATTICE) as f64 / LATTICE as f64);
            let between = |k: usize| {
                (1.0 - s) * ((1.0 - t) * corner(0, 0)[k] + t * corner(0, 1)[k])
                    + s * ((1.0 - t) * corner(1, 0)[k] + t * corner(1, 1)[k])
            };
            LonLat::new(between(0), between(1)).ok()
        };
        let value = |cell: usize| {
            let at = place(cell / self.columns, cell % self.columns);
            at.and_then(|at| raster.bilinear(at)).map_or(f32::NAN, |height| height as f32)
        };
        Ok((0..self.columns * self.rows).into_par_iter().with_min_len(1 << 12).map(value).collect())
    }
}

fn is_square(cell_x: f64, cell_y: f64) -> bool {
    (cell_x - cell_y).abs() <= SQUARE * cell_x
}

/// The side of a square as large as a cell, to three digits.
fn square_cell_m(wide_m: f64, high_m: f64) -> f64 {
    let side = (wide_m * high_m).sqrt();
    let unit = 10_f64.powf(side.log10().floor() - 2.0);
    ((side / unit).round() * unit * 1e6).round() / 1e6
}
