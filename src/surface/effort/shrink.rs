//! Gamma–Poisson shrinkage: what a stretch that was hardly searched can borrow from the
//! rest.
//!
//! Rates θ are thought of as drawn from one gamma distribution, counts as Poisson with
//! mean θ × effort (Clayton & Kaldor 1987, Biometrics 43:671–681). What is drawn towards
//! the common mean is drawn the more, the less effort it had.

use statrs::function::gamma::ln_gamma;

use crate::statistics::{Interval, bisect, gamma_quantile};

/// How near the search comes to the best log shape.
const PRECISION: f64 = 1e-7;
/// The range of log β at least trebles each time; after 8 it spans more than all numbers do.
const MOST_WIDENINGS: usize = 8;
/// Sections of the range of log shapes, 16 wide: after 40 it is within [`PRECISION`].
const MOST_SECTIONS: usize = 100;
/// A best log shape this near to the end of the range lies at it: rates do not differ.
const AT_THE_END: f64 = 1e-3;

/// A count and the effort that it took.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Searched {
    /// Pieces of sign, not negative.
    pub count: f64,
    /// Effort, positive; the rate is per unit of this.
    pub effort: f64,
}

/// The distribution of rates before a stretch's own count is looked at.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum Prior {
    /// A gamma distribution.
    Gamma {
        /// Its shape α.
        shape: f64,
        /// Its rate β, in units of effort: the mean is α/β.
        effort: f64,
    },
    /// Counts vary no more than chance makes them: one rate for all.
    OneRate(
        /// The rate.
        f64,
    ),
}

/// A rate that has been drawn towards the common mean.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Shrunk {
    /// The mean of the posterior distribution.
    pub rate: f64,
    /// Its central interval.
    pub interval: Interval,
}

/// Beyond this shape the gamma distribution is as good as a point: the rates' standard
/// deviation is under 1 % of their mean.
const LARGEST_SHAPE: f64 = 1e4;
/// Below this shape counts carry no more information on it.
const SMALLEST_SHAPE: f64 = 1e-3;

impl Prior {
    /// The prior of greatest likelihood: the counts are negative binomial. `None` if no
    /// stretch has effort or no sign was found at all.
    ///
    /// For a given shape the best β is the one root of a falling function; the shape is
    /// found by golden section on its logarithm.
    pub fn most_likely(stretches: &[Searched]) -> Option<Prior> {
        let count: f64 = stretches.iter().map(|stretch| stretch.count).sum();
        let effort: f64 = stretches.iter().map(|stretch| stretch.effort).sum();
        if !(effort > 0.0 && count > 0.0) {
            return None;
        }
        let score = |log_shape: f64| {
            let shape = log_shape.exp();
            log_likelihood(stretches, shape, best_beta(stretches, shape))
        };
        let log_shape = golden_section(SMALLEST_SHAPE.ln(), LARGEST_SHAPE.ln(), PRECISION, score);
        if LARGEST_SHAPE.ln() - log_shape < AT_THE_END {
            return Some(Prior::OneRate(count / effort));
        }
        let shape = log_shape.exp();
        Some(Prior::Gamma { shape, effort: best_beta(stretches, shape) })
    }

    /// The prior by moments (Marshall 1991, Appl. Statist. 40:283–294): quick, and the
    /// weaker of the two where effort is uneven. `None` as for [`Prior::most_likely`].
    pub fn by_moments(stretches: &[Searched]) -> Option<Prior> {
        let count: f64 = stretches.iter().map(|stretch| stretch.count).sum();
        let effort: f64 = stretches.iter().map(|stretch| stretch.effort).sum();
        if !(effort > 0.0 && count > 0.0) {
            return None;
        }
        let mean = count / effort;
        let squares: f64 =
            stretches.iter().map(|s| s.effort * (s.count / s.effort - mean).powi(2)).sum::<f64>() / effort;
        let spread = squares - mean / (effort / stretches.len() as f64);
        Some(if spread > 0.0 {
            Prior::Gamma { shape: mean * mean / spread, effort: mean / spread }
        } else {
            Prior::OneRate(mean)
        })
    }

    /// Mean of the rates.
    pub fn mean(self) -> f64 {
        match self {
            Prior::Gamma { shape, effort } => shape / effort,
            Prior::OneRate(rate) => rate,
        }
    }

    /// The rate of a stretch in the light of its own count. The interval holds the share
    /// `confidence` of the posterior distribution; it takes the prior as known.
    pub fn shrink(self, own: Searched, confidence: f64) -> Shrunk {
        match self {
            Prior::OneRate(rate) => Shrunk { rate, interval: Interval { low: rate, high: rate } },
            Prior::Gamma { shape, effort } => {
                let (shape, effort) = (shape + own.count, effort + own.effort);
                let at = |p| gamma_quantile(shape, p) / effort;
                let outside = 0.5 * (1.0 - confidence);
                let interval = Interval { low: at(outside), high: at(1.0 - outside) };
                Shrunk { rate: shape / effort, interval }
            }
        }
    }
}

