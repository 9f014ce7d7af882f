//! Two-stage plug-in bandwidths.

use std::f64::consts::PI;

use crate::frame::GroundPoint;

use super::super::Extent;
use super::reference::{both, standard_deviation};
use super::spectrum::Spectrum;

/// A correlation matrix with less has its records on one line.
const LEAST_DETERMINANT: f64 = 1e-12;

/// Most points whose pairs are summed one by one.
const DIRECT: usize = 400;
/// Steps to a pilot bandwidth in a spectrum: derivatives of order six weigh high waves.
const STEPS_A_PILOT: f64 = 8.0;
/// Pilot bandwidths after which sixth derivatives of the Gaussian have died out.
const DIES_OUT: f64 = 10.0;

/// Geometric mean of the plug-in bandwidths of the two axes; `None` if the places lie on
/// one line.
///
/// The places are scaled to unit standard deviation along each axis. Integrated density
/// derivatives ψ of order eight are taken from the normal density of the same covariance;
/// from them the pilot for order six, from those the pilot for order four, each minimising
/// the sum of asymptotic square errors over the even derivatives of its order (SAMSE: Duong
/// & Hazelton 2003, J. Nonparam. Stat. 15:17–30); pairs of a point with itself are kept.
/// The bandwidths minimise the asymptotic error for a diagonal matrix (Wand & Jones 1994,
/// Comput. Stat. 9:97–116).
pub(super) fn bandwidth_m(places: &[GroundPoint]) -> Option<f64> {
    let [sd_x, sd_y] = both(places, standard_deviation);
    if !(sd_x > 0.0 && sd_y > 0.0) {
        return None;
    }
    let scaled: Vec<GroundPoint> =
        places.iter().map(|p| GroundPoint::new(p.x_m / sd_x, p.y_m / sd_y)).collect();
    let n = places.len() as f64;
    let order_8 = normal_derivatives(8, correlation(&scaled))?;
    let order_6 = derivatives(6, &scaled, pilot(6, &order_8, n));
    let order_4 = derivatives(4, &scaled, pilot(4, &order_6, n));
    let [psi_04, psi_22, psi_40] = order_4[..] else { return None };
    // ∫K² of the Gaussian.
    let roughness = 1.0 / (4.0 * PI);
    let h_x = (psi_04.powf(0.75) * roughness / (psi_40.powf(0.75) * ((psi_40 * psi_04).sqrt() + psi_22) * n))
        .powf(1.0 / 6.0);
    let h_y = (psi_40 / psi_04).powf(0.25) * h_x;
    let mean_m = (h_x * sd_x * h_y * sd_y).sqrt();
    mean_m.is_finite().then_some(mean_m)
}

fn correlation(scaled: &[GroundPoint]) -> f64 {
    let n = scaled.len() as f64;
    let (x, y) =
        (scaled.iter().map(|p| p.x_m).sum::<f64>() / n, scaled.iter().map(|p| p.y_m).sum::<f64>() / n);
    scaled.iter().map(|p| (p.x_m - x) * (p.y_m - y)).sum::<f64>() / (n - 1.0)
}

/// ψ of even orders (0, j), (2, j − 2), …, (j, 0) for the normal density of unit variances:
/// derivatives at zero of the normal density with twice the covariance. `None` for places
/// on a line.
fn normal_derivatives(order: usize, correlation: f64) -> Option<Vec<f64>> {
    let determinant = 1.0 - correlation * correlation;
    if determinant < LEAST_DETERMINANT {
        return None;
    }
    // Inverse of twice the covariance.
    let (same, cross) = (0.5 / determinant, -0.5 * correlation / determinant);
    let at_zero = 1.0 / (4.0 * PI * determinant.sqrt());
    let sign = if order.is_multiple_of(4) { 1.0 } else { -1.0 };
    Some((0..=order / 2).map(|k| sign * at_zero * normal_moment(2 * k, order - 2 * k, same, cross)).collect())
}

