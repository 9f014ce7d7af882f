//! The surface itself: values on a grid, with all that made them.

use std::borrow::Cow;

use rayon::prelude::*;

use super::adaptive::{self, Scale, Spread};
use super::edge::{EdgeRule, Window, masses};
use super::work::{self, MOST_VALUES};
use super::{Grid, Kernel, Smoother, SurfaceError, WeightedPoint, densities_at, exact};
use crate::frame::GroundPoint;

/// The least share of a kernel inside a window that a weight is divided by; masses are good
/// to a thousandth of it.
const LEAST_SHARE: f64 = 1e-9;

/// How a density is made.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DensitySettings {
    /// The kernel.
    pub kernel: Kernel,
    /// Standard deviation along an axis, in metres.
    pub bandwidth_m: f64,
    /// What is done about the edge of the window.
    pub edge: EdgeRule,
    /// Whether every point gets a bandwidth of its own: narrow in a crowd, wide alone
    /// ([`adaptive_bandwidths_m`](super::adaptive_bandwidths_m)).
    pub adaptive: bool,
}

impl DensitySettings {
    /// One bandwidth for all, nothing done about the edge.
    pub const fn plain(kernel: Kernel, bandwidth_m: f64) -> Self {
        Self { kernel, bandwidth_m, edge: EdgeRule::None, adaptive: false }
    }
}

/// A bound on the error of a surface: at every cell it is at most
/// `relative` × the true density + `absolute_per_km2`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ErrorBound {
    /// Share of the local density.
    pub relative: f64,
    /// Sign per km², the same everywhere.
    pub absolute_per_km2: f64,
}

/// An activity surface.
#[derive(Clone, PartialEq, Debug)]
pub struct Surface {
    /// Where the values lie.
    pub grid: Grid,
    /// Density in sign per km² at the cell centres, row by row from the north-west; NaN
    /// where the surface says nothing.
    pub values: Vec<f32>,
    /// How it was made.
    pub settings: DensitySettings,
    /// The bandwidths of an adaptive surface.
    pub spread: Option<Spread>,
    /// Sum of the weights of the points used.
    pub sum_of_weights: f64,
    /// Points left out because they lie outside the window of an edge rule.
    pub outside: usize,
    /// Sum of the values times the area of a cell, in sign. What the kernels carry beyond
    /// the grid is missing from it.
    pub integral: f64,
    /// The largest value, in sign per km².
    pub peak_per_km2: f64,
    /// What the error of the values never exceeds.
    pub error_bound: ErrorBound,
}

impl Surface {
    /// Value of a cell in sign per km²; `None` off the grid or where there is no value.
    pub fn value(&self, row: usize, column: usize) -> Option<f64> {
        let inside = row < self.grid.rows && column < self.grid.columns;
        inside.then(|| f64::from(self.values[row * self.grid.columns + column])).filter(|v| !v.is_nan())
    }
}

/// The activity surface of some points by the fast way.
///
/// With an edge rule, points outside the window are left out and cells whose centres lie
/// outside have no value. Memory: four bytes a cell, up to 40 a point, and the coarse grid.
///
/// # Errors
/// [`SurfaceError::Bandwidth`] if the bandwidth is not a positive number,
/// [`SurfaceError::NoWindow`] for an edge rule without a window; for adaptive bandwidths
/// [`SurfaceError::TooManyPilots`], and [`SurfaceError::TooManyValues`] on cells too fine for them.
pub fn density(
    points: &[WeightedPoint],
    grid: &Grid,
    settings: DensitySettings,
    window: Option<&Window>,
) -> Result<Surface, SurfaceError> {
    density_within(points, grid, settings, window, MOST_VALUES)
}

