//! Intervals for counts and for weighted sums of counts.

use super::gamma_quantile;

/// An interval of a count or of a rate.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Interval {
    /// Lower end.
    pub low: f64,
    /// Upper end.
    pub high: f64,
}

impl Interval {
    /// The interval in another unit.
    pub fn times(self, factor: f64) -> Self {
        Self { low: self.low * factor, high: self.high * factor }
    }

    /// Whether it holds a value.
    pub fn holds(self, value: f64) -> bool {
        self.low <= value && value <= self.high
    }
}

/// The exact interval of a Poisson mean for a count (Garwood 1936, Biometrika
/// 28:437–442): it holds the mean in at least the share `confidence` of cases, whatever
/// the mean. `count` is not negative; where it is no whole number, the same formula serves.
///
/// ```
/// let none = stakeline::statistics::garwood(0.0, 0.95);
/// assert_eq!(none.low, 0.0);
/// assert!((none.high - 3.6888794541139354).abs() < 1e-9);
/// ```
pub fn garwood(count: f64, confidence: f64) -> Interval {
    let outside = 0.5 * (1.0 - confidence);
    Interval { low: gamma_quantile(count, outside), high: gamma_quantile(count + 1.0, 1.0 - outside) }
}

/// The gamma interval of a weighted sum Σ w X of independent Poisson counts (Fay & Feuer
/// 1997, Stat. Med. 16:791–801): `sum` is Σ w x, `variance` Σ w² x, and `largest` the
/// greatest weight that a count could have had, seen or not. With equal weights it is
/// [`garwood`], scaled.
///
/// It is nominal only if counts are Poisson: sign that comes in clumps makes it too short.
pub fn gamma_interval(sum: f64, variance: f64, largest: f64, confidence: f64) -> Interval {
    let outside = 0.5 * (1.0 - confidence);
    // Far from all sign the sums are so small that their squares would be nought: no square is taken.
    let end = |sum: f64, variance: f64, p: f64| {
        let unit = variance / sum;
        if sum > 0.0 && unit > 0.0 { unit * gamma_quantile(sum / unit, p) } else { 0.0 }
    };
    Interval {
        low: end(sum, variance, outside),
        high: end(sum + largest, variance + largest * largest, 1.0 - outside),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Garwood (1936); scipy 1.17.1, recomputed with mpmath by bisection.
    #[test]
    fn exact_intervals_of_counts() {
        let cases = [
            (0.0, 0.0, 3.6888794541139354),
            (1.0, 0.025317807984289876, 5.571643390938898),
            (5.0, 1.6234863901184207, 11.66833207932267),
            (10.0, 4.7953886961324335, 18.39035604201778),
            (25.0, 16.178681847829328, 36.904931697530365),
        ];
        for (count, low, high) in cases {
            let found = garwood(count, 0.95);
            assert!((found.low - low).abs() < 1e-8 && (found.high - high).abs() < 1e-8, "{count} {found:?}");
        }
    }

    /// Nine signs on 12.4 km searched: the same reference.
    #[test]
    fn a_rate_per_kilometre() {
        let found = garwood(9.0, 0.95).times(1.0 / 12.4);
        assert!((found.low - 0.3318849272079301).abs() < 1e-9);
        assert!((found.high - 1.3778067299531584).abs() < 1e-9);
    }

    #[test]
    fn equal_weights_give_the_exact_interval() {
        for count in [0.0, 1.0, 7.0, 40.0] {
            let weight = 0.37;
            let found = gamma_interval(weight * count, weight * weight * count, weight, 0.9);
            let exact = garwood(count, 0.9).times(weight);
            assert!((found.low - exact.low).abs() < 1e-9 && (found.high - exact.high).abs() < 1e-9);
        }
    }
}
