//! Cardinal B-splines on unit steps.

/// A central B-spline of order `M`: it spans `M` nodes and has one degree less.
pub(in super::super) trait Spline<const M: usize> {
    /// Its values at the `M` nodes around a position that lies `fraction` of a step beyond
    /// the node before it; the first value belongs to the node M/2 − 1 steps before that one.
    /// They are positive, to rounding, and their sum is one.
    fn weights(fraction: f64) -> [f64; M];
}

/// The spline of order eight.
pub(in super::super) struct Eighth;

impl Spline<ORDER> for Eighth {
    #[inline(always)]
    fn weights(fraction: f64) -> [f64; ORDER] {
        weights(fraction)
    }
}

/// The spline of order four, the cubic one.
pub(in super::super) struct Fourth;

impl Spline<4> for Fourth {
    #[inline(always)]
    fn weights(fraction: f64) -> [f64; 4] {
        let (t, rest) = (fraction, 1.0 - fraction);
        let inner = |t: f64| (4.0 + t * t * (3.0 * t - 6.0)) / 6.0;
        [rest * rest * rest / 6.0, inner(t), inner(rest), t * t * t / 6.0]
    }
}

const ORDER: usize = super::ORDER;

/// Values at the eight nodes around a position of the central B-spline of order eight.
///
/// `fraction` is how far the position lies beyond the node before it, in 0..1; the first
/// value belongs to the node three steps before that one. The values are positive, to
/// rounding, and their sum is one.
///
/// Every value is a polynomial of degree seven; the spline is even, so about the middle of
/// the step, a node's even and odd part give its mirror image as well.
#[inline(always)]
fn weights(fraction: f64) -> [f64; ORDER] {
    let t = fraction - 0.5;
    let square = t * t;
    let [mut even, mut odd] = ABOUT_MIDDLE[HALF - 1];
    for pieces in ABOUT_MIDDLE[..HALF - 1].iter().rev() {
        for k in 0..HALF {
            even[k] = even[k] * square + pieces[0][k];
            odd[k] = odd[k] * square + pieces[1][k];
        }
    }
    let mut w = [0.0; ORDER];
    for k in 0..HALF {
        w[k] = even[k] + odd[k] * t;
        w[ORDER - 1 - k] = even[k] - odd[k] * t;
    }
    w
}

/// Nodes of one side.
const HALF: usize = ORDER / 2;

/// Coefficients by power of fraction − ½, in pairs of an even and an odd power, then by
/// node of the first half.
const ABOUT_MIDDLE: [[[f64; HALF]; 2]; HALF] = about_middle();

const fn about_middle() -> [[[f64; HALF]; 2]; HALF] {
    let mut moved = [[[0.0; HALF]; 2]; HALF];
    let mut power = 0;
    while power < ORDER {
        let mut node = 0;
        while node < HALF {
            // (t + ½)^q by the binomial theorem, the smallest terms first.
            let mut sum = 0.0;
            let mut q = ORDER;
            while q > power {
                q -= 1;
                sum += binomial(q, power) as f64 * PIECES[q][node] / (1_u64 << (q - power)) as f64;
            }
            moved[power / 2][power % 2][node] = sum;
            node += 1;
        }
        power += 1;
    }
    moved
}

/// Coefficients by power of the fraction, then by node.
///
/// From M(x) = Σ_j (−1)ʲ C(m, j) (x − j)₊^(m−1) / (m−1)! (Schoenberg 1946), with node `k` at
/// x = fraction + m − 1 − k; whole numbers until the last division.
const PIECES: [[f64; ORDER]; ORDER] = pieces();

const fn pieces() -> [[f64; ORDER]; ORDER] {
    let mut pieces = [[0.0; ORDER]; ORDER];
    let degree = ORDER - 1;
    let mut factorial = 1;
    let mut k = 2;
    while k <= degree {
        factorial *= k as i64;
        k += 1;
    }
    let mut power = 0;
    while power <= degree {
        let mut node = 0;
        while node < ORDER {
            let mut sum = 0_i64;
            let mut j = 0;
            while j + node <= degree {
                let sign = if j % 2 == 0 { 1 } else { -1 };
                sum += sign * binomial(ORDER, j) * ((degree - node - j) as i64).pow((degree - power) as u32);
                j += 1;
            }
            pieces[power][node] = (binomial(degree, power) * sum) as f64 / factorial as f64;
            node += 1;
        }
        power += 1;
    }
    pieces
}

const fn binomial(n: usize, k: usize) -> i64 {
    let (mut result, mut j) = (1, 0);
    while j < k {
        result = result * (n - j) as i64 / (j + 1) as i64;
        j += 1;
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn values_at_the_nodes() {
        // Eulerian numbers over 7!.
        let eulerian = [1.0, 120.0, 1191.0, 2416.0, 1191.0, 120.0, 1.0, 0.0];
        for (w, e) in weights(0.0).into_iter().zip(eulerian) {
            assert_relative_eq!(w, e / 5040.0, max_relative = 1e-14);
        }
    }

    /// Both orders at all places against the recursion of de Boor (1978): M₁ is one over a step, and
    /// M_m(x) = (x M_{m−1}(x) + (m − x) M_{m−1}(x − 1))/(m − 1).
    #[test]
    fn weights_follow_the_recursion_of_b_splines() {
        fn spline(order: usize, x: f64) -> f64 {
            if order == 1 {
                return f64::from(u8::from((0.0..1.0).contains(&x)));
            }
            let m = order as f64;
            (x * spline(order - 1, x) + (m - x) * spline(order - 1, x - 1.0)) / (m - 1.0)
        }
        fn check<S: Spline<M>, const M: usize>() {
            for fraction in [0.0, 0.125, 0.3, 0.5, 0.77, 0.999] {
                for (k, w) in S::weights(fraction).into_iter().enumerate() {
                    let expected = spline(M, fraction + (M - 1 - k) as f64);
                    assert_relative_eq!(w, expected, epsilon = 1e-15, max_relative = 1e-12);
                }
            }
        }
        check::<Fourth, 4>();
        check::<Eighth, ORDER>();
    }

    #[test]
    fn weights_sum_to_one_and_keep_the_position() {
        for fraction in [0.0, 0.1, 0.37, 0.5, 0.999] {
            let w = weights(fraction);
            assert_relative_eq!(w.iter().sum::<f64>(), 1.0, max_relative = 1e-14);
            let position: f64 = w.iter().enumerate().map(|(k, w)| w * (k as f64 - 3.0)).sum();
            assert_relative_eq!(position, fraction, epsilon = 1e-13);
            assert!(w.iter().all(|&w| w > -1e-17));
        }
    }
}
