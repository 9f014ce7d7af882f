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

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Taps are samples of an even function, so their cosine sum is its transform e^(−u²/2)
    /// S(u/α)^(−power), at any wave number u below those of the aliases.
    #[test]
    fn the_transform_of_the_taps_is_that_of_gaussian_over_spline() {
        for (steps, power) in [(5.4, 16), (5.4, 8), (4.0, 4)] {
            let taps = gaussian(steps, power);
            assert_eq!(taps.len(), (7.5 * steps).ceil() as usize + 1);
            assert!(taps.iter().all(|&tap| tap > 0.0));
            for u in [0.0, 0.5, 1.0, 2.0, 3.0, 4.0] {
                let wave = |j: usize| (j as f64 * u / steps).cos();
                let sides: f64 = (1..taps.len()).map(|j| 2.0 * taps[j] * wave(j)).sum();
                let half = 0.5 * u / steps;
                let smoothed = if half == 0.0 { 1.0 } else { half.sin() / half };
                let expected = (-0.5 * u * u).exp() * smoothed.powi(-power);
                assert!(((taps[0] + sides) / steps - expected).abs() < 1e-11, "{steps} {power} {u}");
            }
        }
    }

    /// With nothing to sharpen a tap is the normal density, to a relative error however far out.
    #[test]
    fn taps_of_no_spline_are_the_normal_density() {
        for (j, tap) in gaussian(4.0, 0).into_iter().enumerate() {
            let z = j as f64 / 4.0;
            assert_relative_eq!(tap, (-0.5 * z * z).exp() / (2.0 * PI).sqrt(), max_relative = 1e-12);
        }
    }

    /// sin z / z = cosh-and-sinh parts over z, and its series near zero.
    #[test]
    fn the_sine_over_its_angle_of_a_complex_number() {
        let of = |x: f64, y: f64| sinc_half(Complex::new(2.0 * x, 2.0 * y));
        assert_relative_eq!(of(0.0, 1.5).re, 1.5_f64.sinh() / 1.5, max_relative = 1e-14);
        assert_relative_eq!(of(1.5, 0.0).re, 1.5_f64.sin() / 1.5, max_relative = 1e-14);
        // sin(1 + i) / (1 + i), by sin(x + iy) = sin x cosh y + i cos x sinh y.
        let (re, im) = (1_f64.sin() * 1_f64.cosh(), 1_f64.cos() * 1_f64.sinh());
        assert_relative_eq!(of(1.0, 1.0).re, 0.5 * (re + im), max_relative = 1e-14);
        assert_relative_eq!(of(1.0, 1.0).im, 0.5 * (im - re), max_relative = 1e-14);
        // z² = 1.6e-9 i at z = 4e-5 (1 + i)/√2: one less a sixth of that.
        let small = of(4e-5 / 2_f64.sqrt(), 4e-5 / 2_f64.sqrt());
        assert_relative_eq!(small.re, 1.0, max_relative = 1e-15);
        assert_relative_eq!(small.im, -1.6e-9 / 6.0, max_relative = 1e-6);
    }
}
