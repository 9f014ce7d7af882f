//! Statistics of counts: what outings found over what they searched.

use approx::assert_relative_eq;

use super::super::bootstrap::{acceleration, bca, resample};
use super::*;

fn unit(sign: f64, km: f64) -> Unit {
    Unit { sign, km }
}

/// Eight outings alike against eight of which half found nothing: resampled, the number of those that
/// found something is binomial with n = 8 and one half, whose 2.5, 20, 80 and 97.5 % points are 1, 3, 5
/// and 7: its distribution function is 1, 9, 37, 93, 163, 219, 247, 255 and 256 in 256ths.
#[test]
fn what_could_have_been_detected_is_counted_out() {
    let alike = vec![unit(1.0, 1.0); 8];
    let lumpy: Vec<Unit> = (0..8).map(|k| unit(if k % 2 == 0 { 6.0 } else { 0.0 }, 2.0)).collect();
    // One common rate of (8 + 24)/(8 + 16); half a sign is added to each season.
    let (common, km) = (4.0 / 3.0, 16.0);
    let after = |found: f64| (found * (2.0 * 2.0 * common) + 0.5) / km;
    let found = detectable_ratio(&alike, &lumpy, 3).unwrap();
    assert_relative_eq!(found.rise, after(7.0) / after(3.0), max_relative = 1e-12);
    assert_relative_eq!(found.fall, after(1.0) / after(5.0), max_relative = 1e-12);
    let turned = detectable_ratio(&lumpy, &alike, 3).unwrap();
    assert_relative_eq!(turned.rise, after(5.0) / after(1.0), max_relative = 1e-12);
    assert_relative_eq!(turned.fall, after(3.0) / after(7.0), max_relative = 1e-12);
}

#[test]
fn without_enough_outings_or_sign_nothing_could_have_been_detected() {
    let (seven, eight) = (vec![unit(1.0, 1.0); 7], vec![unit(1.0, 1.0); 8]);
    assert!(detectable_ratio(&seven, &eight, 1).is_none() && detectable_ratio(&eight, &seven, 1).is_none());
    let none = vec![unit(0.0, 1.0); 8];
    assert!(detectable_ratio(&none, &none, 1).is_none());
    let unsearched = vec![unit(1.0, 0.0); 8];
    assert!(detectable_ratio(&eight, &unsearched, 1).is_none());
    assert!(detectable_ratio(&unsearched, &eight, 1).is_none());
    // A season without sign has half a sign in every replicate, and so has no scatter of its own.
    let found = detectable_ratio(&none, &eight, 1).unwrap();
    assert_eq!((found.rise, found.fall), (1.0, 1.0));
}

/// As above, the log ratio by its two-point quantiles.
#[test]
fn the_interval_of_a_rate_ratio_is_that_of_the_counted_distribution() {
    let alike = vec![unit(2.0, 1.0); 8];
    let lumpy: Vec<Unit> = (0..8).map(|k| unit(if k % 2 == 0 { 4.0 } else { 0.0 }, 1.0)).collect();
    // No bias and no skewness: half of the ties at the estimate count as below.
    let found = rate_ratio_interval(&alike, &lumpy, 5).unwrap();
    assert_relative_eq!(found.low, 1.0 / 4.0, max_relative = 1e-12);
    assert_relative_eq!(found.high, 7.0 / 4.0, max_relative = 1e-12);
    let turned = rate_ratio_interval(&lumpy, &alike, 5).unwrap();
    assert_relative_eq!(turned.low, 4.0 / 7.0, max_relative = 1e-12);
    assert_relative_eq!(turned.high, 4.0, max_relative = 1e-12);
    assert!(rate_ratio_interval(&alike[..7], &lumpy, 5).is_none());
    assert!(rate_ratio_interval(&alike, &lumpy[..7], 5).is_none());
    let nothing = vec![unit(0.0, 1.0); 8];
    assert!(rate_ratio_interval(&nothing, &lumpy, 5).is_none());
    assert!(rate_ratio_interval(&lumpy, &nothing, 5).is_none());
}

