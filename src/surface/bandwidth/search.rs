//! The smallest value of a function of the bandwidth.

/// Where a criterion is best.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Optimum {
    /// The bandwidth in metres.
    pub at: f64,
    /// Whether that is an end of the range searched.
    pub at_edge: bool,
}

/// Relative tolerance of the optimum.
const TOLERANCE: f64 = 2e-6;
/// Most steps of the refinement; it needs about ten.
const MOST_STEPS: usize = 60;

/// Minimises a function of a positive variable: tries `low`, `low` · `ratio`, … up to
/// `high`, and refines around the best of them by golden sections and parabolas (Brent
/// 1973, chapter 5) in the logarithm. Of several minima it finds the lowest that the
/// first steps can see. Values that are not numbers count as infinite.
pub(super) fn minimise(low: f64, high: f64, ratio: f64, mut value: impl FnMut(f64) -> f64) -> Optimum {
    let steps = ((high / low).ln() / ratio.ln()).ceil().max(2.0);
    let step = (high / low).ln() / steps;
    let mut at_log = |log: f64| {
        let found = value(log.exp());
        if found.is_nan() { f64::INFINITY } else { found }
    };
    let tried: Vec<f64> = (0..=steps as usize).map(|k| at_log(low.ln() + k as f64 * step)).collect();
    let best = (0..tried.len()).min_by(|&a, &b| tried[a].total_cmp(&tried[b])).unwrap_or(0);
    if best == 0 || best + 1 == tried.len() {
        return Optimum { at: if best == 0 { low } else { high }, at_edge: true };
    }
    let middle = low.ln() + best as f64 * step;
    let log = brent(middle - step, middle, middle + step, tried[best], at_log);
    Optimum { at: log.exp(), at_edge: false }
}

/// Brent's minimiser between `a` and `b`, from `start` with its value.
fn brent(mut a: f64, start: f64, mut b: f64, value: f64, mut f: impl FnMut(f64) -> f64) -> f64 {
    const GOLDEN: f64 = 0.381_966_011_250_105;
    let (mut x, mut w, mut v) = (start, start, start);
    let (mut fx, mut fw, mut fv) = (value, value, value);
    let (mut step, mut before_last) = (0.0_f64, 0.0_f64);
    for _ in 0..MOST_STEPS {
        let middle = 0.5 * (a + b);
        if (x - middle).abs() + 0.5 * (b - a) <= 2.0 * TOLERANCE {
            break;
        }
        // The parabola through the three best points, if it is well inside and shrinking.
        let (r, q) = ((x - w) * (fx - fv), (x - v) * (fx - fw));
        let denominator = 2.0 * (q - r);
        let parabolic = ((x - w) * r - (x - v) * q) / denominator;
        let usable = parabolic.is_finite()
            && parabolic.abs() < 0.5 * before_last.abs()
            && (a + TOLERANCE..b - TOLERANCE).contains(&(x + parabolic));
        before_last = step;
        step = if usable {
            parabolic
        } else {
            before_last = if x < middle { b - x } else { a - x };
            GOLDEN * before_last
        };
        let u = x + if step.abs() >= TOLERANCE { step } else { TOLERANCE.copysign(step) };
        let fu = f(u);
        if fu <= fx {
            if u < x {
                b = x
            } else {
                a = x
            }
            (v, fv, w, fw, x, fx) = (w, fw, x, fx, u, fu);
        } else {
            if u < x {
                a = u
            } else {
                b = u
            }
            if fu <= fw || w == x {
                (v, fv, w, fw) = (w, fw, u, fu);
            } else if fu <= fv || v == x || v == w {
                (v, fv) = (u, fu);
            }
        }
    }
    x
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_the_lower_of_two_minima_and_tells_an_edge() {
        // Minima near 2 and 50; the second is lower.
        let well = |h: f64, at: f64| -(-(h / at).ln().powi(2) * 4.0).exp();
        let two = |h: f64| well(h, 2.0) + 1.5 * well(h, 50.0);
        let found = minimise(0.1, 1000.0, 1.5, two);
        assert!((found.at / 50.0 - 1.0).abs() < 1e-4 && !found.at_edge, "{found:?}");
        assert_eq!(minimise(1.0, 10.0, 1.5, |h| h), Optimum { at: 1.0, at_edge: true });
        assert_eq!(minimise(1.0, 10.0, 1.5, |h| -h), Optimum { at: 10.0, at_edge: true });
        minimise(1.0, 10.0, 1.5, |_| f64::NAN);
    }

    /// A parabola is found in a few steps to the tolerance, from either side and however far the first
    /// steps lie from it; so is a hump that is none. Golden sections alone would take thirty.
    #[test]
    fn refinement_takes_few_values() {
        let smooth: [fn(f64) -> f64; 3] = [
            |log| log * log,
            |log| (1.3 * log).cosh() + 0.2 * log.powi(3),
            |log| -(-log * log).exp() - 0.3 * (-(log - 0.4).powi(2)).exp(),
        ];
        for of_log in smooth {
            let least = {
                let at = |k: i32| f64::from(k) * 1e-6;
                (-600_000..600_000).map(at).min_by(|a, b| of_log(*a).total_cmp(&of_log(*b))).unwrap()
            };
            for place in [-0.37_f64, 0.0, 0.02, 0.21, 0.48] {
                let mut values = 0;
                let found = minimise((-3.0_f64).exp(), 3_f64.exp(), 1_f64.exp(), |h| {
                    values += 1;
                    of_log(h.ln() - place)
                });
                let error = found.at.ln() - place - least;
                assert!(error.abs() < 8e-6 && !found.at_edge, "{place}: {error:e}");
                // Seven values come first.
                assert!(values <= 7 + 17, "{place}: {values}");
            }
        }
    }

    /// A kink gives parabolas nothing to go by.
    #[test]
    fn a_kink_and_steps_are_found_by_golden_sections() {
        for place in [-0.4_f64, -0.1, 0.3, 0.45] {
            let kink = |h: f64| 3.0 * (h.ln() - place).max(0.0) - (h.ln() - place).min(0.0);
            let mut values = 0;
            let found = minimise(0.1, 10.0, 2.0, |h| {
                values += 1;
                kink(h)
            });
            assert!((found.at.ln() - place).abs() < 1e-5, "{place}: {found:?}");
            assert!(values < 9 + 45, "{values}");
        }
    }

    /// Steps are as even as fit and no wider than asked for, at least two; of equal values the first.
    #[test]
    fn first_steps_divide_the_range_evenly() {
        let tried = |ratio: f64| {
            let mut tried = Vec::new();
            minimise(1.0, 16.0, ratio, |h| {
                tried.push(h);
                -h
            });
            tried
        };
        for (ratio, steps) in [(2.0 * (1.0 + 1e-9), 4), (2.5, 4), (3.0, 3), (5.0, 2), (100.0, 2)] {
            let found = tried(ratio);
            assert_eq!(found.len(), steps + 1, "{ratio}");
            for (k, h) in found.into_iter().enumerate() {
                assert!((h / 16_f64.powf(k as f64 / steps as f64) - 1.0).abs() < 1e-12, "{ratio} {k} {h}");
            }
        }
        assert_eq!(minimise(1.0, 16.0, 2.0, |_| 1.0), Optimum { at: 1.0, at_edge: true });
    }
}