/// E[Xᵃ Yᵇ] of a centred normal pair of equal variances (Isserlis 1918).
fn normal_moment(a: usize, b: usize, variance: f64, covariance: f64) -> f64 {
    match (a, b) {
        (0, 0) => 1.0,
        (0, _) => (b - 1) as f64 * variance * normal_moment(0, b - 2, variance, covariance),
        (1, 0) => 0.0,
        (1, _) => b as f64 * covariance * normal_moment(0, b - 1, variance, covariance),
        _ => {
            let with_own = (a - 1) as f64 * variance * normal_moment(a - 2, b, variance, covariance);
            let with_other = match b {
                0 => 0.0,
                _ => b as f64 * covariance * normal_moment(a - 1, b - 1, variance, covariance),
            };
            with_own + with_other
        }
    }
}

/// The pilot bandwidth for ψ of an order, from those of two orders higher.
fn pilot(order: usize, higher: &[f64], n: f64) -> f64 {
    let (mut a1, mut a2, mut a3) = (0.0, 0.0, 0.0);
    for k in 0..=order / 2 {
        let at_zero = gaussian_derivative(2 * k, 0.0, 1.0) * gaussian_derivative(order - 2 * k, 0.0, 1.0);
        let curvature = higher[k + 1] + higher[k];
        a1 += at_zero * at_zero;
        a2 += at_zero * curvature;
        a3 += curvature * curvature;
    }
    let (b1, b2) = ((2 * order + 4) as f64 * a1, order as f64 * a2);
    let ratio = 2.0 * b1 / (-b2 + (b2 * b2 + 4.0 * b1 * a3).sqrt());
    (ratio / n).powf(1.0 / (order + 4) as f64)
}

/// ψ of even orders (0, j), (2, j − 2), …, (j, 0): means over all pairs of the derivatives
/// of a Gaussian of the pilot bandwidth.
fn derivatives(order: usize, scaled: &[GroundPoint], pilot: f64) -> Vec<f64> {
    let n = scaled.len() as f64;
    if scaled.len() <= DIRECT {
        return (0..=order / 2).map(|k| direct(scaled, 2 * k, order - 2 * k, pilot) / (n * n)).collect();
    }
    let origin = GroundPoint::default();
    let extent = Extent::of(scaled.iter().copied()).unwrap_or(Extent { min: origin, max: origin });
    let spectrum = Spectrum::new(scaled, extent, pilot / STEPS_A_PILOT, DIES_OUT * pilot);
    let sign = if order.is_multiple_of(4) { 1.0 } else { -1.0 };
    let transform = |times: i32| move |k: f64| k.powi(times) * (-0.5 * (pilot * k).powi(2)).exp();
    (0..=order / 2)
        .map(|k| (2 * k) as i32)
        .map(|x| sign * spectrum.sum(transform(x), transform(order as i32 - x)) / (n * n))
        .collect()
}

fn direct(scaled: &[GroundPoint], x: usize, y: usize, pilot: f64) -> f64 {
    let pair = |a: &GroundPoint, b: &GroundPoint| {
        gaussian_derivative(x, a.x_m - b.x_m, pilot) * gaussian_derivative(y, a.y_m - b.y_m, pilot)
    };
    scaled.iter().map(|a| scaled.iter().map(|b| pair(a, b)).sum::<f64>()).sum()
}

