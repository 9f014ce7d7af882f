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
/// What that may cost: 4e-4 at a straight edge, twice that in a corner, and what the masses
/// themselves are good to.
pub(super) const MASS_ERROR: f64 = 2e-3;

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
/// logarithm; good to [`MASS_ERROR`].
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
}