/// The logarithm of the negative binomial probability of all counts.
fn log_likelihood(stretches: &[Searched], shape: f64, beta: f64) -> f64 {
    stretches
        .iter()
        .map(|Searched { count, effort }| {
            ln_gamma(shape + count) - ln_gamma(shape) - ln_gamma(count + 1.0)
                + shape * (beta / (beta + effort)).ln()
                + if *count > 0.0 { count * (effort / (beta + effort)).ln() } else { 0.0 }
        })
        .sum()
}

/// The β that makes the likelihood greatest for a shape: the root of
/// Σ (α e − β x)/(β + e), which falls with β.
fn best_beta(stretches: &[Searched], shape: f64) -> f64 {
    let slope = |log_beta: f64| -> f64 {
        let beta = log_beta.exp();
        stretches.iter().map(|s| (shape * s.effort - beta * s.count) / (beta + s.effort)).sum()
    };
    let count: f64 = stretches.iter().map(|stretch| stretch.count).sum();
    let effort: f64 = stretches.iter().map(|stretch| stretch.effort).sum();
    let (mut low, mut high) = ((shape * effort / count).ln() - 1.0, (shape * effort / count).ln() + 1.0);
    for _ in 0..MOST_WIDENINGS {
        if slope(low) < 0.0 {
            low -= 2.0 * (high - low);
        }
        if slope(high) > 0.0 {
            high += 2.0 * (high - low);
        }
    }
    bisect(low, high, |log_beta| slope(log_beta) > 0.0).exp()
}

