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
}
