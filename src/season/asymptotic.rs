//! p of a log ratio by its asymptotic error, as if records were independent.

use statrs::function::erf::erfc;

use crate::surface::Kernel;

/// One place's test.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct AsymptoticTest {
    /// Standard error of the log ratio.
    pub error: f64,
    /// Log ratio over its error.
    pub z: f64,
    /// Upper tail: the chance of a log ratio as high.
    pub p_upper: f64,
    /// Two-sided p.
    pub p: f64,
}

/// The test of Hazelton & Davies (2009, doi:10.1002/bimj.200810495) for two densities with
/// one fixed bandwidth, the error taken from the pooled density.
///
/// error² = R (1/n₁ + 1/n₂) / (σ² pooled), with `roughness` R = ∫K² of the kernel of unit
/// bandwidth: [`kernel_roughness`] in the open plane, and near an edge that is corrected by
/// dividing by the kernel's mass q inside, (1/4π) q_{σ/√2} / q_σ² for the Gaussian.
///
/// `pooled_per_m2` integrates to one; n₁ and n₂ are numbers of records. Records of one outing
/// depend on each other, so on sign surveys the test calls noise significant: show it, claim
/// nothing from it.
pub fn asymptotic_test(
    log_ratio: f64,
    pooled_per_m2: f64,
    records: (f64, f64),
    bandwidth_m: f64,
    roughness: f64,
) -> AsymptoticTest {
    let variance = roughness * (1.0 / records.0 + 1.0 / records.1) / (bandwidth_m.powi(2) * pooled_per_m2);
    of_error(log_ratio, variance.sqrt())
}

/// Two-sided p of a log ratio of rates (or patterns) at a place, for records that are
/// independent of each other: each season's sign has the variance R/σ² times its expectation
/// under no change, exposure × pooled rate.
///
/// `exposure` is what each season was exposed to there: records in all for a pattern,
/// searched km per m² for a rate; `pooled` is sign per m² over both seasons' exposure. For
/// a pattern this is [`asymptotic_test`]. NaN where there is nothing to test.
pub fn asymptotic_p(
    log_ratio: f64,
    exposure: (f64, f64),
    pooled: f64,
    bandwidth_m: f64,
    kernel: Kernel,
) -> f64 {
    let expected = (exposure.0 * pooled, exposure.1 * pooled);
    if log_ratio.is_nan() || expected.0.min(expected.1).is_nan() || expected.0.min(expected.1) <= 0.0 {
        return f64::NAN;
    }
    let scale = kernel_roughness(kernel) / bandwidth_m.powi(2);
    of_error(log_ratio, (scale * (1.0 / expected.0 + 1.0 / expected.1)).sqrt()).p
}

fn of_error(log_ratio: f64, error: f64) -> AsymptoticTest {
    let z = log_ratio / error;
    let upper = |z: f64| 0.5 * erfc(z / std::f64::consts::SQRT_2);
    AsymptoticTest { error, z, p_upper: upper(z), p: (2.0 * upper(z.abs())).min(1.0) }
}

/// ∫K² of a kernel whose standard deviation along an axis is one (Wand & Jones 1995,
/// appendix B).
pub fn kernel_roughness(kernel: Kernel) -> f64 {
    use std::f64::consts::PI;
    // Of the kernel with radius R it is a constant over πR²; R² is given by the bandwidth.
    match kernel.radius_m(1.0) {
        None => 1.0 / (4.0 * PI),
        Some(radius) => {
            let constant = match kernel {
                Kernel::Gaussian | Kernel::Uniform => 1.0,
                Kernel::Quartic => 9.0 / 5.0,
                Kernel::Epanechnikov => 4.0 / 3.0,
                Kernel::Triangular => 3.0 / 2.0,
            };
            constant / (PI * radius * radius)
        }
    }
}
