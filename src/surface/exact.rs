//! Exact densities: the sum over all points, term by term.

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::neighbours::Neighbours;
use super::{Grid, Kernel, M2_PER_KM2, WeightedPoint};

/// Share by which a search reaches beyond the kernel, so that rounding loses no record at its rim.
const ROUNDING: f64 = 1e-9;

/// Points whose profiles along a row are held at once by [`density_on_grid`].
const BLOCK: usize = 512;

/// Bandwidths within which points are summed first.
const FIRST_REACH: f64 = 8.5;
/// Share of a value that may be left out.
const NEGLIGIBLE: f64 = 1e-12;

/// Density in sign per km² at a place: the direct sum of every point's kernel.
///
/// Accurate to rounding, for any kernel and bandwidth. Cost: one kernel a point.
pub fn density_at(points: &[WeightedPoint], at: GroundPoint, kernel: Kernel, bandwidth_m: f64) -> f64 {
    let sum: f64 =
        points.iter().map(|p| p.weight * kernel.profile(square_distance_m2(p.at, at), bandwidth_m)).sum();
    sum * kernel.peak_per_m2(bandwidth_m) * M2_PER_KM2
}

/// [`density_at`] at many places, in their order, in parallel.
///
/// Points so far off that all together they change a value by less than 1e-12 of it are
/// left out. Cost: one kernel a place and point within reach.
pub fn densities_at(
    points: &[WeightedPoint],
    places: &[GroundPoint],
    kernel: Kernel,
    bandwidth_m: f64,
) -> Vec<f64> {
    let at: Vec<GroundPoint> = points.iter().map(|p| p.at).collect();
    let sorted = Neighbours::new(&at, 0.0);
    let sum_of_weights: f64 = points.iter().map(|p| p.weight).sum();
    let sum_within = |place: GroundPoint, reach_m: f64| {
        let mut sum = 0.0;
        sorted.within(place, reach_m, |index, square_m2| {
            sum += points[index].weight * kernel.profile(square_m2, bandwidth_m);
        });
        sum
    };
    let value = |&place: &GroundPoint| {
        let sum = match kernel.radius_m(bandwidth_m) {
            // Rounding must not lose a point on the rim.
            Some(radius_m) => sum_within(place, radius_m * (1.0 + ROUNDING)),
            None => {
                let nearby = sum_within(place, FIRST_REACH * bandwidth_m);
                // Beyond this distance all points together are negligible.
                let reach = (-2.0 * (NEGLIGIBLE * nearby / sum_of_weights).ln()).sqrt();
                match reach {
                    reach if reach <= FIRST_REACH => nearby,
                    reach if reach.is_finite() => sum_within(place, reach * bandwidth_m),
                    _ => return density_at(points, place, kernel, bandwidth_m),
                }
            }
        };
        sum * kernel.peak_per_m2(bandwidth_m) * M2_PER_KM2
    };
    places.par_iter().map(value).collect()
}

/// Density in sign per km² at every cell centre of a grid, in f64, row by row from the
/// north-west.
///
/// Accurate to rounding. Cost: one kernel a point and cell; for the Gaussian, which
/// separates, one multiply-add. For small grids and for checking the fast way.
pub fn density_on_grid(points: &[WeightedPoint], grid: &Grid, kernel: Kernel, bandwidth_m: f64) -> Vec<f64> {
    let mut values = vec![0.0; grid.cells()];
    if kernel == Kernel::Gaussian {
        points.chunks(BLOCK).for_each(|block| add_gaussians(&mut values, block, grid, bandwidth_m));
    } else {
        values.par_iter_mut().enumerate().for_each(|(cell, value)| {
            let centre = grid.centre(cell / grid.columns, cell % grid.columns);
            *value = density_at(points, centre, kernel, bandwidth_m);
        });
    }
    values
}

