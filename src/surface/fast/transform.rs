//! Transforms of the compact kernels.

use super::super::Kernel;

/// Step of the table in radians.
const STEP: f64 = 0.02;

/// The transform of a compact kernel of mass one, as a table over z = kR.
///
/// With Bessel functions J: quartic 48 J₃(z)/z³, Epanechnikov 8 J₂(z)/z², uniform
/// 2 J₁(z)/z, triangular 6 (∫₀ᶻ J₀ − z J₀(z))/z³ (Hankel transforms of the profiles).
pub(super) struct Transform {
    table: Vec<f64>,
}

impl Transform {
    /// A table up to z = `end`; `None` for the Gaussian, which has no radius.
    pub fn new(kernel: Kernel, end: f64) -> Option<Self> {
        let entries = (end / STEP).ceil() as usize + 4;
        let at = |k: usize| k as f64 * STEP;
        let table = match kernel {
            Kernel::Gaussian => return None,
            Kernel::Quartic => (0..entries).map(|k| 48.0 * libm::jn(3, at(k)) / at(k).powi(3)).collect(),
            Kernel::Epanechnikov => (0..entries).map(|k| 8.0 * libm::jn(2, at(k)) / at(k).powi(2)).collect(),
            Kernel::Uniform => (0..entries).map(|k| 2.0 * libm::j1(at(k)) / at(k)).collect(),
            Kernel::Triangular => {
                let mut integral = 0.0;
                (0..entries)
                    .map(|k| {
                        let z = at(k);
                        let value = 6.0 * (integral - z * libm::j0(z)) / z.powi(3);
                        integral += integral_of_j0(z, z + STEP);
                        value
                    })
                    .collect()
            }
        };
        let mut transform = Self { table };
        transform.table[0] = 1.0;
        Some(transform)
    }

    /// The transform at z ≥ 0, by a cubic through the four nearest entries; good to 1e-9.
    pub fn at(&self, z: f64) -> f64 {
        let position = z / STEP;
        // An even function: near zero the cubic leans on entries to the right.
        let first = (position as usize).saturating_sub(1).min(self.table.len() - 4);
        let t = position - first as f64;
        let [a, b, c, d] = [0, 1, 2, 3].map(|k| self.table[first + k]);
        -a * (t - 1.0) * (t - 2.0) * (t - 3.0) / 6.0 + b * t * (t - 2.0) * (t - 3.0) / 2.0
            - c * t * (t - 1.0) * (t - 3.0) / 2.0
            + d * t * (t - 1.0) * (t - 2.0) / 6.0
    }
}

/// ∫ J₀ over a short interval (Gauss, three nodes).
fn integral_of_j0(from: f64, to: f64) -> f64 {
    let (middle, half) = (0.5 * (from + to), 0.5 * (to - from));
    let node = half * f64::sqrt(0.6);
    half * (5.0 * (libm::j0(middle - node) + libm::j0(middle + node)) + 8.0 * libm::j0(middle)) / 9.0
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// Against the integral ∫ K(r) J₀(kr) 2πr dr by the midpoint rule.
    #[test]
    fn transforms_are_those_of_the_profiles() {
        for kernel in [Kernel::Quartic, Kernel::Epanechnikov, Kernel::Triangular, Kernel::Uniform] {
            let bandwidth_m = 1.0 / kernel.radius_m(1.0).unwrap();
            let transform = Transform::new(kernel, 100.0).unwrap();
            for z in [0.0, 0.013, 0.5, 3.0, 17.3, 99.0] {
                let rings = 200_000;
                let step = 1.0 / f64::from(rings);
                let direct: f64 = (0..rings)
                    .map(|k| (f64::from(k) + 0.5) * step)
                    .map(|r| {
                        kernel.density_per_m2(r * r, bandwidth_m) * libm::j0(z * r) * 2.0 * PI * r * step
                    })
                    .sum();
                assert!((transform.at(z) - direct).abs() < 2e-8, "{kernel} at {z}");
            }
        }
    }
}
