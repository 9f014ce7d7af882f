//! A bandwidth for every point.

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::edge::Window;
use super::fast::{Own, window};
use super::{ErrorBound, Grid, Kernel, M2_PER_KM2, WeightedPoint, densities_at, exact};

/// No point's bandwidth exceeds the median by more than this factor (Davies, Marshall &
/// Hazelton 2018).
const TRIM: f64 = 5.0;

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
    let places: Vec<GroundPoint> = points.iter().map(|p| p.at).collect();
    // Points of no weight have a density of their own as well, if others are near.
    let pilot: Vec<f64> = densities_at(points, &places, kernel, pilot_m)
        .into_iter()
        .map(|f| f.max(f64::MIN_POSITIVE))
        .collect();
    let mean_log = pilot.iter().map(|f| f.ln()).sum::<f64>() / pilot.len().max(1) as f64;
    let mut own: Vec<f64> = pilot.iter().map(|f| bandwidth_m * (0.5 * (mean_log - f.ln())).exp()).collect();
    let mut sorted = own.clone();
    sorted.sort_unstable_by(f64::total_cmp);
    let most_m = TRIM * median(&sorted);
    own.iter_mut().for_each(|h| *h = h.min(most_m));
    own
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
pub(super) fn masses(
    window: &Window,
    points: &[WeightedPoint],
    bandwidths_m: &[f64],
    kernel: Kernel,
) -> Vec<f64> {
    points.par_iter().zip(bandwidths_m).map(|(p, &h)| window.mass(p.at, kernel, h)).collect()
}
