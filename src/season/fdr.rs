//! False discovery rate.

/// Adjusted p values of Benjamini & Hochberg (1995, J. R. Stat. Soc. B 57:289–300): the
/// share of false claims at which each test would just be claimed. In the order given.
///
/// Holds for independent and positively dependent tests, as neighbouring cells of a smooth
/// surface are. It bounds a share, not the chance of any false claim at all.
pub fn benjamini_hochberg(p: &[f64]) -> Vec<f64> {
    let mut order: Vec<usize> = (0..p.len()).collect();
    order.sort_by(|&a, &b| p[b].total_cmp(&p[a]));
    let mut adjusted = vec![1.0; p.len()];
    let mut least = 1.0_f64;
    for (from_largest, &i) in order.iter().enumerate() {
        let rank = (p.len() - from_largest) as f64;
        least = least.min(p[i] * p.len() as f64 / rank);
        adjusted[i] = least;
    }
    adjusted
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// The worked example of Benjamini & Hochberg (1995, section 3.2): fifteen p values, of
    /// which the procedure rejects four at 0.05. Adjusted values by R 4.2.2 `p.adjust`.
    #[test]
    fn the_papers_example_rejects_four() {
        let p = [
            0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459, 0.324, 0.4262, 0.5719,
            0.6528, 0.759, 1.0,
        ];
        let expected = [
            0.0015,
            0.003,
            0.0095,
            0.035625,
            0.0603,
            0.0638571428571429,
            0.0638571428571429,
            0.0645,
            0.0765,
            0.486,
            0.581181818181818,
            0.714875,
            0.753230769230769,
            0.813214285714286,
            1.0,
        ];
        let adjusted = benjamini_hochberg(&p);
        for (found, wanted) in adjusted.iter().zip(expected) {
            assert_relative_eq!(*found, wanted, max_relative = 1e-12);
        }
        assert_eq!(adjusted.iter().filter(|&&q| q <= 0.05).count(), 4);
    }

    #[test]
    fn the_order_of_the_tests_does_not_matter() {
        let p = [0.04, 0.001, 0.5, 0.02];
        let mut reversed = p;
        reversed.reverse();
        let mut adjusted = benjamini_hochberg(&reversed);
        adjusted.reverse();
        assert_eq!(adjusted, benjamini_hochberg(&p));
        assert!(benjamini_hochberg(&[]).is_empty());
    }
}