/// Skewed outings: `scipy.stats.bootstrap` draws likewise, and boot's formulas are here written out once
/// more on the same replicates (Davison & Hinkley 1997, equations 5.21 and 5.29).
#[test]
fn the_accelerated_interval_of_a_skewed_ratio_is_the_formula() {
    let before: Vec<Unit> = [1.0, 0.0, 2.0, 9.0, 1.0, 3.0, 0.0, 1.0, 4.0].map(|s| unit(s, 2.0 + s)).to_vec();
    let after: Vec<Unit> =
        [5.0, 2.0, 0.0, 7.0, 30.0, 1.0, 2.0, 2.0, 3.0, 6.0].map(|s| unit(s, 4.0 - s / 15.0)).to_vec();
    let total = |u: &[Unit]| (u.iter().map(|u| u.sign).sum::<f64>(), u.iter().map(|u| u.km).sum::<f64>());
    let rate = |u: &[Unit]| total(u).0 / total(u).1;
    let estimate = (rate(&after) / rate(&before)).ln();
    let (mut square, mut cube) = (0.0, 0.0);
    for (units, sign) in [(&before, -1.0), (&after, 1.0)] {
        let n = units.len() as f64;
        for u in units {
            let influence = sign * (u.sign - rate(units) * u.km) / (total(units).0 / n);
            square += influence.powi(2) / n.powi(2);
            cube += influence.powi(3) / n.powi(3);
        }
    }
    let drawn = resample(&[&before, &after], 9999, 5, 1, |s| (rate(s[1]) / rate(s[0])).ln());
    let wanted = by_formula(&drawn, estimate, cube / 6.0 / square.powf(1.5));
    let found = rate_ratio_interval(&before, &after, 5).unwrap();
    assert_relative_eq!(found.low, wanted.0.exp(), max_relative = 1e-12);
    assert_relative_eq!(found.high, wanted.1.exp(), max_relative = 1e-12);
}

/// Order statistic (n + 1) Φ(b + (b + z)/(1 − a (b + z))), b from the share below.
fn by_formula(sorted: &[f64], estimate: f64, a: f64) -> (f64, f64) {
    use statrs::distribution::{ContinuousCDF, Normal};
    let normal = Normal::standard();
    let n = sorted.len() as f64;
    let below = sorted.iter().filter(|&&v| v < estimate).count() as f64;
    let ties = sorted.iter().filter(|&&v| v == estimate).count() as f64;
    let b = normal.inverse_cdf((below + 0.5 * ties) / n);
    let at = |alpha: f64| {
        let z = b + normal.inverse_cdf(alpha);
        let rank = ((n + 1.0) * normal.cdf(b + z / (1.0 - a * z))).round() as usize;
        sorted[rank.clamp(1, sorted.len()) - 1]
    };
    (at(0.025), at(0.975))
}

#[test]
fn an_accelerated_interval_keeps_to_its_replicates() {
    let drawn: Vec<f64> = (1..=999).map(f64::from).collect();
    // Centred and without acceleration: the 25th and the 975th of a thousand less one.
    let plain = bca(&drawn, 500.0, 0.0);
    assert_eq!((plain.low, plain.high), (25.0, 975.0));
    for (estimate, a) in [(400.0, 0.05), (650.5, -0.1), (120.0, 0.02)] {
        let (low, high) = by_formula(&drawn, estimate, a);
        let found = bca(&drawn, estimate, a);
        assert_eq!((found.low, found.high), (low, high), "{estimate} {a}");
    }
    // An estimate outside all replicates leaves an end of them, not a number that is none.
    let (under, over) = (bca(&drawn, 0.0, 0.0), bca(&drawn, 2000.0, 0.0));
    assert_eq!((under.low, over.high), (1.0, 999.0));
    assert!(under.high < 100.0 && over.low > 900.0);
    assert!(bca(&[], 1.0, 0.0).low.is_nan());
    assert_eq!(acceleration(&[&[0.0, 0.0]]), 0.0);
    assert_relative_eq!(acceleration(&[&[1.0, 2.0, -1.5]]), acceleration(&[&[2.0, 4.0, -3.0]]));
}

/// Every replicate is drawn from its own sample, with replacement, in a stream of its own.
#[test]
fn resampling_draws_each_sample_from_itself() {
    let (a, b) = ([1.0, 2.0, 3.0, 4.0], [10.0, 20.0]);
    let drawn = resample(&[&a, &b], 4000, 9, 0, |s: &[&[f64]]| {
        assert!(s[0].len() == 4 && s[1].len() == 2);
        assert!(s[0].iter().all(|v| a.contains(v)) && s[1].iter().all(|v| b.contains(v)));
        s[0].iter().sum::<f64>() / 4.0 + s[1].iter().sum::<f64>() / 2.0
    });
    let mean = drawn.iter().sum::<f64>() / 4000.0;
    // Of 4,000 means with a variance of 1.25/4 + 25/2.
    assert!((mean - 17.5).abs() < 4.0 * (12.8_f64 / 4000.0).sqrt(), "{mean}");
    assert!(drawn.is_sorted() && drawn.windows(2).any(|w| w[0] != w[1]));
    let sums = |task: u64| {
        resample(&[&a, &b], 50, 9, task, |s: &[&[f64]]| s[0].iter().sum::<f64>() * 100.0 + s[1][0])
    };
    assert!(sums(0) == sums(0) && sums(0) != sums(1) && sums(1) != sums(2));
    let finite = resample(&[&a], 100, 9, 0, |s: &[&[f64]]| if s[0][0] > 2.0 { f64::NAN } else { s[0][0] });
    assert!(finite.len() < 100 && !finite.is_empty());
}

