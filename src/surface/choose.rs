//! The choice of the grid: cell size from the bandwidth, extent from the records or the
//! area.

use crate::frame::GroundPoint;

use super::{Grid, SurfaceError};

/// A value this little below a power of ten has its exponent.
const HAIR: f64 = 1e-12;
/// A value this little below a step is that step.
const ROUNDING: f64 = 1e-9;

/// Bandwidths by which the grid reaches beyond the records or the area.
const MARGIN_BANDWIDTHS: f64 = 3.0;
/// Cells to a bandwidth that the automatic choice aims at.
const CELLS_A_BANDWIDTH: f64 = 10.0;
/// Coarsest cell that the automatic choice takes to keep a grid small, in bandwidths.
const COARSEST_BANDWIDTHS: f64 = 1.0 / 3.0;
/// Cells beyond which the automatic choice takes a coarser cell.
const COMFORTABLE_CELLS: f64 = 4e6;
/// Most cells of a grid unless more are asked for: 400 MB of values, and as much again while
/// they are made.
pub const MOST_CELLS: f64 = 1e8;

/// South-west and north-east corners of a box in the frame.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Extent {
    /// South-west corner.
    pub min: GroundPoint,
    /// North-east corner.
    pub max: GroundPoint,
}

impl Extent {
    /// The smallest box that holds some places; `None` if there are none.
    pub fn of(places: impl IntoIterator<Item = GroundPoint>) -> Option<Self> {
        places.into_iter().fold(None, |seen: Option<Self>, p| {
            let seen = seen.unwrap_or(Self { min: p, max: p });
            Some(seen.with(p))
        })
    }

    /// The smallest box that holds this one and a place.
    pub fn with(self, p: GroundPoint) -> Self {
        Self {
            min: GroundPoint::new(self.min.x_m.min(p.x_m), self.min.y_m.min(p.y_m)),
            max: GroundPoint::new(self.max.x_m.max(p.x_m), self.max.y_m.max(p.y_m)),
        }
    }

    fn grown(self, by_m: f64) -> Self {
        Self {
            min: GroundPoint::new(self.min.x_m - by_m, self.min.y_m - by_m),
            max: GroundPoint::new(self.max.x_m + by_m, self.max.y_m + by_m),
        }
    }

    /// Cells of a snapped grid over this box, as a float that cannot overflow.
    fn cells(self, cell_m: f64) -> f64 {
        let along = |min: f64, max: f64| ((max / cell_m).ceil() - (min / cell_m).floor()).max(1.0);
        along(self.min.x_m, self.max.x_m) * along(self.min.y_m, self.max.y_m)
    }
}

/// The grid of a job: it covers an extent (of the records, or of the area) and three
/// bandwidths around it, its edges on multiples of the cell.
///
/// Without a cell size the largest of 1, 2, 5, 10, 20, 50, … metres that is at most a tenth
/// of the bandwidth is taken (below ten metres of bandwidth 0.5, 0.2, …), and a coarser one,
/// up to a third of the bandwidth, while the grid has over four million cells.
///
/// # Errors
/// [`SurfaceError::Bandwidth`] and [`SurfaceError::Cell`] for sizes that are not positive
/// numbers; [`SurfaceError::GridTooLarge`], with a cell that fits, for more cells than
/// [`MOST_CELLS`].
pub fn choose_grid(extent: Extent, bandwidth_m: f64, cell_m: Option<f64>) -> Result<Grid, SurfaceError> {
    choose_grid_within(extent, bandwidth_m, cell_m, MOST_CELLS)
}

/// [`choose_grid`] with another limit on the number of cells.
///
/// # Errors
/// As [`choose_grid`].
pub fn choose_grid_within(
    extent: Extent,
    bandwidth_m: f64,
    cell_m: Option<f64>,
    most_cells: f64,
) -> Result<Grid, SurfaceError> {
    if !(bandwidth_m.is_finite() && bandwidth_m > 0.0) {
        return Err(SurfaceError::Bandwidth { bandwidth_m });
    }
    let covered = extent.grown(MARGIN_BANDWIDTHS * bandwidth_m);
    let cell_m = cell_m.unwrap_or_else(|| automatic_cell_m(covered, bandwidth_m));
    if !(cell_m.is_finite() && cell_m > 0.0) {
        return Err(SurfaceError::Cell { cell_m });
    }
    let cells = covered.cells(cell_m);
    if cells.is_nan() || cells > most_cells {
        return Err(SurfaceError::GridTooLarge {
            width_m: covered.max.x_m - covered.min.x_m,
            height_m: covered.max.y_m - covered.min.y_m,
            cell_m,
            cells,
            most_cells,
            fitting_cell_m: fitting_cell_m(covered, cell_m, most_cells),
        });
    }
    Ok(Grid::covering(covered.min, covered.max, cell_m))
}

