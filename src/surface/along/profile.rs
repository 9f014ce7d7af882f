//! The five kernels as functions of distance along a line, for equal-split density.
//!
//! The normal curve is cut at four standard deviations and scaled back to mass one.
//!
//! Every kernel integrates to one over a line and has the standard deviation `sigma_m`,
//! so that a bandwidth means the same whatever the kernel. Silverman (1986, p. 43) lists
//! the shapes; the half widths follow from their variances.

use statrs::function::erf::erfc;

use crate::surface::Kernel;

/// Where the normal curve is cut, in standard deviations.
const GAUSSIAN_REACH: f64 = 4.0;

/// Half width in metres: beyond it the kernel is 0.
pub(crate) fn reach_m(kernel: Kernel, sigma_m: f64) -> f64 {
    sigma_m
        * match kernel {
            Kernel::Gaussian => GAUSSIAN_REACH,
            Kernel::Quartic => 7f64.sqrt(),
            Kernel::Epanechnikov => 5f64.sqrt(),
            Kernel::Triangular => 6f64.sqrt(),
            Kernel::Uniform => 3f64.sqrt(),
        }
}

/// The kernel at a distance in metres, per metre.
pub(crate) fn per_m(kernel: Kernel, distance_m: f64, sigma_m: f64) -> f64 {
    let reach_m = reach_m(kernel, sigma_m);
    let u = distance_m.abs() / reach_m;
    if u > 1.0 {
        return 0.0;
    }
    let shape = match kernel {
        Kernel::Gaussian => {
            let z = u * GAUSSIAN_REACH;
            return (-0.5 * z * z).exp() / (sigma_m * std::f64::consts::TAU.sqrt() * gaussian_kept());
        }
        Kernel::Quartic => 15.0 / 16.0 * (1.0 - u * u).powi(2),
        Kernel::Epanechnikov => 0.75 * (1.0 - u * u),
        Kernel::Triangular => 1.0 - u,
        Kernel::Uniform => 0.5,
    };
    shape / reach_m
}

/// The mass of the kernel beyond a distance in metres on one side; a half at 0.
pub(crate) fn tail(kernel: Kernel, distance_m: f64, sigma_m: f64) -> f64 {
    let u = (distance_m / reach_m(kernel, sigma_m)).clamp(0.0, 1.0);
    let v = 1.0 - u;
    match kernel {
        Kernel::Gaussian => {
            let beyond = |z: f64| 0.5 * erfc(z * std::f64::consts::FRAC_1_SQRT_2);
            (beyond(u * GAUSSIAN_REACH) - beyond(GAUSSIAN_REACH)) / gaussian_kept()
        }
        Kernel::Quartic => v * v * v * (8.0 + 9.0 * u + 3.0 * u * u) / 16.0,
        Kernel::Epanechnikov => 0.25 * v * v * (2.0 + u),
        Kernel::Triangular => 0.5 * v * v,
        Kernel::Uniform => 0.5 * v,
    }
}

/// The integral of the square of the kernel over a line, per metre.
pub(crate) fn roughness(kernel: Kernel, sigma_m: f64) -> f64 {
    let of_unit_reach = match kernel {
        Kernel::Gaussian => return 0.5 / (std::f64::consts::PI.sqrt() * sigma_m),
        Kernel::Quartic => 5.0 / 7.0,
        Kernel::Epanechnikov => 0.6,
        Kernel::Triangular => 2.0 / 3.0,
        Kernel::Uniform => 0.5,
    };
    of_unit_reach / reach_m(kernel, sigma_m)
}

/// The tail around a distance as a polynomial in steps of `step_m`: the coefficients of
/// Σ t_j δ^j. Exact for every kernel but the normal curve, of which it is the Taylor
/// polynomial. A little beyond the reach it goes on as within.
pub(crate) fn tail_around(kernel: Kernel, distance_m: f64, sigma_m: f64, step_m: f64) -> [f64; 6] {
    if kernel == Kernel::Gaussian {
        return normal_tail_around(distance_m / sigma_m, step_m / sigma_m);
    }
    // Of the distance to the reach, as a share of it.
    let of_rest = match kernel {
        Kernel::Quartic => [0.0, 0.0, 0.0, 1.25, -0.9375, 0.1875],
        Kernel::Epanechnikov => [0.0, 0.0, 0.75, -0.25, 0.0, 0.0],
        Kernel::Triangular => [0.0, 0.0, 0.5, 0.0, 0.0, 0.0],
        Kernel::Uniform | Kernel::Gaussian => [0.0, 0.5, 0.0, 0.0, 0.0, 0.0],
    };
    let reach_m = reach_m(kernel, sigma_m);
    let mut shifted: [f64; 6] = of_rest;
    let rest = 1.0 - distance_m / reach_m;
    for from in 0..5 {
        for j in (from..5).rev() {
            shifted[j] += rest * shifted[j + 1];
        }
    }
    let mut scale = 1.0;
    for coefficient in &mut shifted {
        *coefficient *= scale;
        scale *= -step_m / reach_m;
    }
    shifted
}

/// The same for the normal curve: derivatives are Hermite polynomials.
fn normal_tail_around(z: f64, step: f64) -> [f64; 6] {
    let kept = gaussian_kept();
    let beyond = |z: f64| 0.5 * erfc(z * std::f64::consts::FRAC_1_SQRT_2);
    let curve = (-0.5 * z * z).exp() / (std::f64::consts::TAU.sqrt() * kept);
    let hermite = [1.0, z, z * z - 1.0, z * (z * z - 3.0), z * z * (z * z - 6.0) + 3.0];
    let mut around = [(beyond(z) - beyond(GAUSSIAN_REACH)) / kept, 0.0, 0.0, 0.0, 0.0, 0.0];
    let mut scale = curve;
    for j in 1..6 {
        scale *= -step / j as f64;
        around[j] = scale * hermite[j - 1];
    }
    around
}

