//! Roots by halving.

/// Halvings after which a range of finite numbers is as small as numbers go: a range holds fewer than 2⁶⁴
/// numbers, but the arithmetic middle of a range that begins at nought passes through all 1,074 exponents
/// below one before it. Searches here run over logarithms or shares, where 200 leave nothing.
const MOST_HALVINGS: usize = 200;

/// The place where a condition that holds at small values stops holding, between `low` and `high`: the
/// middle of the last range, which is as small as numbers go or 200 halvings of the first.
/// Where the condition holds nowhere this is `low`, where it holds everywhere `high`, to rounding.
///
/// ```
/// let root = stakeline::statistics::bisect(0.0, 2.0, |x| x * x < 2.0);
/// assert!((root - std::f64::consts::SQRT_2).abs() < 1e-15);
/// ```
pub fn bisect(mut low: f64, mut high: f64, holds: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..MOST_HALVINGS {
        let middle = 0.5 * (low + high);
        // NaN too ends here.
        if !(low < middle && middle < high) {
            break;
        }
        if holds(middle) { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::Cell;

    #[test]
    fn it_ends_whatever_it_is_given() {
        let asked = Cell::new(0);
        let count = |answer: bool| {
            asked.set(asked.get() + 1);
            answer
        };
        for (low, high) in [(0.0, 1.0), (0.0, 1e300), (-700.0, 700.0), (f64::NAN, 1.0), (1.0, f64::INFINITY)]
        {
            for answer in [true, false] {
                asked.set(0);
                let found = bisect(low, high, |_| count(answer));
                assert!(asked.get() <= MOST_HALVINGS, "{low} {high}: {} steps", asked.get());
                if low == -700.0 {
                    assert_eq!(found, if answer { high } else { low });
                }
            }
        }
    }
}
