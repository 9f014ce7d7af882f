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
