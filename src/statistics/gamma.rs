//! The gamma distribution: its tails and its quantile.

use statrs::function::erf::erfc;
use statrs::function::gamma::ln_gamma;

/// From this shape on the tails come from their expansion for large shapes, whose third term is under
/// 1e-14 of a quantile; below it series and fraction need at most some thousand terms.
const LARGE_SHAPE: f64 = 1e4;
/// Most terms of the series and of the continued fraction. Up to [`LARGE_SHAPE`] they need about
/// 9 √shape, 900, to reach the last digit.
const MOST_TERMS: usize = 5000;
/// Most steps of a quantile: every fourth halves the range, which is at most some thousand wide in the
/// logarithm, so that 240 steps leave less than a digit of it whatever Newton's steps do. Seen are 12.
const MOST_STEPS: usize = 240;
/// Two logarithms this near are the same number.
const SAME: f64 = 1e-15;
/// Where the logarithm of a quantile lies below this, the density is a plain power to the last digit.
const PLAIN_POWER: f64 = -40.0;
/// What stands for nought in the continued fraction (Lentz's method).
const TINY: f64 = 1e-300;
/// Below this relative distance from the shape, differences are taken from their power series.
const NEAR: f64 = 0.02;

/// The quantile of the gamma distribution of shape `shape` and rate 1: the value below which the share
/// `p` lies. Right to 1e-9 of itself for shapes of 1e-3 to 1e9 and shares of 1e-12 to 1 − 1e-12, and it
/// always ends, after at most 240 steps. 0 for shape 0 or `p` ≤ 0, infinite for `p` ≥ 1, NaN where one
/// of them is; a quantile below the least number is 0.
///
/// The range comes from P(x) ≤ xᵃ/Γ(a + 1) and the tail bounds of Laurent & Massart (2000, *Annals of
/// Statistics* 28:1302–1338, Lemma 1); in it Newton's steps on the logarithm of the smaller tail.
///
/// ```
/// use stakeline::statistics::gamma_quantile;
/// // Shape 1 is the exponential distribution.
/// assert!((gamma_quantile(1.0, 0.5) / 2f64.ln() - 1.0).abs() < 1e-14);
/// ```
pub fn gamma_quantile(shape: f64, p: f64) -> f64 {
    if shape.is_nan() || p.is_nan() {
        return f64::NAN;
    }
    if shape <= 0.0 || p <= 0.0 {
        return 0.0;
    }
    if p >= 1.0 || shape == f64::INFINITY {
        return f64::INFINITY;
    }
    let q = 1.0 - p;
    let least = (p.ln() + ln_gamma(shape + 1.0)) / shape;
    if least < PLAIN_POWER {
        return least.exp();
    }
    let (below, above) = (-p.ln(), -q.ln());
    let mut low = least.max((shape - shape.sqrt() * (2.0 * below).sqrt()).max(0.0).ln());
    let mut high = (shape + shape.sqrt() * (2.0 * above).sqrt() + above).ln();
    let lower = p <= 0.5;
    let wanted = if lower { p.ln() } else { q.ln() };
    let mut at = 0.5 * (low + high);
    for step in 1..=MOST_STEPS {
        let x = at.exp();
        let tail = if lower { lower_tail(shape, x) } else { upper_tail(shape, x) };
        let excess = tail.ln() - wanted;
        if (excess < 0.0) == lower {
            low = at
        } else {
            high = at
        }
        // The slope of the logarithm of the tail over the logarithm of x.
        let slope = shape * power_term(shape, x) / tail;
        let newton = if lower { at - excess / slope } else { at + excess / slope };
        let next = if step % 4 != 0 && newton > low && newton < high { newton } else { 0.5 * (low + high) };
        if (next - at).abs() <= SAME * at.abs().max(1.0) || high - low <= SAME * at.abs().max(1.0) {
            return next.exp();
        }
        at = next;
    }
    at.exp()
}

/// P(X ≤ x).
fn lower_tail(shape: f64, x: f64) -> f64 {
    if shape >= LARGE_SHAPE {
        let (middle, correction) = large(shape, x);
        0.5 * erfc(-middle) - correction
    } else if x <= shape + 1.0 {
        power_term(shape, x) * series(shape, x)
    } else {
        1.0 - shape * power_term(shape, x) * fraction(shape, x)
    }
}

/// P(X > x).
fn upper_tail(shape: f64, x: f64) -> f64 {
    if shape >= LARGE_SHAPE {
        let (middle, correction) = large(shape, x);
        0.5 * erfc(middle) + correction
    } else if x <= shape + 1.0 {
        1.0 - power_term(shape, x) * series(shape, x)
    } else {
        shape * power_term(shape, x) * fraction(shape, x)
    }
}

/// xᵃ e⁻ˣ / Γ(a + 1). For large shapes in the form of Loader (2000): the distance from the shape comes
/// before the large logarithms cancel.
fn power_term(shape: f64, x: f64) -> f64 {
    if shape < 10.0 {
        return (shape * x.ln() - x - ln_gamma(shape + 1.0)).exp();
    }
    let stirling = (1.0 / 12.0 - (1.0 / 360.0 - 1.0 / (1260.0 * shape * shape)) / (shape * shape)) / shape
        - 1.0 / (1680.0 * shape.powi(7));
    (-shape * above_logarithm(x / shape - 1.0) - stirling).exp() / (std::f64::consts::TAU * shape).sqrt()
}

