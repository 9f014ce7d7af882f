//! What the error of the fast way never exceeds.

use std::f64::consts::PI;

use super::super::{ErrorBound, Kernel};
use super::compact::steps_a_radius;
use super::{ORDER, REACH_BANDWIDTHS};

/// Distance in bandwidths out to which a point's error is counted as relative.
const RELATIVE_BANDWIDTHS: f64 = 6.5;
/// Unit roundoff of f32.
pub(super) const ROUNDING: f64 = 6e-8;
/// Rounding of a transform there and back in f32, as a share of the greatest value.
const TRANSFORM_ROUNDING: f64 = 2e-6;

/// Bound of the coarse way, for points whose kernels together would peak at `peak_per_km2`
/// if they stood on one place.
///
/// A point ρ bandwidths away contributes with a relative error of at most
/// ε₂(ρ) = max over the directions of its offset; beyond 6.5 bandwidths, what it
/// contributes is counted whole.
pub(super) fn of_coarse(steps_a_bandwidth: f64, peak_per_km2: f64) -> ErrorBound {
    let rounding = (ORDER + 4) as f64 * ROUNDING;
    let tail = |rho: f64| (-0.5 * rho * rho).exp();
    // From 6.5 to the cut the error is at most 2ε of the value; beyond the cut it is the value.
    let far =
        two_axes(REACH_BANDWIDTHS, steps_a_bandwidth) * tail(RELATIVE_BANDWIDTHS) + tail(REACH_BANDWIDTHS);
    ErrorBound {
        relative: two_axes(RELATIVE_BANDWIDTHS, steps_a_bandwidth) + rounding,
        absolute_per_km2: far * peak_per_km2,
    }
}

/// Bound of the compact way: the waves that the coarse grid cuts off leave an error of a
/// fixed share of every point's peak.
///
/// The quartic is smooth at its rim and its error goes with (H/R)²; the Epanechnikov has a
/// kink there and the cone a tip, and their errors go with H/R. The factors are twice the
/// worst seen (0.19, 0.26 and 0.33) over all cells for points all over a coarse cell; they
/// hold for a single point and are very cautious for many. The disc jumps at its rim, where
/// waves that are cut off are missed whatever the step: 0.58 of a point's peak at most was
/// seen on the rim, 0.15 two steps off it, 0.03 six. The transform's own rounding is spread
/// over the whole grid.
pub(super) fn of_compact(kernel: Kernel, peak_per_km2: f64) -> ErrorBound {
    let steps = steps_a_radius(kernel);
    let cut = match kernel {
        Kernel::Gaussian => 0.0,
        Kernel::Uniform => 0.75,
        Kernel::Quartic => 0.38 / (steps * steps),
        Kernel::Epanechnikov => 0.52 / steps,
        Kernel::Triangular => 0.66 / steps,
    };
    let share = cut + TRANSFORM_ROUNDING;
    ErrorBound { relative: (ORDER + 4) as f64 * ROUNDING, absolute_per_km2: share * peak_per_km2 }
}

/// ε₂(ρ): the error along both axes together, for the worst direction of the offset.
fn two_axes(rho: f64, steps_a_bandwidth: f64) -> f64 {
    (0..=16)
        .map(|k| {
            let (sin, cos) = (f64::from(k) / 32.0 * PI / 2.0).sin_cos();
            let (x, y) = (aliases(rho * cos, steps_a_bandwidth), aliases(rho * sin, steps_a_bandwidth));
            x + y + x * y
        })
        .fold(0.0, f64::max)
}

/// ε(ρ): relative error along one axis from the aliases of the spline,
///
/// ε(ρ) ≤ E[2A + A²], A = θᵐ Σ_{l≥1} [(2πl − a)^(−m) + (2πl + a)^(−m)],
/// θ = √(Z² + ρ²)/α, a = |Z|/α, Z standard normal,
///
/// which follows from the series of the spline's transform about the multiples of 2π, taken
/// along the path on which the taps are computed.
fn aliases(rho: f64, steps_a_bandwidth: f64) -> f64 {
    let nodes = 400;
    let end = 9.0_f64.min(PI * steps_a_bandwidth);
    let dz = 2.0 * end / f64::from(nodes);
    (0..=nodes)
        .map(|k| {
            let z = -end + f64::from(k) * dz;
            let share = if k == 0 || k == nodes { 0.5 } else { 1.0 };
            let theta = (z * z + rho * rho).sqrt() / steps_a_bandwidth;
            let a = z.abs() / steps_a_bandwidth;
            let order = ORDER as i32;
            let series: f64 = (1..=20)
                .map(|l| 2.0 * PI * f64::from(l))
                .map(|l| (l - a).powi(-order) + (l + a).powi(-order))
                .sum();
            let alias = theta.powi(order) * series;
            share * (-0.5 * z * z).exp() / (2.0 * PI).sqrt() * dz * (2.0 * alias + alias * alias)
        })
        .sum()
}