/// Two units: without each in turn, the other is left; R 4.2.2 needs no more than the definitions.
#[test]
fn errors_of_a_ratio_by_hand() {
    let units = [unit(3.0, 1.0), unit(1.0, 3.0)];
    let found = ratio_bootstrap(&units, 999, 1).unwrap();
    assert_eq!(found.ratio, 1.0);
    // Without each: 1/3 and 3; half of the squares about their mean.
    assert_relative_eq!(found.jackknife_error, (0.5 * 2.0 * (4.0_f64 / 3.0).powi(2)).sqrt());
    // Influence (3 − 1)/2 and (1 − 3)/2.
    assert_relative_eq!(found.linear_error, 2.0_f64.sqrt() / 2.0);
    // Resampled: 3, 1 or 1/3 with chances of a quarter, a half, a quarter.
    let (mean, squares) = (4.0_f64 / 3.0, (9.0 + 2.0 + 1.0 / 9.0) / 4.0);
    assert_relative_eq!(found.bootstrap_error, (squares - mean * mean).sqrt(), max_relative = 0.05);
    assert_eq!((found.percentile.low, found.percentile.high), (1.0 / 3.0, 3.0));
    assert!(ratio_bootstrap(&units[..1], 99, 1).is_none());
    assert!(ratio_bootstrap(&[unit(1.0, 0.0), unit(1.0, 0.0)], 99, 1).is_none());
}

/// A ratio of ratios by hand, and its interval where the untreated ground does not scatter: that of the
/// treated ground alone.
#[test]
fn control_and_impact_by_hand() {
    let part = |treated: f64, untreated: f64| [unit(treated, 1.0), unit(untreated, 2.0)];
    let before = vec![part(2.0, 6.0); 8];
    let after: Vec<[Unit; 2]> = (0..8).map(|k| part(if k % 2 == 0 { 4.0 } else { 0.0 }, 3.0)).collect();
    let found = control_impact(&before, &after, 2).unwrap();
    // Treated 2 to 2 a km, untreated 3 to 1.5.
    assert_relative_eq!(found.log_ratio, 2.0_f64.ln(), max_relative = 1e-12);
    let error = (1.0 / 16.0 + 1.0 / 48.0 + 1.0 / 16.0 + 1.0 / 24.0_f64).sqrt();
    assert_relative_eq!(found.error_if_independent, error, max_relative = 1e-12);
    assert_relative_eq!(found.z_if_independent, 2.0_f64.ln() / error, max_relative = 1e-12);
    let p = statrs::function::erf::erfc(2.0_f64.ln() / error / std::f64::consts::SQRT_2);
    assert_relative_eq!(found.p_if_independent, p, max_relative = 1e-6);
    let interval = found.interval.unwrap();
    assert_relative_eq!(interval.low, 2.0 / 4.0, max_relative = 1e-12);
    assert_relative_eq!(interval.high, 2.0 * 7.0 / 4.0, max_relative = 1e-12);
    assert!(control_impact(&before[..7], &after, 2).unwrap().interval.is_none());
    assert!(control_impact(&before, &after[..7], 2).unwrap().interval.is_none());
    assert!(control_impact(&before, &vec![part(0.0, 1.0); 8], 2).is_none());
}

/// Where outings find what the rate leads one to expect, there is no dispersion; twice and nothing of a
/// count of ten, over all searched outings.
#[test]
fn dispersion_counts_searched_outings_only() {
    assert_relative_eq!(dispersion_index(&[unit(1.0, 1.0), unit(3.0, 3.0)]).unwrap(), 0.0);
    let units = [unit(20.0, 5.0), unit(0.0, 5.0), unit(0.0, 0.0)];
    assert_relative_eq!(dispersion_index(&units).unwrap(), 20.0);
    assert!(dispersion_index(&[unit(20.0, 5.0), unit(0.0, 0.0)]).is_none());
    assert!(dispersion_index(&[unit(0.0, 5.0), unit(0.0, 5.0)]).is_none());
}