/// m − ln(1 + m), without cancelling near 0.
fn above_logarithm(m: f64) -> f64 {
    if m.abs() > NEAR {
        return m - m.ln_1p();
    }
    // Σ (−m)ᵏ/k from k = 2: twelve terms leave 0.02¹² of the first.
    (2..14).rev().fold(0.0, |sum, k| sum * -m + 1.0 / f64::from(k)) * m * m
}

/// 1 + x/(a + 1) + x²/((a + 1)(a + 2)) + …
fn series(shape: f64, x: f64) -> f64 {
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..=MOST_TERMS {
        term *= x / (shape + k as f64);
        sum += term;
        if term <= 0.1 * f64::EPSILON * sum {
            break;
        }
    }
    sum
}

/// Γ(a, x) / (xᵃ e⁻ˣ) as a continued fraction, by Lentz's method (Press et al. 2007, section 6.2).
fn fraction(shape: f64, x: f64) -> f64 {
    let mut b = x + 1.0 - shape;
    let mut c = 1.0 / TINY;
    let mut d = 1.0 / b;
    let mut value = d;
    for k in 1..=MOST_TERMS {
        let a = k as f64 * (shape - k as f64);
        b += 2.0;
        d = a * d + b;
        c = b + a / c;
        d = 1.0 / if d.abs() < TINY { TINY } else { d };
        c = if c.abs() < TINY { TINY } else { c };
        value *= c * d;
        if (c * d - 1.0).abs() <= f64::EPSILON {
            break;
        }
    }
    value
}

/// The argument of the complementary error function and the correction to it, for large shapes: the
/// uniform expansion of Temme (1979, *SIAM Journal on Mathematical Analysis* 10:757–766) to its second
/// term (NIST Digital Library of Mathematical Functions 8.12).
fn large(shape: f64, x: f64) -> (f64, f64) {
    let m = x / shape - 1.0;
    let eta = (2.0 * above_logarithm(m)).sqrt().copysign(m);
    let first = if eta.abs() > 0.1 {
        1.0 / m - 1.0 / eta
    } else {
        [-1.0 / 3.0, 1.0 / 12.0, -2.0 / 135.0, 1.0 / 864.0, 1.0 / 2835.0, -139.0 / 777_600.0]
            .into_iter()
            .rev()
            .fold(0.0, |sum, c| sum * eta + c)
    };
    let second = -1.0 / 540.0 - eta / 288.0;
    let height = (-0.5 * shape * eta * eta).exp() / (std::f64::consts::TAU * shape).sqrt();
    (eta * (0.5 * shape).sqrt(), height * (first + second / shape))
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::time::{Duration, Instant};

    /// scipy's `gammaincinv` and `gammainccinv`, brought to the last digit with mpmath (scipy alone is
    /// off by 2e-6 at shape 3.3·10⁷): script and versions in `tests/golden/statistics/gamma_quantile.py`.
    #[test]
    fn quantiles_agree_with_the_reference() {
        let golden = include_str!("../../tests/golden/statistics/gamma_quantile.csv");
        let (mut compared, mut worst) = (0, 0.0_f64);
        for row in golden.lines().filter(|l| !l.starts_with('#')).skip(1) {
            let [shape, p, expected] =
                row.split(',').map(|v| v.parse().unwrap()).collect::<Vec<f64>>().try_into().unwrap();
            let found = gamma_quantile(shape, p);
            compared += 1;
            if expected < 1e-290 {
                assert!(found < 1.001e-290, "{row}: {found}");
                continue;
            }
            let off = (found / expected - 1.0).abs();
            assert!(off < 1e-9, "{row}: {found}, off by {off:e}");
            worst = worst.max(off);
        }
        assert!(compared >= 490, "{compared} rows");
        println!("worst of {compared}: {worst:e}");
    }

    /// Shapes and shares far beyond what anybody asks for: an answer all the same, at once, and in order.
    #[test]
    fn it_always_ends() {
        let started = Instant::now();
        let shares = [5e-324, 1e-300, 1e-12, 0.025, 0.5, 0.975, 1.0 - 1e-12, 1.0 - f64::EPSILON / 2.0];
        for power in -320..=308 {
            for lead in [1.0, 3.7] {
                let shape = lead * 10f64.powi(power);
                let found: Vec<f64> = shares.iter().map(|&p| gamma_quantile(shape, p)).collect();
                assert!(found.iter().all(|x| *x >= 0.0), "{shape:e}: {found:?}");
                assert!(found.windows(2).all(|w| w[0] <= w[1] * (1.0 + 1e-12)), "{shape:e}: {found:?}");
            }
        }
        assert!(started.elapsed() < Duration::from_secs(20), "{:?}", started.elapsed());
    }

    #[test]
    fn what_is_no_law_or_no_share() {
        assert_eq!(gamma_quantile(0.0, 0.5), 0.0);
        assert_eq!((gamma_quantile(2.0, 0.0), gamma_quantile(2.0, 1.0)), (0.0, f64::INFINITY));
        assert!(gamma_quantile(f64::NAN, 0.5).is_nan() && gamma_quantile(1.0, f64::NAN).is_nan());
        assert_eq!(gamma_quantile(f64::INFINITY, 0.5), f64::INFINITY);
    }

    /// Where the two ways of taking the tails meet they agree.
    #[test]
    fn the_expansion_meets_the_series() {
        for p in [1e-12, 1e-3, 0.025, 0.5, 0.975, 1.0 - 1e-9] {
            let below = gamma_quantile(LARGE_SHAPE * (1.0 - 1e-12), p);
            let above = gamma_quantile(LARGE_SHAPE, p);
            assert!((below / above - 1.0).abs() < 1e-11, "{p}: {below} {above}");
        }
    }
}