/// [`density`] with another limit on the kernel values that adaptive bandwidths may take.
///
/// # Errors
/// As [`density`].
pub fn density_within(
    points: &[WeightedPoint],
    grid: &Grid,
    settings: DensitySettings,
    window: Option<&Window>,
    most_values: f64,
) -> Result<Surface, SurfaceError> {
    if settings.adaptive {
        work::check_adaptive(points, grid, settings, most_values)?;
    }
    let used = Used::new(points, settings, window)?;
    let (mut values, mut error_bound) = match &used.bandwidths_m {
        Some((_, own)) => {
            work::check_cells(own.iter().copied(), grid, settings.kernel, most_values)?;
            adaptive::on_grid(&used.points, own, grid, settings.kernel)
        }
        None => {
            let smoother = Smoother::new(*grid, settings.kernel, settings.bandwidth_m)?;
            (smoother.density(&used.points), smoother.error_bound(&used.points))
        }
    };
    if let Some(window) = used.window {
        let inside = window.cells_inside(grid);
        if settings.edge == EdgeRule::Uniform {
            let least = divide_by_mass(&mut values, &inside, grid, &used, window)?;
            error_bound.absolute_per_km2 /= least;
            if settings.adaptive {
                error_bound.relative += adaptive::mass_error(settings.kernel) / least;
            }
        }
        values.iter_mut().zip(&inside).filter(|(_, inside)| !**inside).for_each(|(v, _)| *v = f32::NAN);
    }
    let (sum, peak_per_km2) = sum_and_peak(&values);
    let integral = sum * grid.cell_area_m2() / super::M2_PER_KM2;
    Ok(Surface {
        grid: *grid,
        settings,
        spread: used.bandwidths_m.as_ref().map(|(_, own)| Spread::of(own)),
        sum_of_weights: used.sum_of_weights,
        outside: used.outside,
        integral,
        peak_per_km2,
        error_bound,
        values,
    })
}

/// Sum and greatest of the values that are known.
fn sum_and_peak(values: &[f32]) -> (f64, f64) {
    /// Cells summed by one task; the sums are added in order.
    const CELLS: usize = 1 << 16;
    /// Values summed side by side.
    const LANES: usize = 16;
    let part = |values: &[f32]| {
        let (mut sums, mut peaks) = ([0.0_f64; LANES], [0.0_f32; LANES]);
        for values in values.chunks(LANES) {
            for ((sum, peak), value) in sums.iter_mut().zip(&mut peaks).zip(values) {
                // Of a number and none, the greater is the number.
                *peak = peak.max(*value);
                *sum += if value.is_nan() { 0.0 } else { f64::from(*value) };
            }
        }
        (sums.iter().sum::<f64>(), f64::from(peaks.into_iter().fold(0.0, f32::max)))
    };
    let parts: Vec<(f64, f64)> = values.par_chunks(CELLS).map(part).collect();
    parts.into_iter().fold((0.0, 0.0), |(sum, peak), (s, p)| (sum + s, f64::max(peak, p)))
}

/// Density in sign per km² at some places, exactly, in their order; NaN outside the window
/// of an edge rule.
///
/// # Errors
/// As [`density`].
pub fn density_at_places(
    points: &[WeightedPoint],
    places: &[GroundPoint],
    settings: DensitySettings,
    window: Option<&Window>,
) -> Result<Vec<f64>, SurfaceError> {
    let used = Used::new(points, settings, window)?;
    let mut values = match &used.bandwidths_m {
        Some((_, own)) => adaptive::at_places(&used.points, own, places, settings.kernel),
        None => exact::densities_at(&used.points, places, settings.kernel, settings.bandwidth_m),
    };
    let Some(window) = used.window else { return Ok(values) };
    let bandwidths_m = match used.bandwidths_m {
        Some((scale, _)) if settings.edge == EdgeRule::Uniform => {
            let pilot = densities_at(&used.points, places, settings.kernel, settings.bandwidth_m);
            pilot.into_iter().map(|f| scale.at(f)).collect()
        }
        _ => vec![settings.bandwidth_m; places.len()],
    };
    for ((value, &at), h) in values.iter_mut().zip(places).zip(bandwidths_m) {
        if !window.contains(at) {
            *value = f64::NAN;
        } else if settings.edge == EdgeRule::Uniform {
            *value /= window.mass(at, settings.kernel, h);
        }
    }
    Ok(values)
}

/// The points that make a density, weights corrected where the edge rule says so.
struct Used<'w> {
    /// Those given where nothing is left out or changed.
    points: Cow<'w, [WeightedPoint]>,
    settings: DensitySettings,
    /// Of an adaptive density: how bandwidths follow from the pilot, and those of the points.
    bandwidths_m: Option<(Scale, Vec<f64>)>,
    window: Option<&'w Window>,
    sum_of_weights: f64,
    outside: usize,
}