/// One against none: splits with the chance of the first exposure (Clopper & Pearson 1934 has 0.025 and
/// one for it).
#[test]
fn the_least_counts_have_their_closed_form() {
    let found = exact_rate_ratio((1, 0), (3.0, 1.0)).unwrap();
    assert_relative_eq!(found.interval.low, 0.025 / 0.975 / 3.0, max_relative = 1e-9);
    assert!(found.interval.high.is_infinite() && found.ratio.is_infinite());
    assert_relative_eq!(found.p, 1.0);
    assert_relative_eq!(found.p_central, 1.0);
    let found = exact_rate_ratio((0, 1), (3.0, 1.0)).unwrap();
    assert_eq!((found.ratio, found.interval.low), (0.0, 0.0));
    assert_relative_eq!(found.interval.high, 0.975 / 0.025 / 3.0, max_relative = 1e-9);
    assert_relative_eq!(found.p, 0.25, max_relative = 1e-9);
    assert_relative_eq!(found.p_central, 0.5, max_relative = 1e-9);
    assert!(exact_rate_ratio((1, 1), (1.0, 0.0)).is_none());
    assert!(exact_rate_ratio((1, 1), (-1.0, 2.0)).is_none());
}

/// Two plots on two days: every square is one of four cells.
#[test]
fn the_variance_of_an_index_by_hand() {
    let table = |rows: [[f64; 2]; 2]| rows.map(|row| row.map(Some).to_vec()).to_vec();
    // Plots 1 and 3 on average, days 1 and 3: squares 2·(1 + 1) each over one degree of freedom; no error.
    let found = passive_index(&table([[0.0, 2.0], [2.0, 4.0]])).unwrap();
    assert_eq!((found.index, found.variance, found.plots, found.days), (2.0, Some(2.0), 2, 2));
    // All of it error: nothing is left.
    let found = passive_index(&table([[0.0, 2.0], [2.0, 0.0]])).unwrap();
    assert_eq!((found.index, found.variance), (1.0, Some(0.0)));
    // Plots 0.5 and 3, days 1.25 and 2.25: 2·3.125 + 2·0.5 less an error of (0.25)²·4.
    let found = passive_index(&table([[0.25, 0.75], [2.25, 3.75]])).unwrap();
    assert_relative_eq!(found.variance.unwrap(), (6.25 + 1.0 - 0.25) / 4.0, max_relative = 1e-12);
    let one_day = passive_index(&[vec![Some(1.0)], vec![Some(2.0)]]).unwrap();
    assert_eq!((one_day.index, one_day.variance), (1.5, None));
    assert!(passive_index(&[vec![Some(1.0), Some(3.0)]]).unwrap().variance.is_none());
    // A plot that was given up, and a day that could not be read.
    let ragged = passive_index(&[vec![Some(1.0), None, Some(5.0)], vec![Some(3.0), None]]).unwrap();
    assert_eq!((ragged.index, ragged.variance, ragged.days), (3.5, None, 2));
}

/// At one place both forms of the asymptotic test are R/σ² (1/n₁ + 1/n₂)/density; tails of a normal.
#[test]
fn the_asymptotic_test_by_hand() {
    let test = asymptotic_test(1.0, 2e-6, (10.0, 40.0), 100.0, 0.08);
    let error = (0.08 * (0.1 + 0.025) / (1e4 * 2e-6_f64)).sqrt();
    assert_relative_eq!(test.error, error, max_relative = 1e-12);
    assert_relative_eq!(test.z, 1.0 / error, max_relative = 1e-12);
    let tail = 0.5 * statrs::function::erf::erfc(1.0 / error / std::f64::consts::SQRT_2);
    assert_relative_eq!(test.p_upper, tail, max_relative = 1e-12);
    assert_relative_eq!(test.p, 2.0 * tail, max_relative = 1e-12);
    let down = asymptotic_test(-1.0, 2e-6, (10.0, 40.0), 100.0, 0.08);
    assert_relative_eq!(down.p_upper, 1.0 - tail, max_relative = 1e-12);
    assert_relative_eq!(down.p, test.p, max_relative = 1e-12);
    assert_eq!(asymptotic_test(0.0, 2e-6, (10.0, 40.0), 100.0, 0.08).p, 1.0);
}