/// Derivative of an order of the normal density of a standard deviation: (−1)ʳ Heᵣ(z) φ(z)
/// over σ^(r+1).
fn gaussian_derivative(order: usize, at: f64, sigma: f64) -> f64 {
    let z = at / sigma;
    let (mut hermite, mut before) = (1.0, 0.0);
    for k in 0..order {
        (hermite, before) = (z * hermite - k as f64 * before, hermite);
    }
    let sign = if order.is_multiple_of(2) { 1.0 } else { -1.0 };
    sign * hermite * (-0.5 * z * z).exp() / ((2.0 * PI).sqrt() * sigma.powi(order as i32 + 1))
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn spectrum_and_double_sum_agree() {
        let scaled: Vec<GroundPoint> = (0..DIRECT as u32 + 50)
            .map(|k| GroundPoint::new(f64::from(k * k % 1009) / 300.0, f64::from(k * 31 % 499) / 150.0))
            .collect();
        let n = scaled.len() as f64;
        for (order, pilot) in [(4, 0.3), (6, 0.4)] {
            for (k, found) in derivatives(order, &scaled, pilot).into_iter().enumerate() {
                let expected = direct(&scaled, 2 * k, order - 2 * k, pilot) / (n * n);
                assert_relative_eq!(found, expected, max_relative = 1e-6);
            }
        }
    }

    /// Moments of a normal pair with variance v and covariance c: E X² = v, E XY = c, E X⁴ = 3v²,
    /// E X²Y² = v² + 2c², E X³Y = 3vc, E X⁶ = 15v³, E X⁴Y² = 3v³ + 12vc², E X³Y³ = 9v²c + 6c³,
    /// E X⁴Y⁴ = 9v⁴ + 72v²c² + 24c⁴ (Isserlis 1918).
    #[test]
    fn moments_of_a_normal_pair_by_hand() {
        let (v, c) = (1.7_f64, -0.6_f64);
        for (a, b, expected) in [
            (0, 0, 1.0),
            (2, 0, v),
            (1, 1, c),
            (4, 0, 3.0 * v * v),
            (2, 2, v * v + 2.0 * c * c),
            (3, 1, 3.0 * v * c),
            (6, 0, 15.0 * v.powi(3)),
            (4, 2, 3.0 * v.powi(3) + 12.0 * v * c * c),
            (3, 3, 9.0 * v * v * c + 6.0 * c.powi(3)),
            (4, 4, 9.0 * v.powi(4) + 72.0 * v * v * c * c + 24.0 * c.powi(4)),
            (5, 1, 15.0 * v * v * c),
        ] {
            assert_relative_eq!(normal_moment(a, b, v, c), expected, max_relative = 1e-14);
            assert_relative_eq!(normal_moment(b, a, v, c), expected, max_relative = 1e-14);
        }
    }

    /// φ, −zφ, (z² − 1)φ, −(z³ − 3z)φ, (z⁴ − 6z² + 3)φ, (z⁶ − 15z⁴ + 45z² − 15)φ, over σ^(r+1).
    #[test]
    fn derivatives_of_the_normal_density_by_hand() {
        for (z, sigma) in [(0.0_f64, 1.0_f64), (0.7, 2.0), (-1.9, 0.5)] {
            let density = (-0.5 * z * z).exp() / (2.0 * PI).sqrt();
            for (order, hermite) in [
                (0, 1.0),
                (1, -z),
                (2, z * z - 1.0),
                (3, -(z.powi(3) - 3.0 * z)),
                (4, z.powi(4) - 6.0 * z * z + 3.0),
                (6, z.powi(6) - 15.0 * z.powi(4) + 45.0 * z * z - 15.0),
            ] {
                let expected = hermite * density / sigma.powi(order as i32 + 1);
                assert_relative_eq!(
                    gaussian_derivative(order, z * sigma, sigma),
                    expected,
                    epsilon = 1e-15,
                    max_relative = 1e-12
                );
            }
        }
    }

    /// ψ of a normal density with itself by sums over a fine raster of its derivatives, without and
    /// with a correlation.
    #[test]
    fn normal_derivatives_are_integrals_over_the_plane() {
        // ψ_rs = ∫ f^(r,s) f; without correlation a product of φ^(r)(0) with a deviation of √2.
        for order in [4, 6, 8] {
            let found = normal_derivatives(order, 0.0).unwrap();
            assert_eq!(found.len(), order / 2 + 1);
            for (k, found) in found.into_iter().enumerate() {
                let at_zero = |r: usize| gaussian_derivative(r, 0.0, 2_f64.sqrt());
                assert_relative_eq!(found, at_zero(2 * k) * at_zero(order - 2 * k), max_relative = 1e-12);
            }
        }
        // ψ₀₄ and ψ₂₂ with correlation ρ, from fourth differences of the density of twice the covariance.
        let rho = 0.4_f64;
        let density = |x: f64, y: f64| {
            let det = 1.0 - rho * rho;
            (-(x * x - 2.0 * rho * x * y + y * y) / (4.0 * det)).exp() / (4.0 * PI * det.sqrt())
        };
        let (s, second) = (0.01, [1.0, -2.0, 1.0]);
        let fourth = [1.0, -4.0, 6.0, -4.0, 1.0];
        let psi_04: f64 =
            (0..5).map(|k| fourth[k] * density(0.0, s * (k as f64 - 2.0))).sum::<f64>() / s.powi(4);
        let psi_22: f64 = (0..9)
            .map(|k| (k / 3, k % 3))
            .map(|(i, j)| second[i] * second[j] * density(s * (i as f64 - 1.0), s * (j as f64 - 1.0)))
            .sum::<f64>()
            / s.powi(4);
        let found = normal_derivatives(4, rho).unwrap();
        assert_relative_eq!(found[0], psi_04, max_relative = 1e-3);
        assert_relative_eq!(found[1], psi_22, max_relative = 1e-3);
        assert_relative_eq!(found[2], psi_04, max_relative = 1e-3);
        assert_eq!(normal_derivatives(4, 1.0), None);
        assert_eq!(normal_derivatives(4, -1.0), None);
        assert!(normal_derivatives(4, 0.999).is_some());
    }

    #[test]
    fn correlations_by_hand() {
        let of = |places: &[(f64, f64)]| {
            correlation(&places.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect::<Vec<_>>())
        };
        // Deviations (−1, −2), (0, 3), (1, −1): products 2 + 0 − 1 over 2.
        assert_relative_eq!(of(&[(4.0, 8.0), (5.0, 13.0), (6.0, 9.0)]), 0.5, max_relative = 1e-14);
        assert_relative_eq!(of(&[(1.0, 1.0), (2.0, 0.0), (3.0, -1.0)]), -1.0, max_relative = 1e-14);
    }

    /// The pilot makes the sum of the square errors least: Σ over the derivatives of
    /// (φ₀/(n g^(j+2)) + ½ g² (ψ + ψ'))², whose root is looked for here by brute force.
    #[test]
    fn the_pilot_makes_the_errors_least() {
        for (order, rho, n) in [(6, 0.0, 40.0), (6, 0.5, 1000.0), (4, -0.7, 300.0)] {
            let higher = normal_derivatives(order + 2, rho).unwrap();
            let errors = |g: f64| -> f64 {
                (0..=order / 2)
                    .map(|k| {
                        let own = gaussian_derivative(2 * k, 0.0, 1.0)
                            * gaussian_derivative(order - 2 * k, 0.0, 1.0);
                        let bias =
                            own / (n * g.powi(order as i32 + 2)) + 0.5 * g * g * (higher[k] + higher[k + 1]);
                        bias * bias
                    })
                    .sum()
            };
            let found = pilot(order, &higher, n);
            for aside in [0.99, 0.9999, 1.0001, 1.01] {
                assert!(errors(found) < errors(found * aside), "{order} {rho} {aside}");
            }
        }
    }

    /// Places on a line or at one place have none; scaled places have it scaled.
    #[test]
    fn bandwidths_ask_for_spread_both_ways() {
        let of = |x_by: f64, y_by: f64| -> Option<f64> {
            let place =
                |k: u32| GroundPoint::new(x_by * f64::from(k * k % 101), y_by * f64::from(k * 31 % 47));
            bandwidth_m(&(0..60).map(place).collect::<Vec<_>>())
        };
        let one = of(1.0, 1.0).unwrap();
        assert_relative_eq!(of(9.0, 1.0).unwrap(), 3.0 * one, max_relative = 1e-9);
        assert_relative_eq!(of(4.0, 4.0).unwrap(), 4.0 * one, max_relative = 1e-9);
        assert_eq!((of(1.0, 0.0), of(0.0, 1.0), of(0.0, 0.0)), (None, None, None));
        let slant: Vec<GroundPoint> = (0..30).map(f64::from).map(|k| GroundPoint::new(k, 2.0 * k)).collect();
        assert_eq!(bandwidth_m(&slant), None);
    }
}
