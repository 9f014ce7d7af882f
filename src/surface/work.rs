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

#[cfg(test)]
mod tests {
    use super::*;

    const GRID: Grid = Grid { west_m: 0.0, north_m: 1000.0, cell_m: 10.0, columns: 100, rows: 100 };

    /// Quartics of a radius of 50 m reach (2 · 5)² cells each, a wide one the whole grid.
    #[test]
    fn cells_round_points_are_counted() {
        let narrow = 50.0 / 8_f64.sqrt();
        let check = |most| check_cells([narrow, narrow, 1e4].into_iter(), &GRID, Kernel::Quartic, most);
        assert_eq!(check(10_200.001), Ok(()));
        let error = check(2550.0).unwrap_err();
        let SurfaceError::TooManyValues { cell_m, values, most_values, fitting_cell_m } = error else {
            panic!("{error}")
        };
        // Four times too many: cells twice as wide.
        assert!((values - 10_200.0).abs() < 1e-6 && (cell_m, most_values) == (10.0, 2550.0), "{values}");
        assert!((fitting_cell_m - 20.0).abs() <= 1.0, "{fitting_cell_m}");
        // A Gaussian is cut after 7.5 bandwidths: 2 · 7.5 · 4/10 = 6 cells across.
        assert_eq!(check_cells([4.0].into_iter(), &GRID, Kernel::Gaussian, 36.001), Ok(()));
        assert!(check_cells([4.0].into_iter(), &GRID, Kernel::Gaussian, 35.999).is_err());
    }

    /// Ten points on one place: each of three places that reach them costs ten values, each ten times
    /// that of a cell.
    #[test]
    fn exact_values_at_places_are_counted() {
        let points = vec![WeightedPoint::new(GroundPoint::new(500.0, 500.0), 1.0); 10];
        let places = [GroundPoint::new(500.0, 520.0); 3];
        let far = [GroundPoint::new(9e5, 0.0); 3];
        let plain = |kernel| DensitySettings::plain(kernel, 100.0);
        for (kernel, places, values) in [
            (Kernel::Quartic, &places, 300.0),
            (Kernel::Gaussian, &places, 300.0),
            // Of the Gaussian far off every point is looked at, of others none.
            (Kernel::Gaussian, &far, 300.0),
            (Kernel::Quartic, &far, 0.0),
        ] {
            assert_eq!(check_places(&points, places, plain(kernel), values), Ok(()), "{kernel}");
            if values > 0.0 {
                let error = check_places(&points, places, plain(kernel), values / 1.5 - 1e-9).unwrap_err();
                let SurfaceError::TooManyPlaces { values: found, fitting, .. } = error else {
                    panic!("{error}")
                };
                assert_eq!((found, fitting), (values, 1));
            }
        }
        let adaptive = DensitySettings { adaptive: true, ..plain(Kernel::Quartic) };
        assert_eq!(check_places(&points, &far, adaptive, 300.0), Ok(()));
        assert!(check_places(&points, &far, adaptive, 299.0).is_err());
        assert_eq!(check_places(&points, &[], adaptive, 0.0), Ok(()));
        // Adaptive surfaces ask for the pilot at every point first: 10 · 10 · 10.
        assert_eq!(check_adaptive(&points, &GRID, adaptive, 1e6), Ok(()));
        let coarse = Grid { cell_m: 1000.0, columns: 1, rows: 1, ..GRID };
        assert_eq!(check_adaptive(&points, &coarse, adaptive, 1000.0), Ok(()));
        let error = check_adaptive(&points, &coarse, adaptive, 999.0).unwrap_err();
        assert_eq!(error, SurfaceError::TooManyPilots { points: 10, values: 1000.0, most_values: 999.0 });
    }
}