/// The place of the maximum of a function with one peak.
fn golden_section(mut low: f64, mut high: f64, precision: f64, f: impl Fn(f64) -> f64) -> f64 {
    const SHARE: f64 = 0.618_033_988_749_894_8;
    let (mut left, mut right) = (high - SHARE * (high - low), low + SHARE * (high - low));
    let (mut at_left, mut at_right) = (f(left), f(right));
    for _ in 0..MOST_SECTIONS {
        if high - low <= precision {
            break;
        }
        if at_left >= at_right {
            (high, right, at_right) = (right, left, at_left);
            left = high - SHARE * (high - low);
            at_left = f(left);
        } else {
            (low, left, at_left) = (left, right, at_right);
            right = low + SHARE * (high - low);
            at_right = f(right);
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn example() -> Vec<Searched> {
        let counts = [10.0, 2.0, 5.0, 31.0, 1.0, 2.0, 4.0, 12.0];
        let effort = [12.0, 8.5, 3.2, 20.0, 5.0, 1.5, 9.3, 15.1];
        counts.iter().zip(effort).map(|(&count, effort)| Searched { count, effort }).collect()
    }

    /// Marshall (1991); esda 2.9.0 `Empirical_Bayes`, recomputed in rational arithmetic.
    #[test]
    fn moments_agree_with_the_published_estimator() {
        let prior = Prior::by_moments(&example()).unwrap();
        let Prior::Gamma { shape, effort } = prior else { panic!("{prior:?}") };
        assert!((shape - 5.2642708103984885).abs() < 1e-9 && (effort - 5.861411976951152).abs() < 1e-9);
        let expected = [
            0.8545948567837702,
            0.5058187051563612,
            1.1327451876712988,
            1.4022540935784493,
            0.5767455302949385,
            0.9868040035176925,
            0.6110427461823686,
            0.8236215589570978,
        ];
        for (own, expected) in example().into_iter().zip(expected) {
            assert!((prior.shrink(own, 0.95).rate - expected).abs() < 1e-9);
        }
    }

    /// Clayton & Kaldor (1987); scipy 1.17.1 `nbinom`, recomputed with mpmath.
    #[test]
    fn the_most_likely_prior_agrees_with_the_reference() {
        let prior = Prior::most_likely(&example()).unwrap();
        let Prior::Gamma { shape, effort } = prior else { panic!("{prior:?}") };
        assert!((shape / 4.17077922763 - 1.0).abs() < 1e-5, "{shape}");
        assert!((effort / 5.01933578848 - 1.0).abs() < 1e-5, "{effort}");
        assert!((log_likelihood(&example(), shape, effort) + 21.624788964549502).abs() < 1e-9);
        let expected = [
            0.8326282244866179,
            0.4564410054665057,
            1.1157567551744954,
            1.4057439341354412,
            0.5160800424853933,
            0.9465349808229159,
            0.57061161057578,
            0.8037432000925092,
        ];
        for (own, expected) in example().into_iter().zip(expected) {
            assert!((prior.shrink(own, 0.95).rate / expected - 1.0).abs() < 1e-5);
        }
        let first = prior.shrink(example()[0], 0.95).interval;
        assert!(
            (first.low - 0.4571219784219212).abs() < 1e-5 && (first.high - 1.3188585045294765).abs() < 1e-5
        );
    }

    #[test]
    fn even_counts_have_one_rate_and_none_have_no_prior() {
        let even: Vec<_> =
            (1..9).map(|i| Searched { count: f64::from(i), effort: 2.0 * f64::from(i) }).collect();
        assert_eq!(Prior::most_likely(&even), Some(Prior::OneRate(0.5)));
        assert_eq!(Prior::by_moments(&even), Some(Prior::OneRate(0.5)));
        let none = [Searched { count: 0.0, effort: 3.0 }];
        assert_eq!(Prior::most_likely(&none), None);
        assert_eq!(Prior::most_likely(&[]), None);
    }

    /// The slope Σ (α e − β x)/(β + e) is nothing at the root, however far it lies from α e/x of all.
    #[test]
    fn the_best_beta_is_the_root_of_the_slope() {
        let few = |pairs: &[(f64, f64)]| -> Vec<Searched> {
            pairs.iter().map(|&(count, effort)| Searched { count, effort }).collect()
        };
        for stretches in [
            example(),
            few(&[(100.0, 1e-4), (1.0, 1e4)]),
            few(&[(0.0, 1e4), (3.0, 1e-3), (2.0, 2e-3)]),
            few(&[(1e6, 1.0), (1.0, 1e4), (1.0, 2e4), (1.0, 3e4)]),
        ] {
            for shape in [1e-3, 0.1, 1.0, 40.0, 1e4] {
                let beta = best_beta(&stretches, shape);
                let (mut up, mut down) = (0.0, 0.0);
                for s in &stretches {
                    up += shape * s.effort / (beta + s.effort);
                    down += beta * s.count / (beta + s.effort);
                }
                assert!((up / down - 1.0).abs() < 1e-9, "{shape} {beta}: {up} {down}");
            }
        }
        // One stretch: β = α e/x, as near as numbers go.
        let one = [Searched { count: 3.0, effort: 7.0 }];
        assert!((best_beta(&one, 6.0) / 14.0 - 1.0).abs() < 1e-14);
    }

    /// Each step costs one value and keeps 0.618 of the range.
    #[test]
    fn golden_sections_close_in_on_a_peak() {
        for peak in [-2.9, -1.0, 0.123, 2.2, 2.999] {
            let values = std::cell::Cell::new(0);
            let found = golden_section(-3.0, 3.0, 1e-6, |x| {
                values.set(values.get() + 1);
                if x < peak { 2.0 * (x - peak) } else { peak - x }
            });
            assert!((found - peak).abs() <= 0.5e-6, "{found} {peak}");
            // 6 · 0.618^k is below 1e-6 from k = 33 on.
            assert_eq!(values.get(), 2 + 33);
        }
    }

    /// Two stretches of effort 2 with 1 and 5 of sign: mean 1.5, weighted square 1, of which chance
    /// makes 1.5/2; what is left is 0.25. With 2 and 4 it is less than chance makes.
    #[test]
    fn moments_of_two_stretches_by_hand() {
        let two = |a: f64, b: f64| [a, b].map(|count| Searched { count, effort: 2.0 });
        let prior = Prior::by_moments(&two(1.0, 5.0)).unwrap();
        assert_eq!(prior, Prior::Gamma { shape: 9.0, effort: 6.0 });
        assert_eq!((prior.mean(), Prior::OneRate(0.7).mean()), (1.5, 0.7));
        assert_eq!(Prior::by_moments(&two(2.0, 4.0)), Some(Prior::OneRate(1.5)));
        assert_eq!(Prior::by_moments(&two(0.0, 0.0)), None);
        assert_eq!(Prior::by_moments(&[]), None);
        // (9 + 5)/(6 + 2): between the mean and the count, which is 2.5.
        assert_eq!(prior.shrink(two(1.0, 5.0)[1], 0.95).rate, 1.75);
        let one_rate = Prior::OneRate(0.7).shrink(two(1.0, 5.0)[1], 0.95);
        assert_eq!((one_rate.rate, one_rate.interval), (0.7, Interval { low: 0.7, high: 0.7 }));
    }

    /// With α = 1 counts are geometric: p = β/(β + e), probability p (1 − p)ˣ; with α = 2 one gets
    /// (x + 1) p² (1 − p)ˣ.
    #[test]
    fn likelihoods_of_whole_shapes_by_hand() {
        let own = [Searched { count: 0.0, effort: 3.0 }, Searched { count: 4.0, effort: 1.0 }];
        let (p, q) = (0.25_f64, 0.5_f64);
        let one = p.ln() + (q * 0.5_f64.powi(4)).ln();
        assert!((log_likelihood(&own, 1.0, 1.0) - one).abs() < 1e-12);
        let two = (p * p).ln() + (5.0 * q * q * 0.5_f64.powi(4)).ln();
        assert!((log_likelihood(&own, 2.0, 1.0) - two).abs() < 1e-12);
    }
}