#[cfg(test)]
mod tests {
    use super::super::{STEPS_A_BANDWIDTH, Smoother};
    use super::*;
    use crate::frame::GroundPoint;
    use crate::surface::{Grid, M2_PER_KM2, WeightedPoint};
    use approx::assert_relative_eq;

    /// The series of all aliases is a pair of Hurwitz zeta functions; integrated with scipy 1.17.1
    /// (`zeta`, `quad`).
    #[test]
    fn aliases_are_those_of_the_zeta_function() {
        for (steps, rho, expected) in [
            (5.4, 0.0, 3.137538978726423e-10),
            (5.4, 2.0, 3.005202580959627e-09),
            (5.4, 6.5, 8.369811402886318e-06),
            (3.0, 0.0, 5.887_639_615_924_463e-8),
            (3.0, 2.0, 4.491_766_626_852_802e-7),
            (3.0, 6.5, 0.0010078696491050514),
            (2.0, 2.0, 2.001_164_317_407_718e-5),
        ] {
            // The factor e^(−z²/2) cut at nine, or at half a turn a step.
            assert_relative_eq!(aliases(rho, steps), expected, max_relative = 1e-6);
        }
    }

    /// The worst direction of the offset is along an axis; what lies far off is its tail.
    #[test]
    fn the_bound_of_the_coarse_way_is_what_its_aliases_leave() {
        let far = (-0.5 * 6.5_f64.powi(2)).exp();
        let beyond = (-0.5 * 7.5_f64.powi(2)).exp();
        assert_relative_eq!(two_axes(6.5, 5.4), 8.370125159410252e-06, max_relative = 1e-7);
        assert_relative_eq!(two_axes(7.5, 5.4), 2.5574144858781413e-05, max_relative = 1e-7);
        // Both axes err by a factor each: (1 + x)(1 + y) − 1.
        let both = (1.0 + aliases(6.5, 2.0)) * (1.0 + aliases(0.0, 2.0)) - 1.0;
        assert_relative_eq!(two_axes(6.5, 2.0), both, max_relative = 1e-12);
        let bound = of_coarse(STEPS_A_BANDWIDTH, 100.0);
        assert_relative_eq!(bound.relative, 8.370125159410252e-06 + 12.0 * 6e-8, max_relative = 1e-7);
        let absolute = 100.0 * (2.5574144858781413e-05 * far + beyond);
        assert_relative_eq!(bound.absolute_per_km2, absolute, max_relative = 1e-7);
    }

    /// Bounds are not far from what single records show: a fifth of them at the least. (On its rim the
    /// disc is missed by what the step does not tell.)
    #[test]
    fn the_bound_of_the_compact_way_is_near_what_is_seen() {
        let grid = Grid { west_m: 0.0, north_m: 1500.0, cell_m: 5.0, columns: 300, rows: 300 };
        for kernel in [Kernel::Quartic, Kernel::Epanechnikov, Kernel::Triangular] {
            let peak_per_km2 = kernel.peak_per_m2(200.0) * M2_PER_KM2;
            let bound = of_compact(kernel, 3.0 * peak_per_km2);
            assert_relative_eq!(bound.relative, 12.0 * 6e-8, max_relative = 1e-12);
            let smoother = Smoother::new(grid, kernel, 200.0).unwrap();
            let mut worst = 0.0;
            for k in 0..10 {
                let at = GroundPoint::new(750.0 + 1.3 * f64::from(k), 747.0 + 0.7 * f64::from(k * k % 10));
                let points = [WeightedPoint::new(at, 3.0)];
                let errors = smoother.coarsely(&points).into_iter().zip(smoother.exactly(&points));
                worst = errors.map(|(c, e)| f64::from((c - e).abs())).fold(worst, f64::max);
            }
            assert!(worst < bound.absolute_per_km2, "{kernel}: {worst} {bound:?}");
            assert!(worst > 0.2 * bound.absolute_per_km2, "{kernel}: {worst} {bound:?}");
        }
    }
}
