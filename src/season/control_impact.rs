//! Before and after, where control was done and where it was not.

use statrs::distribution::{ContinuousCDF, Normal};

use super::bootstrap::{Interval, MIN_OUTINGS, REPLICATES, Unit, bca, resample};

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
    /// 95 % interval of the ratio by resampling outings; `None` with fewer than
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
        let interval = bca(&drawn, estimate, 0.0);
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
