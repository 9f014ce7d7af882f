//! A bandwidth for every point.

use std::collections::BTreeMap;

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::edge::{Window, masses};
use super::fast::{Own, window};
use super::{ErrorBound, Grid, Kernel, M2_PER_KM2, WeightedPoint, densities_at, exact};

/// No point's bandwidth exceeds the median by more than this factor (Davies, Marshall &
/// Hazelton 2018).
const TRIM: f64 = 5.0;
/// Step in the logarithm of the bandwidth between which masses are interpolated.
const LOG_STEP: f64 = 0.1;

/// What that may cost of a share, whatever the window: half the greatest integral of what lies between
/// a kernel and the mean of its neighbours by bandwidth.
pub(super) fn mass_error(kernel: Kernel) -> f64 {
    match kernel {
        Kernel::Gaussian => 0.0025,
        Kernel::Quartic => 0.0047,
        Kernel::Triangular => 0.0071,
        Kernel::Epanechnikov => 0.0091,
        Kernel::Uniform => 0.053,
    }
}

/// The range of the bandwidths of an adaptive surface, in metres.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Spread {
    /// The narrowest.
    pub least_m: f64,
    /// The one in the middle.
    pub median_m: f64,
    /// The widest.
    pub most_m: f64,
}

impl Spread {
    pub(super) fn of(bandwidths_m: &[f64]) -> Self {
        let mut sorted = bandwidths_m.to_vec();
        sorted.sort_unstable_by(f64::total_cmp);
        let at = |k: usize| sorted.get(k).copied().unwrap_or(f64::NAN);
        let last = sorted.len().saturating_sub(1);
        Self { least_m: at(0), median_m: median(&sorted), most_m: at(last) }
    }
}

/// Bandwidths in metres after Abramson (1982, Ann. Stat. 10:1217–1223): the pilot density f
/// at every point, with one bandwidth for all, gives h_i = h₀ (f(x_i)/G)^(−1/2), G the
/// geometric mean of all f (Silverman 1986, section 5.3); none above five times the median.
///
/// The pilot is summed exactly, the point itself included.
pub fn adaptive_bandwidths_m(
    points: &[WeightedPoint],
    kernel: Kernel,
    pilot_m: f64,
    bandwidth_m: f64,
) -> Vec<f64> {
    bandwidths_m(points, kernel, pilot_m, bandwidth_m)
}

pub(super) fn bandwidths_m(
    points: &[WeightedPoint],
    kernel: Kernel,
    pilot_m: f64,
    bandwidth_m: f64,
) -> Vec<f64> {
    Scale::of(points, kernel, pilot_m, bandwidth_m).1
}

/// How bandwidths follow from a pilot density.
#[derive(Clone, Copy, Debug)]
pub(super) struct Scale {
    bandwidth_m: f64,
    mean_log: f64,
    most_m: f64,
}

impl Scale {
    /// The scale that the pilot density at the points sets, and their own bandwidths.
    pub fn of(points: &[WeightedPoint], kernel: Kernel, pilot_m: f64, bandwidth_m: f64) -> (Self, Vec<f64>) {
        let places: Vec<GroundPoint> = points.iter().map(|p| p.at).collect();
        let pilot = densities_at(points, &places, kernel, pilot_m);
        // A point of no weight says nothing of the scale: where no other is near, its density is 0.
        let none_counts = points.iter().all(|p| p.weight <= 0.0);
        let counts = |k: usize| none_counts || points.get(k).is_some_and(|p| p.weight > 0.0);
        let counting: Vec<f64> =
            pilot.iter().enumerate().filter(|(k, _)| counts(*k)).map(|(_, &f)| f).collect();
        let logs = counting.iter().map(|f| f.max(f64::MIN_POSITIVE).ln());
        let mean_log = logs.sum::<f64>() / counting.len().max(1) as f64;
        let mut scale = Self { bandwidth_m, mean_log, most_m: f64::INFINITY };
        let mut own: Vec<f64> = pilot.iter().map(|&f| scale.at(f)).collect();
        let mut sorted: Vec<f64> = counting.iter().map(|&f| scale.at(f)).collect();
        sorted.sort_unstable_by(f64::total_cmp);
        scale.most_m = TRIM * median(&sorted);
        own.iter_mut().for_each(|h| *h = h.min(scale.most_m));
        (scale, own)
    }