impl<'w> Used<'w> {
    fn new(
        points: &'w [WeightedPoint],
        settings: DensitySettings,
        window: Option<&'w Window>,
    ) -> Result<Self, SurfaceError> {
        let DensitySettings { kernel, bandwidth_m, edge, adaptive } = settings;
        if !(bandwidth_m.is_finite() && bandwidth_m > 0.0) {
            return Err(SurfaceError::Bandwidth { bandwidth_m });
        }
        let window = match edge {
            EdgeRule::None => None,
            EdgeRule::Uniform | EdgeRule::JonesDiggle => Some(window.ok_or(SurfaceError::NoWindow)?),
        };
        let mut used = match window {
            None => Cow::Borrowed(points),
            Some(window) => points.iter().copied().filter(|p| window.contains(p.at)).collect(),
        };
        let sum_of_weights = used.iter().map(|p| p.weight).sum();
        let bandwidths_m = adaptive.then(|| Scale::of(&used, kernel, bandwidth_m, bandwidth_m));
        if let (Some(window), EdgeRule::JonesDiggle) = (window, edge) {
            let shares = match &bandwidths_m {
                Some((_, own)) => adaptive::own_masses(window, &used, own, kernel),
                None => {
                    let places: Vec<GroundPoint> = used.iter().map(|p| p.at).collect();
                    masses(window, &places, kernel, bandwidth_m)
                }
            };
            // A share of nothing, to rounding, would make a point infinite.
            used.to_mut().iter_mut().zip(shares).for_each(|(p, share)| p.weight /= share.max(LEAST_SHARE));
        }
        let outside = points.len() - used.len();
        Ok(Self { points: used, settings, bandwidths_m, window, sum_of_weights, outside })
    }
}