fn automatic_cell_m(covered: Extent, bandwidth_m: f64) -> f64 {
    let fine = round_down(bandwidth_m / CELLS_A_BANDWIDTH);
    let coarse = round_down(bandwidth_m * COARSEST_BANDWIDTHS);
    fitting_cell_m(covered, fine, COMFORTABLE_CELLS).min(coarse)
}

/// The smallest round cell, from `cell_m` upwards, of which at most `most` cover a box.
fn fitting_cell_m(covered: Extent, cell_m: f64, most: f64) -> f64 {
    let mut fitting = round_down(cell_m);
    while covered.cells(fitting) > most && fitting < f64::MAX / 10.0 {
        fitting = round_down(fitting * 2.6); // the next of 1, 2, 5, 10
    }
    fitting
}

/// The largest of 1, 2 and 5 times a power of ten that is not above a positive number.
fn round_down(value: f64) -> f64 {
    let exponent = (value * (1.0 + HAIR)).log10().floor();
    let power = |exponent: f64| {
        // Powers below one as quotients, so that 0.2 is the nearest number to 0.2.
        move |digit: f64| {
            if exponent < 0.0 { digit / 10f64.powf(-exponent) } else { digit * 10f64.powf(exponent) }
        }
    };
    let rounded = power(exponent);
    [5.0, 2.0, 1.0].map(rounded).into_iter().find(|&r| r <= value * (1.0 + ROUNDING)).unwrap_or(value)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn extent(width_m: f64, height_m: f64) -> Extent {
        let min = GroundPoint::new(600_003.0, 6_000_001.0);
        Extent { min, max: GroundPoint::new(min.x_m + width_m, min.y_m + height_m) }
    }

    #[test]
    fn round_numbers() {
        for (value, rounded) in
            [(50.0, 50.0), (49.9, 20.0), (1.0, 1.0), (0.7, 0.5), (0.21, 0.2), (1999.0, 1000.0)]
        {
            assert_eq!(round_down(value), rounded, "{value}");
        }
        assert_eq!(round_down(20.0 * 2.6), 50.0);
        assert_eq!(round_down(50.0 * 2.6), 100.0);
        assert_eq!(round_down(0.2 * 2.6), 0.5);
    }

    #[test]
    fn grid_covers_three_bandwidths_on_multiples_of_the_cell() {
        let grid = choose_grid(extent(5_000.0, 3_000.0), 500.0, None).unwrap();
        assert_eq!(grid.cell_m, 50.0);
        assert_eq!(grid.west_m, 598_500.0);
        assert_eq!(grid.north_m, 6_004_550.0);
        assert_eq!(grid.west_m + grid.cell_m * grid.columns as f64, 606_550.0);
        assert_eq!(grid.north_m - grid.cell_m * grid.rows as f64, 5_998_500.0);
    }

    #[test]
    fn a_wide_job_gets_a_coarser_cell_but_no_coarser_than_a_third_of_the_bandwidth() {
        assert_eq!(choose_grid(extent(150e3, 150e3), 500.0, None).unwrap().cell_m, 100.0);
        assert_eq!(choose_grid(extent(600e3, 600e3), 500.0, None).unwrap().cell_m, 100.0);
    }

    #[test]
    fn a_grid_too_large_is_refused_with_a_cell_that_fits() {
        let error = choose_grid(extent(500e3, 500e3), 500.0, Some(1.0)).unwrap_err();
        let SurfaceError::GridTooLarge { width_m, height_m, cells, fitting_cell_m, .. } = error else {
            panic!("{error}")
        };
        // Three bandwidths on either side; the box begins and ends on whole metres.
        assert_eq!((width_m, height_m, cells), (503e3, 503e3, 503e3 * 503e3));
        assert_eq!(fitting_cell_m, 100.0);
        assert!(choose_grid_within(extent(500e3, 500e3), 500.0, Some(50.0), 2e8).is_ok());
        assert!(choose_grid(extent(500e3, 500e3), 500.0, Some(fitting_cell_m)).is_ok());
        assert!(choose_grid(extent(500e3, 500e3), 1e-300, None).is_err());
        assert!(choose_grid(extent(1.0, 1.0), f64::NAN, None).is_err());
        assert!(choose_grid(extent(1.0, 1.0), 10.0, Some(-1.0)).is_err());
    }

    #[test]
    fn a_grid_as_large_as_is_allowed_is_made() {
        let grid = choose_grid(extent(5_000.0, 3_000.0), 500.0, Some(50.0)).unwrap();
        let within = |most| choose_grid_within(extent(5_000.0, 3_000.0), 500.0, Some(50.0), most);
        assert_eq!(within(grid.cells() as f64), Ok(grid));
        assert!(within(grid.cells() as f64 - 1.0).is_err());
    }
}
