//! Sign per km searched, compared as if every sign were independent, and how far it is from
//! that.

use statrs::function::beta::beta_reg;
use statrs::function::erf::erfc;
use statrs::function::factorial::ln_binomial;

use super::{Interval, Unit};
use crate::statistics::bisect;

/// Splits whose log likelihoods differ by less are equally likely: the tolerance of R's `binom.test`.
const TIE: f64 = 1e-7;
/// Most splits that are summed one by one.
const MOST_SPLITS: u64 = 1_000_000;

/// Two Poisson counts compared.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ExactRatio {
    /// First rate over second.
    pub ratio: f64,
    /// Exact 95 % interval: Clopper & Pearson (1934) for the share of the first count,
    /// transformed. The upper end is infinite where the second count is 0.
    pub interval: Interval,
    /// Two-sided p by minimum likelihood: all splits no likelier than the one seen.
    pub p: f64,
    /// Two-sided p as twice the smaller tail.
    pub p_central: f64,
}

/// The exact comparison of two Poisson rates, given their sum (Przyborowski & Wilenski 1940;
/// the same as R's `poisson.test`).
///
/// Counts are pieces of sign, exposures kilometres searched (or any unit, the same for both).
/// It holds only if every sign came independently; sign found on one outing did not.
/// `None` where an exposure is not positive or neither count is.
pub fn exact_rate_ratio(counts: (u64, u64), exposures: (f64, f64)) -> Option<ExactRatio> {
    let (x, n) = (counts.0, counts.0.checked_add(counts.1)?);
    if n == 0 || !(exposures.0 > 0.0 && exposures.1 > 0.0) {
        return None;
    }
    let share = exposures.0 / (exposures.0 + exposures.1);
    let odds = exposures.1 / exposures.0;
    let to_ratio = |share: f64| if share >= 1.0 { f64::INFINITY } else { share / (1.0 - share) * odds };
    let (lower, upper) = (cdf(x, n, share), 1.0 - x.checked_sub(1).map_or(0.0, |below| cdf(below, n, share)));
    Some(ExactRatio {
        ratio: (counts.0 as f64 / exposures.0) / (counts.1 as f64 / exposures.1),
        interval: Interval {
            low: if x == 0 { 0.0 } else { to_ratio(share_at(|q| 1.0 - cdf(x - 1, n, q) < 0.025)) },
            high: if x == n { f64::INFINITY } else { to_ratio(share_at(|q| cdf(x, n, q) > 0.025)) },
        },
        p: minimum_likelihood_p(x, n, share),
        p_central: (2.0 * lower.min(upper)).min(1.0),
    })
}

/// P(X ≤ x) for X binomial.
fn cdf(x: u64, n: u64, share: f64) -> f64 {
    if x >= n { 1.0 } else { beta_reg((n - x) as f64, x as f64 + 1.0, 1.0 - share) }
}

/// The share at which a condition that holds for small shares stops holding.
fn share_at(holds: impl Fn(f64) -> bool) -> f64 {
    bisect(0.0, 1.0, holds)
}

/// The mass of all splits no likelier than x. Cost: the number of splits, and beyond a million of them
/// the normal limit of the binomial law, which then has four digits.
fn minimum_likelihood_p(x: u64, n: u64, share: f64) -> f64 {
    if n > MOST_SPLITS {
        let (mean, variance) = (n as f64 * share, n as f64 * share * (1.0 - share));
        return erfc((x as f64 - mean).abs() / (2.0 * variance).sqrt());
    }
    let ln_mass = |k: u64| ln_binomial(n, k) + k as f64 * share.ln() + (n - k) as f64 * (-share).ln_1p();
    let most = ln_mass(x) + TIE;
    (0..=n).map(ln_mass).filter(|&mass| mass <= most).map(f64::exp).sum::<f64>().min(1.0)
}

/// Index of dispersion of sign over outings: Σ (x − r u)²/(r u) / (k − 1), with r u what the
/// season's rate leads one to expect of an outing of u km. 1 for independent sign; 4 says
/// that intervals which assume it are half as wide as they should be.
///
/// `None` with fewer than two searched outings or no sign.
pub fn dispersion_index(units: &[Unit]) -> Option<f64> {
    let searched: Vec<&Unit> = units.iter().filter(|u| u.km > 0.0).collect();
    let km: f64 = searched.iter().map(|u| u.km).sum();
    let rate = searched.iter().map(|u| u.sign).sum::<f64>() / km;
    if searched.len() < 2 || rate.is_nan() || rate <= 0.0 {
        return None;
    }
    let sum: f64 = searched.iter().map(|u| (u.sign - rate * u.km).powi(2) / (rate * u.km)).sum();
    Some(sum / (searched.len() as f64 - 1.0))
}