    /// The bandwidth where the pilot density is so much, in metres.
    pub fn at(&self, pilot: f64) -> f64 {
        let log = pilot.max(f64::MIN_POSITIVE).ln();
        (self.bandwidth_m * (0.5 * (self.mean_log - log)).exp()).min(self.most_m)
    }
}

/// Share of each place's kernel that lies inside a window, where every place has a bandwidth
/// of its own: between shares for two bandwidths at most a tenth apart, in proportion of the
/// logarithm; good to [`mass_error`].
pub(super) fn masses_between(
    window: &Window,
    places: &[GroundPoint],
    bandwidths_m: &[f64],
    kernel: Kernel,
) -> Vec<f64> {
    let least_m = bandwidths_m.iter().copied().fold(f64::INFINITY, f64::min);
    let position = |h: f64| (h / least_m).ln() / LOG_STEP;
    let mut by_step: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
    for (index, &h) in bandwidths_m.iter().enumerate() {
        by_step.entry(position(h) as usize).or_default().push(index);
    }
    let mut shares = vec![0.0; places.len()];
    for (step, indices) in by_step {
        let here: Vec<GroundPoint> = indices.iter().map(|&k| places[k]).collect();
        let at = |step: usize| masses(window, &here, kernel, least_m * (step as f64 * LOG_STEP).exp());
        let (narrow, wide) = (at(step), at(step + 1));
        for ((k, narrow), wide) in indices.into_iter().zip(narrow).zip(wide) {
            let part = position(bandwidths_m[k]) - step as f64;
            shares[k] = narrow + part * (wide - narrow);
        }
    }
    shares
}

fn median(sorted: &[f64]) -> f64 {
    match sorted.len() {
        0 => f64::NAN,
        n if n % 2 == 1 => sorted[n / 2],
        n => 0.5 * (sorted[n / 2 - 1] + sorted[n / 2]),
    }
}

/// Values on a grid, every point added to the cells it reaches. Cost: one kernel a point
/// and cell within reach (the Gaussian: one multiply-add).
pub(super) fn on_grid(
    points: &[WeightedPoint],
    bandwidths_m: &[f64],
    grid: &Grid,
    kernel: Kernel,
) -> (Vec<f32>, ErrorBound) {
    let own: Vec<Own> =
        points.iter().zip(bandwidths_m).map(|(&point, &bandwidth_m)| Own { point, bandwidth_m }).collect();
    let mut values = vec![0.0; grid.cells()];
    window::add(&own, grid, kernel, &mut values);
    let peaks_per_km2 =
        own.iter().map(|o| o.point.weight * kernel.peak_per_m2(o.bandwidth_m)).sum::<f64>() * M2_PER_KM2;
    (values, window::error_bound(kernel, peaks_per_km2))
}

/// Values at places, term by term.
pub(super) fn at_places(
    points: &[WeightedPoint],
    bandwidths_m: &[f64],
    places: &[GroundPoint],
    kernel: Kernel,
) -> Vec<f64> {
    let value = |at: &GroundPoint| {
        let term = |(p, &h): (&WeightedPoint, &f64)| {
            p.weight * kernel.density_per_m2(exact::square_distance_m2(p.at, *at), h)
        };
        points.iter().zip(bandwidths_m).map(term).sum::<f64>() * M2_PER_KM2
    };
    places.par_iter().map(value).collect()
}

