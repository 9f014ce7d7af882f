//! The five smoothing kernels, all measured by one bandwidth.

use std::f64::consts::PI;
use std::fmt;

/// A radially symmetric kernel in the plane, of mass one.
///
/// Whatever the kernel, the bandwidth is the standard deviation of its mass along one
/// axis, in metres, so that equal bandwidths smooth equally (Silverman 1986, section 4.2).
/// A compact kernel ends at its [radius](Kernel::radius_m): √8 bandwidths for the quartic,
/// √6 for the Epanechnikov, √(20/3) for the triangular and 2 for the uniform one. Other
/// programs often call that radius the bandwidth.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug)]
pub enum Kernel {
    /// exp(−d²/2σ²) / 2πσ²; never quite zero.
    Gaussian,
    /// 3 (1 − u²)² / πR², with u = d/R; also called biweight.
    Quartic,
    /// 2 (1 − u²) / πR².
    Epanechnikov,
    /// 3 (1 − u) / πR², a cone.
    Triangular,
    /// 1 / πR², a disc.
    Uniform,
}

impl Kernel {
    /// Every kernel, in the order used for output.
    pub const ALL: [Kernel; 5] =
        [Kernel::Gaussian, Kernel::Quartic, Kernel::Epanechnikov, Kernel::Triangular, Kernel::Uniform];

    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            Kernel::Gaussian => "gaussian",
            Kernel::Quartic => "quartic",
            Kernel::Epanechnikov => "epanechnikov",
            Kernel::Triangular => "triangular",
            Kernel::Uniform => "uniform",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<Kernel> {
        Some(match word.trim().to_lowercase().as_str() {
            "gaussian" | "normal" => Kernel::Gaussian,
            "quartic" | "biweight" => Kernel::Quartic,
            "epanechnikov" => Kernel::Epanechnikov,
            "triangular" | "triangle" | "conic" => Kernel::Triangular,
            "uniform" | "disc" => Kernel::Uniform,
            _ => return None,
        })
    }

    /// Where a compact kernel ends, in metres; `None` for the Gaussian.
    pub fn radius_m(self, bandwidth_m: f64) -> Option<f64> {
        // R² / σ², one over the variance of the unit-radius kernel along an axis.
        let square = match self {
            Kernel::Gaussian => return None,
            Kernel::Quartic => 8.0,
            Kernel::Epanechnikov => 6.0,
            Kernel::Triangular => 20.0 / 3.0,
            Kernel::Uniform => 4.0,
        };
        Some(bandwidth_m * f64::sqrt(square))
    }

    /// Density at the centre, per square metre, of a kernel of mass one.
    pub fn peak_per_m2(self, bandwidth_m: f64) -> f64 {
        match self.radius_m(bandwidth_m) {
            None => 1.0 / (2.0 * PI * bandwidth_m * bandwidth_m),
            Some(radius_m) => {
                let shape = match self {
                    Kernel::Gaussian | Kernel::Uniform => 1.0,
                    Kernel::Quartic | Kernel::Triangular => 3.0,
                    Kernel::Epanechnikov => 2.0,
                };
                shape / (PI * radius_m * radius_m)
            }
        }
    }

    /// Density per square metre at a squared distance in square metres. The uniform kernel
    /// includes its rim.
    pub fn density_per_m2(self, distance_squared_m2: f64, bandwidth_m: f64) -> f64 {
        self.peak_per_m2(bandwidth_m) * self.profile(distance_squared_m2, bandwidth_m)
    }

    /// Density at a squared distance as a share of the density at the centre.
    pub(super) fn profile(self, distance_squared_m2: f64, bandwidth_m: f64) -> f64 {
        match self.radius_m(bandwidth_m) {
            None => (-0.5 * distance_squared_m2 / (bandwidth_m * bandwidth_m)).exp(),
            Some(radius_m) => {
                let left = 1.0 - distance_squared_m2 / (radius_m * radius_m);
                if left < 0.0 {
                    return 0.0;
                }
                match self {
                    Kernel::Gaussian | Kernel::Uniform => 1.0,
                    Kernel::Quartic => left * left,
                    Kernel::Epanechnikov => left,
                    Kernel::Triangular => 1.0 - (1.0 - left).sqrt(),
                }
            }
        }
    }

    /// Share of the mass within a distance of the centre, between 0 and 1.
    pub fn mass_within(self, distance_m: f64, bandwidth_m: f64) -> f64 {
        match self.radius_m(bandwidth_m) {
            None => -(-0.5 * (distance_m / bandwidth_m).powi(2)).exp_m1(),
            Some(radius_m) => {
                let u = (distance_m / radius_m).min(1.0);
                let left = 1.0 - u * u;
                match self {
                    Kernel::Gaussian | Kernel::Uniform => u * u,
                    Kernel::Quartic => 1.0 - left.powi(3),
                    Kernel::Epanechnikov => 1.0 - left.powi(2),
                    Kernel::Triangular => u * u * (3.0 - 2.0 * u),
                }
            }
        }
    }
}

