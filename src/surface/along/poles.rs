//! The rational function that stands for the exponential.
//!
//! exp(x) ≈ 2 Re Σ c_k / (x − z_k) for all x ≤ 0, with sixteen poles in conjugate pairs.
//! Poles and residues come from the Carathéodory–Fejér method (Trefethen, Weideman &
//! Schmelzer 2006, BIT 46:653–670), computed here in 45-digit arithmetic; the largest
//! error on the half line is 4.3e-16. Fewer poles would be enough for a picture (ten:
//! 2.7e-10), but the slope of a likelihood wants the far tails.

use num_complex::Complex64;

/// A pole of the upper half plane, with its residue.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Pole {
    pub z: Complex64,
    pub c: Complex64,
}

const fn pole(z_re: f64, z_im: f64, c_re: f64, c_im: f64) -> Pole {
    Pole { z: Complex64::new(z_re, z_im), c: Complex64::new(c_re, c_im) }
}

/// The eight upper poles.
pub(crate) const POLES: [Pole; 8] = [
    pole(6.416177699099436, 1.1941223933701388, -64.50087802553978, -224.5944076265215),
    pole(5.94815226895118, 3.5874573620183225, 113.39775178483954, 101.94721704215885),
    pole(4.9931747377179985, 5.996881713603943, -62.51839246320807, -11.190391094283296),
    pole(3.5091036084149207, 8.436198985884376, 15.059585270023515, -5.751405277642184),
    pole(1.4193758971856691, 10.925363484496724, -1.4793007113558072, 1.7686588323782972),
    pole(-1.4139284624888824, 13.497725698892747, 0.04102313683541049, -0.1574346617345552),
    pole(-5.264971343442642, 16.220221473167932, 0.00021151742182464768, 0.004389296964738089),
    pole(-10.843917078696983, 19.277446167181658, -5.090152186521197e-07, -2.422001765285245e-05),
];

/// The five upper poles of the function with ten: error 2e-8, enough for
/// squares of the kernel.
pub(crate) const FEW_POLES: [Pole; 5] = [
    pole(4.027732483729754, 1.1938560673334335, -4.818382059006333, -21.05459759714486),
    pole(3.28375292890008, 3.5943867748123672, 7.117165209500308, 8.819533323105892),
    pole(1.7154060337877302, 6.038934929043315, -2.5655849971270768, -1.2163857358593981),
    pole(-0.8944046821711842, 8.582756902505864, 0.2725869854616625, 0.014211728317987423),
    pole(-5.161191251645943, 11.375156254838243, -0.005784903977335338, 0.0006858507045167331),
];

/// The rational function at 0: what a unit of mass becomes, so dividing by it keeps mass.
pub(crate) fn at_zero() -> f64 {
    value_at_zero(&POLES)
}

/// The same for any poles.
pub(crate) fn value_at_zero(poles: &[Pole]) -> f64 {
    poles.iter().map(|pole| -2.0 * (pole.c / pole.z).re).sum()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Largest distance from the exponential on a range of the half line.
    fn worst(poles: &[Pole]) -> f64 {
        let at = |step: i32| -(10f64.powf(f64::from(step) / 250.0 - 4.0) - 1e-4);
        let sum = |x: f64| poles.iter().map(|pole| 2.0 * (pole.c / (x - pole.z)).re).sum::<f64>();
        (0..2000).map(at).map(|x| (sum(x) - x.exp()).abs()).fold(0.0, f64::max)
    }

    #[test]
    fn few_poles_are_near_enough() {
        assert!(worst(&FEW_POLES) < 2e-8, "{:e}", worst(&FEW_POLES));
    }

    #[test]
    fn stands_for_the_exponential_on_the_half_line() {
        // The residues reach 250, so rounding alone is worth about 1e-13.
        assert!(worst(&POLES) < 2e-13, "{:e}", worst(&POLES));
        assert!((at_zero() - 1.0).abs() < 1e-13);
    }
}
