//! The taps that turn spline sums into a Gaussian.

use std::f64::consts::PI;

use realfft::num_complex::Complex;

use super::REACH_BANDWIDTHS;

/// Square of the angle below which a series of two terms is exact to the last digit.
const SMALL_SQUARED: f64 = 1e-8;

/// Nodes of the trapezoid rule; its error is far below rounding for these integrands.
const NODES: i32 = 161;
/// Where the integrand has fallen below rounding, in standard deviations.
const END: f64 = 9.0;

/// Taps q₀, q₁, … of the convolution along one axis, out to the Gaussian's reach.
///
/// With S(θ) = sin(θ/2)/(θ/2) the spline of order m smooths by Sᵐ. Spreading and
/// interpolating smooth by S²ᵐ, so the taps carry Ĝ/S²ᵐ (`power` = 2m):
///
/// q_j = 1/2π ∫ e^(−σ²k²/2) S(kH)^(−power) e^(ikjH) dk, in units of 1/σ here.
///
/// The path of integration is moved to k = u + i jH/σ², where the integrand does not
/// oscillate and e^(−r²/2σ²) comes out as a factor: taps far out keep full relative
/// accuracy, and all are positive.
pub(super) fn gaussian(steps_a_bandwidth: f64, power: i32) -> Vec<f64> {
    let step = 1.0 / steps_a_bandwidth;
    let count = (REACH_BANDWIDTHS * steps_a_bandwidth).ceil() as usize + 1;
    (0..count).map(|j| tap(j as f64 * step, step, power)).collect()
}

/// One tap, for a distance and a step in bandwidths.
fn tap(distance: f64, step: f64, power: i32) -> f64 {
    let end = (PI / step).min(END);
    let du = 2.0 * end / f64::from(NODES - 1);
    let sum: f64 = (0..NODES)
        .map(|k| {
            let u = -end + f64::from(k) * du;
            let share = if k == 0 || k == NODES - 1 { 0.5 } else { 1.0 };
            share * (-0.5 * u * u).exp() * sinc_half(Complex::new(u, distance) * step).powi(-power).re
        })
        .sum();
    (-0.5 * distance * distance).exp() * sum * du / (2.0 * PI)
}

/// sin(θ/2)/(θ/2) of a complex number.
fn sinc_half(theta: Complex<f64>) -> Complex<f64> {
    let half = theta * 0.5;
    if half.norm_sqr() < SMALL_SQUARED { 1.0 - half * half / 6.0 } else { half.sin() / half }
}