impl fmt::Display for Kernel {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Peak, variance along an axis and ∫K² of the kernels of radius one (Gaussian: of
    /// sigma one): closed forms of Silverman (1986, section 4.2) and Wand & Jones (1995,
    /// chapter 4), recomputed with mpmath.
    #[allow(clippy::approx_constant, reason = "copied figures, not derived ones")]
    const CONSTANTS: [(Kernel, f64, f64, f64); 5] = [
        (Kernel::Gaussian, 0.159154943091895, 1.0, 0.0795774715459477),
        (Kernel::Quartic, 0.954929658551372, 0.125, 0.572957795130823),
        (Kernel::Epanechnikov, 0.636619772367581, 0.166666666666667, 0.424413181578388),
        (Kernel::Triangular, 0.954929658551372, 0.15, 0.477464829275686),
        (Kernel::Uniform, 0.318309886183791, 0.25, 0.318309886183791),
    ];

    /// ∫ f(r) 2πr dr over 0..end by the midpoint rule on 200,000 rings.
    fn over_plane(end: f64, f: impl Fn(f64) -> f64) -> f64 {
        let rings = 200_000;
        let step = end / f64::from(rings);
        (0..rings).map(|k| (f64::from(k) + 0.5) * step).map(|r| f(r) * 2.0 * PI * r * step).sum()
    }

    #[test]
    fn constants_agree_with_the_published_ones() {
        for (kernel, peak, axis_variance, roughness) in CONSTANTS {
            let bandwidth_m = f64::sqrt(axis_variance);
            let end = kernel.radius_m(bandwidth_m).unwrap_or(9.0);
            let density = |r: f64| kernel.density_per_m2(r * r, bandwidth_m);
            assert_relative_eq!(kernel.peak_per_m2(bandwidth_m), peak, max_relative = 1e-10);
            assert_relative_eq!(over_plane(end, density), 1.0, max_relative = 1e-9);
            let variance = over_plane(end, |r| density(r) * r * r / 2.0);
            assert_relative_eq!(variance, axis_variance, max_relative = 1e-9);
            assert_relative_eq!(over_plane(end, |r| density(r).powi(2)), roughness, max_relative = 1e-9);
            if kernel != Kernel::Gaussian {
                assert_relative_eq!(end, 1.0, max_relative = 1e-12);
            }
        }
    }

    #[test]
    fn mass_within_is_the_integral_of_the_density() {
        for kernel in Kernel::ALL {
            for distance_m in [10.0, 90.0, 150.0, 350.0] {
                let by_rings = over_plane(distance_m, |r| kernel.density_per_m2(r * r, 80.0));
                // The uniform kernel's rim falls inside a ring.
                assert_relative_eq!(kernel.mass_within(distance_m, 80.0), by_rings, max_relative = 2e-5);
            }
        }
    }

    #[test]
    fn a_quartic_of_radius_200_m_peaks_as_worked_out_by_hand() {
        // 3 / (π 200²) per m² = 23.873241463784 per km².
        let bandwidth_m = 200.0 / f64::sqrt(8.0);
        assert_relative_eq!(
            Kernel::Quartic.peak_per_m2(bandwidth_m) * 1e6,
            23.873241463784,
            max_relative = 1e-12
        );
    }

    #[test]
    fn words_are_read_back_and_others_are_not() {
        for kernel in Kernel::ALL {
            assert_eq!(Kernel::from_word(kernel.word()), Some(kernel));
            assert_eq!(Kernel::from_word(&format!(" {} ", kernel.to_string().to_uppercase())), Some(kernel));
        }
        for (word, kernel) in [
            ("normal", Some(Kernel::Gaussian)),
            ("biweight", Some(Kernel::Quartic)),
            ("conic", Some(Kernel::Triangular)),
            ("triangle", Some(Kernel::Triangular)),
            ("disc", Some(Kernel::Uniform)),
            ("round", None),
            ("", None),
        ] {
            assert_eq!(Kernel::from_word(word), kernel);
        }
        let words: std::collections::BTreeSet<_> = Kernel::ALL.map(Kernel::word).into();
        assert_eq!(words.len(), 5);
    }

    /// Shares of the peak at half the radius: (3/4)², 3/4, 1/2 and 1; of the Gaussian at two
    /// deviations e^(−2). Masses within half the radius: 1 − (3/4)³, 1 − (3/4)², 1/4 (3 − 1), 1/4 and
    /// 1 − e^(−2).
    #[test]
    fn shapes_half_way_out() {
        let two = (-2.0_f64).exp();
        for (kernel, share, mass) in [
            (Kernel::Gaussian, two, 1.0 - two),
            (Kernel::Quartic, 0.5625, 0.578125),
            (Kernel::Epanechnikov, 0.75, 0.4375),
            (Kernel::Triangular, 0.5, 0.5),
            (Kernel::Uniform, 1.0, 0.25),
        ] {
            let half_m = kernel.radius_m(30.0).map_or(60.0, |radius_m| 0.5 * radius_m);
            assert_relative_eq!(kernel.profile(half_m * half_m, 30.0), share, max_relative = 1e-14);
            assert_relative_eq!(kernel.mass_within(half_m, 30.0), mass, max_relative = 1e-14);
            assert_eq!((kernel.profile(0.0, 30.0), kernel.mass_within(0.0, 30.0)), (1.0, 0.0));
            if let Some(radius_m) = kernel.radius_m(30.0) {
                assert_eq!(kernel.profile(1.001 * radius_m * radius_m, 30.0), 0.0);
                assert_eq!(kernel.mass_within(2.0 * radius_m, 30.0), 1.0);
            }
        }
        let rim_m2 = Kernel::Uniform.radius_m(30.0).unwrap().powi(2);
        assert_eq!((rim_m2, Kernel::Uniform.profile(rim_m2, 30.0)), (3600.0, 1.0), "the rim counts");
    }
}
