//! Before and after, where control was done and where it was not.

use statrs::distribution::{ContinuousCDF, Normal};

use super::bootstrap::{Interval, MIN_OUTINGS, REPLICATES, Unit, acceleration, bca, resample};

/// How much more (or less) the rate changed where control was done than where it was not.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ControlImpact {
    /// Natural log of (after/before treated) over (after/before untreated).
    pub log_ratio: f64,
    /// Its standard error as if every sign were independent: √Σ 1/n.
    pub error_if_independent: f64,
    /// log_ratio over that error.
    pub z_if_independent: f64,
    /// Two-sided p as if every sign were independent.
    pub p_if_independent: f64,
    /// 95 % interval of the ratio by resampling outings, bias-corrected and accelerated
    /// (Davison & Hinkley 1997, section 5.3); `None` with fewer than
    /// [`MIN_OUTINGS`] in a season.
    pub interval: Option<Interval>,
}

/// What one outing found and searched: on treated, then on untreated ground.
pub type SplitUnit = [Unit; 2];

/// Before–after, control–impact (Stewart-Oaten, Murdoch & Parker 1986): the ratio of rate
/// ratios. What happened everywhere, such as the time of year, falls out; what happened only
/// on one side does not, whatever its cause.
///
/// `None` unless all four parts were searched and found sign.
pub fn control_impact(before: &[SplitUnit], after: &[SplitUnit], seed: u64) -> Option<ControlImpact> {
    let count = |units: &[SplitUnit], part: usize| units.iter().map(|u| u[part].sign).sum::<f64>();
    let estimate = log_ratio(before, after);
    if !estimate.is_finite() {
        return None;
    }
    let inverse: f64 = [before, after].iter().flat_map(|u| [count(u, 0), count(u, 1)]).map(|n| 1.0 / n).sum();
    let error = inverse.sqrt();
    let z = estimate / error;
    let interval = (before.len().min(after.len()) >= MIN_OUTINGS).then(|| {
        let drawn = resample(&[before, after], REPLICATES, seed, 2, |s| log_ratio(s[0], s[1]));
        let influence = [influence(before, -1.0), influence(after, 1.0)];
        let interval = bca(&drawn, estimate, acceleration(&[&influence[0], &influence[1]]));
        Interval { low: interval.low.exp(), high: interval.high.exp() }
    });
    Some(ControlImpact {
        log_ratio: estimate,
        error_if_independent: error,
        z_if_independent: z,
        p_if_independent: (2.0 * Normal::standard().cdf(-z.abs())).min(1.0),
        interval,
    })
}

fn log_ratio(before: &[SplitUnit], after: &[SplitUnit]) -> f64 {
    let rate = |units: &[SplitUnit], part: usize| {
        let (sign, km) = units.iter().fold((0.0, 0.0), |(s, k), u| (s + u[part].sign, k + u[part].km));
        sign / km
    };
    (rate(after, 0) / rate(before, 0)).ln() - (rate(after, 1) / rate(before, 1)).ln()
}

/// How much each outing of a season moves the estimate: the part of the treated ground less
/// that of the untreated, as both seasons' outings are resampled whole.
fn influence(units: &[SplitUnit], sign: f64) -> Vec<f64> {
    let n = units.len() as f64;
    let of = |part: usize| {
        let (found, km) = units.iter().fold((0.0, 0.0), |(s, k), u| (s + u[part].sign, k + u[part].km));
        (found / n, found / km)
    };
    let ((mean_0, rate_0), (mean_1, rate_1)) = (of(0), of(1));
    let one = |u: &Unit, mean: f64, rate: f64| (u.sign - rate * u.km) / mean;
    units.iter().map(|u| sign * (one(&u[0], mean_0, rate_0) - one(&u[1], mean_1, rate_1))).collect()
}