/// Divides every value inside by the mass of its kernel inside; gives the smallest mass. Of
/// an adaptive density that is the kernel of the bandwidth which a point there would have
/// (Marshall & Hazelton 2010, J. Multivar. Anal. 101:949–963).
fn divide_by_mass(
    values: &mut [f32],
    inside: &[bool],
    grid: &Grid,
    used: &Used,
    window: &Window,
) -> Result<f64, SurfaceError> {
    let DensitySettings { kernel, bandwidth_m, .. } = used.settings;
    let cells: Vec<usize> = (0..values.len()).filter(|&cell| inside[cell]).collect();
    let centre = |&cell: &usize| grid.centre(cell / grid.columns, cell % grid.columns);
    let places: Vec<GroundPoint> = cells.iter().map(centre).collect();
    let shares = match &used.bandwidths_m {
        None => masses(window, &places, kernel, bandwidth_m),
        Some((scale, _)) => {
            let pilot = Smoother::new(*grid, kernel, bandwidth_m)?.density(&used.points);
            let own: Vec<f64> = cells.iter().map(|&cell| scale.at(f64::from(pilot[cell]))).collect();
            adaptive::masses_between(window, &places, &own, kernel)
        }
    };
    for (&cell, share) in cells.iter().zip(&shares) {
        values[cell] = (f64::from(values[cell]) / share.max(LEAST_SHARE)) as f32;
    }
    Ok(shares.into_iter().fold(1.0, f64::min).max(LEAST_SHARE))
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::{MultiPolygon, polygon};

    /// Values over more than one task and more than whole rows of lanes, with gaps.
    #[test]
    fn sums_and_peaks_leave_out_what_has_no_value() {
        let values: Vec<f32> =
            (0..150_007).map(|k| if k % 7 == 3 { f32::NAN } else { (k * 7919 % 1013) as f32 }).collect();
        let known = || values.iter().copied().filter(|v| !v.is_nan()).map(f64::from);
        let (sum, peak) = sum_and_peak(&values);
        // Whole numbers: their sums are exact.
        assert_eq!((sum, peak), (known().sum(), known().fold(0.0, f64::max)));
        assert_eq!(sum_and_peak(&[2.0, 9.0, 1.0]), (12.0, 9.0));
        assert_eq!(sum_and_peak(&[f32::NAN]), (0.0, 0.0));
        assert_eq!(sum_and_peak(&[]), (0.0, 0.0));
    }

    fn points() -> Vec<WeightedPoint> {
        let at = |k: u32| GroundPoint::new(f64::from(k * 37 % 101) * 9.0, f64::from(k * 53 % 89) * 9.0);
        (0..50).map(|k| WeightedPoint::new(at(k), f64::from(1 + k % 3))).collect()
    }

    fn window() -> Window {
        Window::new(&MultiPolygon(vec![polygon![
            (x: 0., y: 0.), (x: 700., y: 100.), (x: 600., y: 700.), (x: 50., y: 500.)
        ]]))
        .unwrap()
    }

    /// By the rules written out: uniform divides the value at a place by the share of the kernel there,
    /// Jones and Diggle's divides every record's weight by the share of its own.
    #[test]
    fn edge_rules_are_what_they_say() {
        let (points, window) = (points(), window());
        let grid = Grid { west_m: -45.0, north_m: 855.0, cell_m: 30.0, columns: 33, rows: 30 };
        let inside: Vec<WeightedPoint> = points.iter().copied().filter(|p| window.contains(p.at)).collect();
        for kernel in Kernel::ALL {
            for edge in [EdgeRule::Uniform, EdgeRule::JonesDiggle] {
                let settings = DensitySettings { edge, ..DensitySettings::plain(kernel, 60.0) };
                let surface = density(&points, &grid, settings, Some(&window)).unwrap();
                assert_eq!(surface.outside, points.len() - inside.len());
                assert_eq!(surface.sum_of_weights, inside.iter().map(|p| p.weight).sum::<f64>());
                let mut least: f64 = 1.0;
                for cell in 0..grid.cells() {
                    let (row, column) = (cell / grid.columns, cell % grid.columns);
                    let at = grid.centre(row, column);
                    let term = |p: &WeightedPoint| {
                        let share = match edge {
                            EdgeRule::JonesDiggle => window.mass(p.at, kernel, 60.0),
                            _ => window.mass(at, kernel, 60.0),
                        };
                        1e6 * p.weight * kernel.density_per_m2(p.at.distance_m(at).powi(2), 60.0) / share
                    };
                    if !window.contains(at) {
                        assert_eq!(surface.value(row, column), None);
                        continue;
                    }
                    least = least.min(window.mass(at, kernel, 60.0));
                    let expected: f64 = inside.iter().map(term).sum();
                    let found = surface.value(row, column).unwrap();
                    let bound = surface.error_bound;
                    assert!(
                        (found - expected).abs() <= bound.relative * expected + bound.absolute_per_km2,
                        "{kernel} {edge:?}: {found} {expected}"
                    );
                    let [again] = density_at_places(&points, &[at], settings, Some(&window)).unwrap()[..]
                    else {
                        panic!("one place")
                    };
                    assert!((again - expected).abs() <= 1e-9 * (1.0 + expected), "{again} {expected}");
                }
                // Uniform: the bound grows by the least share.
                if edge == EdgeRule::Uniform && kernel == Kernel::Gaussian {
                    let plain = density(&inside, &grid, DensitySettings::plain(kernel, 60.0), None).unwrap();
                    let grown = surface.error_bound.absolute_per_km2 / plain.error_bound.absolute_per_km2;
                    assert!((grown * least - 1.0).abs() < 1e-9, "{grown} {least}");
                }
            }
        }
        let settings =
            DensitySettings { edge: EdgeRule::Uniform, ..DensitySettings::plain(Kernel::Quartic, 60.0) };
        assert_eq!(density(&points, &grid, settings, None).unwrap_err(), SurfaceError::NoWindow);
    }

    #[test]
    fn cells_off_the_grid_have_no_value() {
        let grid = Grid { west_m: 0.0, north_m: 60.0, cell_m: 20.0, columns: 2, rows: 3 };
        let surface =
            density(&points()[..3], &grid, DensitySettings::plain(Kernel::Gaussian, 300.0), None).unwrap();
        for row in 0..4 {
            for column in 0..4 {
                let known = row < 3 && column < 2;
                let expected = known.then(|| f64::from(surface.values[(row * 2 + column) % 6]));
                assert_eq!(surface.value(row, column), expected);
            }
        }
        let sum: f64 = surface.values.iter().map(|&v| f64::from(v)).sum();
        assert!((surface.integral - sum * 400.0 / 1e6).abs() < 1e-12 * surface.integral);
    }
}
