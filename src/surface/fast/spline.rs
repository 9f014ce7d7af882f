//! The cardinal B-spline on unit steps.

/// Values at the `M` nodes around a position of the central B-spline of order `M`.
///
/// `fraction` is how far the position lies beyond the node before it, in 0..1; the first
/// value belongs to the node `M/2 − 1` steps before that one. The values are not negative
/// and their sum is one. Recurrence of de Boor and Cox on equal steps.
#[inline(always)]
pub(super) fn weights<const M: usize>(fraction: f64) -> [f64; M] {
    let mut w = [0.0; M];
    w[0] = 1.0 - fraction;
    w[1] = fraction;
    for order in 3..=M {
        let scale = 1.0 / (order - 1) as f64;
        w[order - 1] = scale * fraction * w[order - 2];
        for back in 1..order - 1 {
            let at = order - 1 - back;
            w[at] =
                scale * ((fraction + back as f64) * w[at - 1] + ((order - back) as f64 - fraction) * w[at]);
        }
        w[0] *= scale * (1.0 - fraction);
    }
    w
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn values_of_the_cubic_and_septic_splines() {
        // Cubic: 1/6, 4/6, 1/6. Septic at its nodes: Eulerian numbers over 7!.
        assert_eq!(weights::<4>(0.0).map(|w| (w * 6.0).round()), [1.0, 4.0, 1.0, 0.0]);
        let eulerian = [1.0, 120.0, 1191.0, 2416.0, 1191.0, 120.0, 1.0, 0.0];
        for (w, e) in weights::<8>(0.0).into_iter().zip(eulerian) {
            assert_relative_eq!(w, e / 5040.0, max_relative = 1e-14);
        }
    }

    #[test]
    fn weights_sum_to_one_and_keep_the_position() {
        for fraction in [0.0, 0.1, 0.37, 0.5, 0.999] {
            let w = weights::<8>(fraction);
            assert_relative_eq!(w.iter().sum::<f64>(), 1.0, max_relative = 1e-14);
            let position: f64 = w.iter().enumerate().map(|(k, w)| w * (k as f64 - 3.0)).sum();
            assert_relative_eq!(position, fraction, epsilon = 1e-13);
            assert!(w.iter().all(|&w| w >= 0.0));
        }
    }
}
