//! What change the survey could have shown.

use super::bootstrap::{MIN_OUTINGS, REPLICATES, Unit, resample};

/// The rate ratios that these outings would have shown with 80 % power at 5 %.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct DetectableRatio {
    /// The least rise, as a ratio above 1.
    pub rise: f64,
    /// The least fall, as a ratio below 1; 0 if not even a fall to nothing.
    pub fall: f64,
}

/// Power of the test.
const POWER: f64 = 0.8;

/// Quantile at which a two-sided test at 5 % rejects.
const REJECT: f64 = 0.975;

/// The change in rate that these outings would have shown, by resampling them.
///
/// Outings of both seasons are brought to one common rate, then resampled within each
/// season: that is how the log rate ratio scatters when nothing changes. A change is seen
/// where the log ratio leaves its central 95 %; it is seen in 80 of 100 surveys where the
/// scatter's 20 % tail lies beyond. Half a sign is added to each season, so that a replicate
/// without sign has a ratio too.
///
/// `None` with fewer than eight outings in a season, or no sign.
pub fn detectable_ratio(before: &[Unit], after: &[Unit], seed: u64) -> Option<DetectableRatio> {
    if before.len().min(after.len()) < MIN_OUTINGS {
        return None;
    }
    let total = |units: &[Unit]| units.iter().fold((0.0, 0.0), |(s, k), u| (s + u.sign, k + u.km));
    let ((sign_1, km_1), (sign_2, km_2)) = (total(before), total(after));
    let common = (sign_1 + sign_2) / (km_1 + km_2);
    if !(common > 0.0 && km_1 > 0.0 && km_2 > 0.0) {
        return None;
    }
    let levelled = |units: &[Unit], rate: f64| -> Vec<Unit> {
        let factor = if rate > 0.0 { common / rate } else { 1.0 };
        units.iter().map(|u| Unit { sign: u.sign * factor, km: u.km }).collect()
    };
    let (before, after) = (levelled(before, sign_1 / km_1), levelled(after, sign_2 / km_2));
    let rate = |units: &[Unit]| {
        let (sign, km) = total(units);
        (sign + 0.5) / km
    };
    let drawn = resample(&[&before, &after], REPLICATES, seed, 3, |s| (rate(s[1]) / rate(s[0])).ln());
    if drawn.is_empty() {
        return None;
    }
    let at = |share: f64| drawn[((share * drawn.len() as f64) as usize).min(drawn.len() - 1)];
    let rise = at(REJECT) - at(1.0 - POWER);
    let fall = at(1.0 - REJECT) - at(POWER);
    Some(DetectableRatio { rise: rise.exp(), fall: fall.exp() })
}
