//! How much work is done before it is refused.

use crate::frame::GroundPoint;

use super::neighbours::Neighbours;
use super::{DensitySettings, Grid, Kernel, SurfaceError, WeightedPoint};

/// Most kernel values that are summed unless more are asked for: about a minute's work.
pub const MOST_VALUES: f64 = 1e11;
/// Values that are summed on a grid in the time of one that is summed exactly at a place.
const EXACT_COSTS: f64 = 10.0;
/// Bandwidths after which a Gaussian is cut on a grid, and those within which it is summed first
/// at a place.
const GAUSSIAN_REACH: f64 = 7.5;
const GAUSSIAN_REACH_EXACT: f64 = 8.5;

/// Refuses adaptive bandwidths that would take too long, before anything is summed: the exact
/// density at every point, and the cells round every point as if all had the bandwidth that they
/// have on average.
///
/// # Errors
/// [`SurfaceError::TooManyPilots`] and [`SurfaceError::TooManyValues`], with cells that fit.
pub(super) fn check_adaptive(
    points: &[WeightedPoint],
    grid: &Grid,
    settings: DensitySettings,
    most_values: f64,
) -> Result<(), SurfaceError> {
    let DensitySettings { kernel, bandwidth_m, .. } = settings;
    check_cells(points.iter().map(|_| bandwidth_m), grid, kernel, most_values)?;
    let values = EXACT_COSTS * exact_values(points, points.iter().map(|p| p.at), kernel, bandwidth_m);
    if values <= most_values {
        return Ok(());
    }
    Err(SurfaceError::TooManyPilots { points: points.len(), values, most_values })
}

/// Refuses what would take too long on cells so fine.
///
/// # Errors
/// [`SurfaceError::TooManyValues`], with cells that fit.
pub(super) fn check_cells(
    bandwidths_m: impl Iterator<Item = f64>,
    grid: &Grid,
    kernel: Kernel,
    most_values: f64,
) -> Result<(), SurfaceError> {
    let cells_reached = |h: f64| {
        let reach_m = kernel.radius_m(h).unwrap_or(GAUSSIAN_REACH * h);
        (4.0 * (reach_m / grid.cell_m).powi(2)).min(grid.cells() as f64)
    };
    let values: f64 = bandwidths_m.map(cells_reached).sum();
    if values <= most_values {
        return Ok(());
    }
    let coarser = (values / most_values).sqrt();
    Err(SurfaceError::TooManyValues {
        cell_m: grid.cell_m,
        values,
        most_values,
        fitting_cell_m: (grid.cell_m * coarser).ceil(),
    })
}

/// Refuses exact densities at so many places that they would take too long
/// ([`density_at_places`](super::density_at_places) itself takes any). A value that is summed
/// exactly counts as ten on a grid, for it takes as long. Cost: a look at about 200 of the places.
///
/// # Errors
/// [`SurfaceError::TooManyPlaces`], with how many of them fit.
pub fn check_places(
    points: &[WeightedPoint],
    places: &[GroundPoint],
    settings: DensitySettings,
    most_values: f64,
) -> Result<(), SurfaceError> {
    let DensitySettings { kernel, bandwidth_m, adaptive, .. } = settings;
    if places.is_empty() {
        return Ok(());
    }
    let values = EXACT_COSTS
        * match adaptive {
            true => points.len() as f64 * places.len() as f64,
            false => exact_values(points, places.iter().copied(), kernel, bandwidth_m),
        };
    if values <= most_values {
        return Ok(());
    }
    let fitting = (places.len() as f64 * most_values / values).floor() as usize;
    Err(SurfaceError::TooManyPlaces {
        places: places.len(),
        points: points.len(),
        values,
        most_values,
        fitting,
    })
}

/// About how many kernel values exact sums at some places take. Far from all points, where the
/// Gaussian of the nearest is all that there is, every point is looked at.
fn exact_values(
    points: &[WeightedPoint],
    places: impl ExactSizeIterator<Item = GroundPoint>,
    kernel: Kernel,
    bandwidth_m: f64,
) -> f64 {
    let at: Vec<GroundPoint> = points.iter().map(|p| p.at).collect();
    let sorted = Neighbours::new(&at, 0.0);
    let radius_m = kernel.radius_m(bandwidth_m);
    let reach_m = radius_m.unwrap_or(GAUSSIAN_REACH_EXACT * bandwidth_m);
    sorted.looked_at(places, reach_m, |found| match radius_m {
        None if found == 0 => points.len(),
        _ => found,
    })
}
