//! Bootstrap intervals over outings.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rayon::prelude::*;
use statrs::distribution::{ContinuousCDF, Normal};

/// Fewest outings in each season for an interval.
pub const MIN_OUTINGS: usize = 8;

/// Replicates of every bootstrap interval.
pub const REPLICATES: usize = 9999;

/// One unit of a survey: what one outing found over what it searched.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Unit {
    /// Pieces of sign.
    pub sign: f64,
    /// Kilometres searched.
    pub km: f64,
}

/// A 95 % interval.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

/// A ratio of totals over units, with its errors.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct RatioBootstrap {
    /// Σ sign / Σ km.
    pub ratio: f64,
    /// Jackknife standard error.
    pub jackknife_error: f64,
    /// Linearised standard error √Σ(x − r u)² / (n ū), Cochran 1977.
    pub linear_error: f64,
    /// Standard deviation of the bootstrap replicates.
    pub bootstrap_error: f64,
    /// Percentile interval.
    pub percentile: Interval,
    /// Bias-corrected and accelerated interval.
    pub bca: Interval,
}

fn ratio(units: &[Unit]) -> f64 {
    let (sign, km) = units.iter().fold((0.0, 0.0), |(s, k), u| (s + u.sign, k + u.km));
    sign / km
}

/// A ratio of totals with jackknife, linearised and bootstrap errors (Davison & Hinkley
/// 1997, chapters 2 and 5). `None` with fewer than two units or nothing searched.
pub fn ratio_bootstrap(units: &[Unit], replicates: usize, seed: u64) -> Option<RatioBootstrap> {
    let (n, estimate) = (units.len() as f64, ratio(units));
    if units.len() < 2 || !estimate.is_finite() {
        return None;
    }
    let mean_km = units.iter().map(|u| u.km).sum::<f64>() / n;
    let influence: Vec<f64> = units.iter().map(|u| (u.sign - estimate * u.km) / mean_km).collect();
    let drawn = resample(&[units], replicates, seed, 0, |samples| ratio(samples[0]));
    let without: Vec<f64> =
        (0..units.len()).map(|i| ratio(&[&units[..i], &units[i + 1..]].concat())).collect();
    let mean_without = without.iter().sum::<f64>() / n;
    let scatter: f64 = without.iter().map(|r| (r - mean_without).powi(2)).sum();
    let mean = drawn.iter().sum::<f64>() / drawn.len() as f64;
    let spread: f64 = drawn.iter().map(|r| (r - mean).powi(2)).sum();
    Some(RatioBootstrap {
        ratio: estimate,
        jackknife_error: ((n - 1.0) / n * scatter).sqrt(),
        linear_error: influence.iter().map(|l| l * l).sum::<f64>().sqrt() / n,
        bootstrap_error: (spread / (drawn.len() as f64 - 1.0)).sqrt(),
        percentile: quantiles(&drawn, 0.025, 0.975),
        bca: bca(&drawn, estimate, acceleration(&[&influence])),
    })
}

/// 95 % interval of the rate ratio after over before, resampling outings within each season:
/// bias-corrected and accelerated (Efron 1987; Davison & Hinkley 1997, section 5.3).
///
/// `None` with fewer than [`MIN_OUTINGS`] outings in a season, or where a season found
/// nothing, so that no ratio exists.
pub fn rate_ratio_interval(before: &[Unit], after: &[Unit], seed: u64) -> Option<Interval> {
    if before.len().min(after.len()) < MIN_OUTINGS {
        return None;
    }
    let estimate = (ratio(after) / ratio(before)).ln();
    if !estimate.is_finite() {
        return None;
    }
    let log_ratio = |samples: &[&[Unit]]| (ratio(samples[1]) / ratio(samples[0])).ln();
    let drawn = resample(&[before, after], REPLICATES, seed, 1, log_ratio);
    let influence = |units: &[Unit], sign: f64| -> Vec<f64> {
        let mean_sign = units.iter().map(|u| u.sign).sum::<f64>() / units.len() as f64;
        let rate = ratio(units);
        units.iter().map(|u| sign * (u.sign - rate * u.km) / mean_sign).collect()
    };
    let acceleration = acceleration(&[&influence(before, -1.0), &influence(after, 1.0)]);
    let interval = bca(&drawn, estimate, acceleration);
    Some(Interval { low: interval.low.exp(), high: interval.high.exp() })
}

/// Replicates of a statistic of one or more samples, each resampled with replacement within
/// itself; sorted, without those that are not a number. One stream of the generator a
/// replicate, so the result does not depend on threads.
pub(super) fn resample<T: Copy + Sync>(
    samples: &[&[T]],
    replicates: usize,
    seed: u64,
    task: u64,
    statistic: impl Fn(&[&[T]]) -> f64 + Sync,
) -> Vec<f64> {
    let mut drawn: Vec<f64> = (0..replicates as u64)
        .into_par_iter()
        .map(|replicate| {
            let mut rng = ChaCha8Rng::seed_from_u64(seed);
            rng.set_stream((task + 1) << 32 | replicate);
            let resampled: Vec<Vec<T>> = samples
                .iter()
                .map(|s| (0..s.len()).map(|_| s[rng.random_range(0..s.len())]).collect())
                .collect();
            let views: Vec<&[T]> = resampled.iter().map(Vec::as_slice).collect();
            statistic(&views)
        })
        .filter(|v| !v.is_nan())
        .collect();
    drawn.sort_by(f64::total_cmp);
    drawn
}

/// Acceleration from the influence values of one or more samples (Davison & Hinkley 1997,
/// equations 5.23 and 5.29).
pub(super) fn acceleration(influence: &[&[f64]]) -> f64 {
    let moment = |power: i32| -> f64 {
        influence
            .iter()
            .map(|l| l.iter().map(|v| v.powi(power)).sum::<f64>() / (l.len() as f64).powi(power))
            .sum()
    };
    let second = moment(2);
    if second > 0.0 { moment(3) / (6.0 * second.powf(1.5)) } else { 0.0 }
}

/// Bias-corrected and accelerated 95 % interval from sorted replicates; NaN without any.
pub(super) fn bca(drawn: &[f64], estimate: f64, acceleration: f64) -> Interval {
    if drawn.is_empty() {
        return Interval { low: f64::NAN, high: f64::NAN };
    }
    let normal = Normal::standard();
    let below = drawn.partition_point(|&v| v < estimate) as f64;
    let equal = drawn.partition_point(|&v| v <= estimate) as f64 - below;
    let n = drawn.len() as f64;
    // Half of the ties count as below: sign counts are lumpy. Kept off 0 and 1.
    let share = ((below + equal / 2.0) / n).clamp(0.5 / n, 1.0 - 0.5 / n);
    let bias = normal.inverse_cdf(share);
    let level = |alpha: f64| {
        let z = bias + normal.inverse_cdf(alpha);
        normal.cdf(bias + z / (1.0 - acceleration * z))
    };
    quantiles(drawn, level(0.025), level(0.975))
}

/// Two quantiles of sorted values, by order statistic (n + 1)α.
fn quantiles(sorted: &[f64], low: f64, high: f64) -> Interval {
    let at = |alpha: f64| {
        let rank = (alpha * (sorted.len() as f64 + 1.0)).round().clamp(1.0, sorted.len().max(1) as f64);
        (rank as usize).checked_sub(1).and_then(|i| sorted.get(i)).copied().unwrap_or(f64::NAN)
    };
    Interval { low: at(low), high: at(high) }
}