/// The share of the normal curve within its reach.
fn gaussian_kept() -> f64 {
    1.0 - erfc(GAUSSIAN_REACH * std::f64::consts::FRAC_1_SQRT_2)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Simpson's rule over the support, which is smooth on each side of 0.
    fn moment(kernel: Kernel, from: f64, power: i32) -> f64 {
        let (sigma, steps) = (3.0, 2000);
        let h = (reach_m(kernel, sigma) - from) / f64::from(steps);
        let value = |i: i32| {
            let x = from + h * f64::from(i);
            x.powi(power) * per_m(kernel, x.min(reach_m(kernel, sigma)), sigma)
        };
        (0..steps).step_by(2).map(|i| value(i) + 4.0 * value(i + 1) + value(i + 2)).sum::<f64>() * h / 3.0
    }

    #[test]
    fn roughness_is_the_integral_of_the_square() {
        for kernel in Kernel::ALL {
            let (sigma, steps) = (3.0, 20_000);
            let h = reach_m(kernel, sigma) / f64::from(steps);
            let squares = (0..steps).map(|i| per_m(kernel, h * (f64::from(i) + 0.5), sigma).powi(2));
            let found = 2.0 * h * squares.sum::<f64>();
            // The cut normal curve is scaled up by 6e-5.
            assert!((found / roughness(kernel, sigma) - 1.0).abs() < 2e-4, "{kernel:?}");
        }
    }

    #[test]
    fn the_tail_around_a_distance_is_the_tail() {
        for kernel in Kernel::ALL {
            for distance_m in [0.4, 3.0, 4.9] {
                let around = tail_around(kernel, distance_m, 3.0, 0.1);
                for steps in [-3.0, 0.0, 2.0] {
                    let found = (0..6).rev().fold(0.0, |sum, j| sum * steps + around[j]);
                    let expected = tail(kernel, distance_m + 0.1 * steps, 3.0);
                    assert!(
                        (found - expected).abs() < 1e-8,
                        "{kernel:?} {distance_m} {steps}: {found} {expected}"
                    );
                }
            }
        }
    }

    #[test]
    fn mass_is_one_and_the_bandwidth_is_the_standard_deviation() {
        for kernel in Kernel::ALL {
            assert!((2.0 * moment(kernel, 0.0, 0) - 1.0).abs() < 1e-9, "{kernel:?}");
            let variance = 2.0 * moment(kernel, 0.0, 2);
            // Cutting the normal curve at 4 costs 0.1 % of its variance.
            let tolerance = if kernel == Kernel::Gaussian { 0.012 } else { 1e-8 };
            assert!((variance - 9.0).abs() < tolerance, "{kernel:?} {variance}");
            for from in [0.0, 0.5, 2.0, 4.5] {
                assert!((tail(kernel, from, 3.0) - moment(kernel, from, 0)).abs() < 1e-9, "{kernel:?}");
            }
        }
    }

    /// Heights at the middle, half way out and at the rim, with a half width of 2 m.
    #[test]
    fn heights_and_tails_by_hand() {
        for (kernel, half_width, heights, tail_half_way) in [
            (Kernel::Quartic, 7.0, [15.0 / 32.0, 135.0 / 512.0, 0.0], 53.0 / 512.0),
            (Kernel::Epanechnikov, 5.0, [0.375, 0.28125, 0.0], 0.15625),
            (Kernel::Triangular, 6.0, [0.5, 0.25, 0.0], 0.125),
            (Kernel::Uniform, 3.0, [0.25; 3], 0.25),
        ] {
            let sigma_m = 2.0 / f64::sqrt(half_width);
            assert!((reach_m(kernel, sigma_m) - 2.0).abs() < 1e-15);
            for (distance_m, height) in [0.0, 1.0, 2.0 - 1e-15].into_iter().zip(heights) {
                assert!((per_m(kernel, distance_m, sigma_m) - height).abs() < 1e-14, "{kernel}");
                assert!((per_m(kernel, -distance_m, sigma_m) - height).abs() < 1e-14, "{kernel}");
            }
            assert_eq!((per_m(kernel, 2.01, sigma_m), per_m(kernel, -9.0, sigma_m)), (0.0, 0.0));
            for (distance_m, mass) in [(0.0, 0.5), (1.0, tail_half_way), (2.0, 0.0), (7.0, 0.0), (-3.0, 0.5)]
            {
                assert!((tail(kernel, distance_m, sigma_m) - mass).abs() < 1e-14, "{kernel} {distance_m}");
            }
        }
        // 1 − erfc(4/√2), of the normal curve; at two deviations from tables.
        let kept = 0.999_936_657_516_334;
        assert!((gaussian_kept() - kept).abs() < 1e-14);
        assert!(
            (tail(Kernel::Gaussian, 6.0, 3.0) * kept - (0.022_750_131_948_179_2 - 0.5 * (1.0 - kept))).abs()
                < 1e-11
        );
        assert!((per_m(Kernel::Gaussian, 6.0, 3.0) * kept - 0.053_990_966_513_188_1 / 3.0).abs() < 1e-14);
        assert_eq!((reach_m(Kernel::Gaussian, 3.0), per_m(Kernel::Gaussian, 12.1, 3.0)), (12.0, 0.0));
    }
}