/// Mass of every point's own kernel inside a window.
pub(super) fn own_masses(
    window: &Window,
    points: &[WeightedPoint],
    bandwidths_m: &[f64],
    kernel: Kernel,
) -> Vec<f64> {
    points.par_iter().zip(bandwidths_m).map(|(p, &h)| window.mass(p.at, kernel, h)).collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::{MultiPolygon, polygon};

    /// Found on a random property: a record of count 0 far from all others pulled every bandwidth
    /// down to centimetres, and the surface was empty.
    #[test]
    fn a_lonely_point_of_no_weight_leaves_bandwidths_as_they_are() {
        let point = |x_m: f64, weight: f64| WeightedPoint { at: GroundPoint::new(x_m, 0.0), weight };
        let with = [point(0.0, 1.0), point(150.0, 2.0), point(400.0, 1.0)];
        let and_one = [with.as_slice(), &[point(90_000.0, 0.0)]].concat();
        let bandwidths = |points: &[WeightedPoint]| bandwidths_m(points, Kernel::Triangular, 400.0, 400.0);
        assert_eq!(bandwidths(&with), bandwidths(&and_one)[..3]);
        assert!(bandwidths(&[point(0.0, 0.0)]).iter().all(|h| h.is_finite()));
    }

    #[test]
    fn medians_and_the_range_of_bandwidths() {
        assert_eq!(median(&[3.0]), 3.0);
        assert_eq!(median(&[3.0, 7.0]), 5.0);
        assert_eq!(median(&[1.0, 2.0, 7.0]), 2.0);
        assert_eq!(median(&[1.0, 2.0, 7.0, 9.0, 20.0, 30.0]), 8.0);
        assert!(median(&[]).is_nan());
        let spread = Spread::of(&[40.0, 10.0, 25.0, 7.0]);
        assert_eq!(spread, Spread { least_m: 7.0, median_m: 17.5, most_m: 40.0 });
        let none = Spread::of(&[]);
        assert!(none.least_m.is_nan() && none.median_m.is_nan() && none.most_m.is_nan());
    }

    /// Two points far apart, of weights 1 and 16: pilots go as the weights, their geometric mean as 4,
    /// so bandwidths are h₀ · (1/4)^(−1/2) and h₀ · (16/4)^(−1/2). A third with hardly any weight is
    /// held to five times the median.
    #[test]
    fn bandwidths_go_with_the_root_of_the_pilot() {
        let point = |x_m: f64, weight: f64| WeightedPoint { at: GroundPoint::new(x_m, 0.0), weight };
        for kernel in Kernel::ALL {
            let points = [point(0.0, 1.0), point(1e6, 16.0)];
            let found = adaptive_bandwidths_m(&points, kernel, 300.0, 100.0);
            assert!((found[0] - 200.0).abs() < 1e-9 && (found[1] - 50.0).abs() < 1e-9, "{found:?}");
            let points = [point(0.0, 1.0), point(1e6, 1.0), point(2e6, 1e-6)];
            let found = adaptive_bandwidths_m(&points, kernel, 300.0, 100.0);
            // The logarithm's mean is that of 1e-2: 0.1 h₀, which is the median.
            assert!((found[0] - 10.0).abs() < 1e-9 && (found[2] - 50.0).abs() < 1e-9, "{found:?}");
            let (scale, own) = Scale::of(&points, kernel, 300.0, 100.0);
            assert_eq!(own, found);
            // Where nothing is near, the widest.
            assert!((scale.at(0.0) - 50.0).abs() < 1e-9);
        }
    }

    /// No window can lose more than all of what is above, or all of what is below.
    #[test]
    fn what_shares_between_steps_cost_is_bounded_by_the_kernels_themselves() {
        const RINGS: u32 = 20_000;
        for kernel in Kernel::ALL {
            let end = kernel.radius_m(1.0).map_or(9.0, |radius| 1.2 * radius);
            let above = |part: f64| -> f64 {
                let ring = |k: u32| {
                    let s = (f64::from(k) + 0.5) / f64::from(RINGS) * end;
                    let of = |part: f64| kernel.density_per_m2(s * s, (part * LOG_STEP).exp());
                    let more = (1.0 - part) * of(0.0) + part * of(1.0) - of(part);
                    more.max(0.0) * std::f64::consts::TAU * s * end / f64::from(RINGS)
                };
                (0..RINGS).map(ring).sum()
            };
            let worst = (1..50).map(|k| above(f64::from(k) / 50.0)).fold(0.0, f64::max);
            let bound = mass_error(kernel);
            assert!(worst < bound && worst > 0.9 * bound, "{kernel}: {worst:e}");
        }
        // A disc about the place, as wide as the second's kernel (twice the bandwidth), comes near it.
        let around = |k: u32| f64::from(k) / 720.0 * std::f64::consts::TAU;
        let rim: Vec<(f64, f64)> =
            (0..720).map(|k| (100.0 * around(k).cos(), 100.0 * around(k).sin())).collect();
        let disc = geo_types::Polygon::new(geo_types::LineString::from(rim), Vec::new());
        let window = Window::new(&MultiPolygon(vec![disc])).unwrap();
        let middle = [GroundPoint::new(0.0, 0.0), GroundPoint::new(0.0, 0.0)];
        let bandwidths_m = [47.5, 50.0];
        let found = masses_between(&window, &middle, &bandwidths_m, Kernel::Uniform);
        let error = (found[1] - window.mass(middle[1], Kernel::Uniform, bandwidths_m[1])).abs();
        assert!(error > 0.02 && error < mass_error(Kernel::Uniform), "{error:e}");
    }

    /// Shares between steps of the bandwidth are close to those of every bandwidth itself, beside
    /// straight edges and in corners.
    #[test]
    fn masses_between_steps_are_close_to_those_of_each_bandwidth() {
        let window = Window::new(&MultiPolygon(vec![polygon![
            (x: 0., y: 0.), (x: 2000., y: 0.), (x: 2000., y: 1600.), (x: 0., y: 1600.)
        ]]))
        .unwrap();
        let places: Vec<GroundPoint> = (0..400)
            .map(|k| GroundPoint::new(f64::from(k * 74 % 1994), f64::from(k * 122 % 1602)))
            .filter(|&at| window.contains(at))
            .collect();
        let bandwidths_m: Vec<f64> =
            (0..places.len()).map(|k| 30.0 * (1.0 + (k * 13 % 50) as f64 / 10.0)).collect();
        for kernel in Kernel::ALL {
            let found = masses_between(&window, &places, &bandwidths_m, kernel);
            let weighted: Vec<WeightedPoint> = places.iter().map(|&at| WeightedPoint::new(at, 1.0)).collect();
            let exact = own_masses(&window, &weighted, &bandwidths_m, kernel);
            let worst = found.iter().zip(&exact).map(|(f, e)| (f - e).abs()).fold(0.0, f64::max);
            // Masses run from a quarter to one.
            let (least, most) = exact.iter().fold((1.0, 0.0), |(l, m), &e| (f64::min(l, e), f64::max(m, e)));
            let tolerance = mass_error(kernel);
            assert!(least < 0.4 && most > 0.999 && worst < tolerance, "{kernel}: {worst:e}, {least}");
        }
        assert!(masses_between(&window, &[], &[], Kernel::Quartic).is_empty());
    }

    /// At the centres of cells both ways give the same sums.
    #[test]
    fn cells_and_places_agree() {
        let points: Vec<WeightedPoint> = (0..40_u32)
            .map(|k| GroundPoint::new(f64::from(k * 37 % 101) * 7.0, f64::from(k * 53 % 89) * 6.0))
            .map(|at| WeightedPoint::new(at, 2.5))
            .collect();
        let grid = Grid { west_m: -50.0, north_m: 600.0, cell_m: 25.0, columns: 30, rows: 25 };
        let centres: Vec<GroundPoint> =
            (0..grid.cells()).map(|cell| grid.centre(cell / grid.columns, cell % grid.columns)).collect();
        for kernel in Kernel::ALL {
            let own = adaptive_bandwidths_m(&points, kernel, 80.0, 60.0);
            let (cells, bound) = on_grid(&points, &own, &grid, kernel);
            let exact = at_places(&points, &own, &centres, kernel);
            assert!(exact.iter().any(|&v| v > 100.0));
            for (cell, exact) in cells.iter().zip(exact) {
                let error = (f64::from(*cell) - exact).abs();
                assert!(error <= bound.relative * exact + bound.absolute_per_km2, "{kernel}: {cell} {exact}");
            }
            // What the Gaussian loses where it is cut is as large as the sum of all peaks makes it.
            let peaks: f64 = own.iter().map(|&h| 2.5e6 * kernel.peak_per_m2(h)).sum();
            let cut = if kernel == Kernel::Gaussian { (-0.5 * 7.5_f64 * 7.5).exp() * peaks } else { 0.0 };
            assert!((bound.absolute_per_km2 - cut).abs() <= 1e-12 * cut);
        }
    }
}