/// A Gaussian in the plane is a product of two on the axes: each point adds its profile
/// along a row, scaled by its profile across rows.
fn add_gaussians(values: &mut [f64], points: &[WeightedPoint], grid: &Grid, bandwidth_m: f64) {
    let profile = |distance_m: f64| {
        let z = distance_m / bandwidth_m;
        (-0.5 * z * z).exp()
    };
    let along: Vec<Vec<f64>> = points
        .par_iter()
        .map(|p| (0..grid.columns).map(|c| profile(p.at.x_m - grid.centre(0, c).x_m)).collect())
        .collect();
    let scale = Kernel::Gaussian.peak_per_m2(bandwidth_m) * M2_PER_KM2;
    values.par_chunks_mut(grid.columns).enumerate().for_each(|(row, out)| {
        let y_m = grid.centre(row, 0).y_m;
        for (p, along) in points.iter().zip(&along) {
            let across = scale * p.weight * profile(p.at.y_m - y_m);
            out.iter_mut().zip(along).for_each(|(value, share)| *value += across * share);
        }
    });
}

/// Square of the distance between two places, in square metres.
pub(super) fn square_distance_m2(a: GroundPoint, b: GroundPoint) -> f64 {
    let (dx, dy) = (a.x_m - b.x_m, a.y_m - b.y_m);
    dx * dx + dy * dy
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn points() -> Vec<WeightedPoint> {
        let at = |k: u32| GroundPoint::new(f64::from(k * k % 1009), f64::from(k * 31 % 499) * 2.0);
        (0..1100).map(|k| WeightedPoint::new(at(k), 0.5 + f64::from(k % 3))).collect()
    }

    /// More points than one block holds; every way against the sum of the kernels written out.
    #[test]
    fn all_ways_are_the_sum_of_the_kernels() {
        let points = points();
        let grid = Grid { west_m: -40.0, north_m: 1100.0, cell_m: 90.0, columns: 11, rows: 14 };
        let centres: Vec<GroundPoint> =
            (0..grid.cells()).map(|cell| grid.centre(cell / grid.columns, cell % grid.columns)).collect();
        for kernel in Kernel::ALL {
            let on_grid = density_on_grid(&points, &grid, kernel, 37.0);
            let at_places = densities_at(&points, &centres, kernel, 37.0);
            for ((&centre, on_grid), at_places) in centres.iter().zip(on_grid).zip(at_places) {
                let term = |p: &WeightedPoint| {
                    p.weight * kernel.density_per_m2(p.at.distance_m(centre).powi(2), 37.0)
                };
                let expected = points.iter().map(term).sum::<f64>() * 1e6;
                let epsilon = 1e-9;
                assert_relative_eq!(on_grid, expected, epsilon = epsilon, max_relative = 1e-11);
                assert_relative_eq!(at_places, expected, epsilon = epsilon, max_relative = 1e-11);
                let one = density_at(&points, centre, kernel, 37.0);
                assert_relative_eq!(one, expected, epsilon = epsilon, max_relative = 1e-11);
            }
        }
    }

    /// Far from all points the nearest ones are all that there is, at any distance, down to nothing.
    #[test]
    fn tails_keep_their_digits() {
        let points = points();
        for x_m in [1200.0, 1400.0, 2000.0, 4000.0] {
            let place = GroundPoint::new(x_m, 500.0);
            let [found] = densities_at(&points, &[place], Kernel::Gaussian, 60.0)[..] else { panic!("one") };
            let term = |p: &WeightedPoint| p.weight * (-0.5 * p.at.distance_m(place).powi(2) / 3600.0).exp();
            let expected = points.iter().map(term).sum::<f64>() / (std::f64::consts::TAU * 3600.0) * 1e6;
            assert_relative_eq!(found, expected, max_relative = 1e-11);
        }
        assert_eq!(square_distance_m2(GroundPoint::new(1.0, 2.0), GroundPoint::new(4.0, -2.0)), 25.0);
    }
}
