//! A lower bound on the length of any closed tour.

use super::TravelMatrix;

/// The bound and the stop prices that prove it.
pub(super) struct Bound {
    /// No closed tour is shorter, in metres.
    pub metres: f64,
    /// Price of each stop in metres: `d(i, j) + price(i) + price(j)` ranks the links that a
    /// short tour is likely to use better than `d` does.
    pub prices_m: Vec<f64>,
}

/// How the ascent goes.
#[derive(Clone, Copy)]
pub(super) struct Ascent {
    /// Length of some tour, in metres: the target of the steps.
    pub tour_m: f64,
    /// Most one-trees to grow.
    pub steps: usize,
}

/// The bound of Held & Karp (1971, *Mathematical Programming* 1:6–25): the largest
/// minimum one-tree over all stop prices, climbed by subgradient.
///
/// Asks for a symmetric matrix of at least three stops. Any prices give a true bound, so
/// stopping early costs sharpness only. Steps are those of Polyak (1969) towards the
/// length of a known tour, their factor halved whenever the bound stands still, the
/// direction smoothed with the last one as in Volgenant & Jonker (1982).
/// `steps` × stops² time.
pub(super) fn held_karp(matrix: &TravelMatrix, ascent: Ascent) -> Bound {
    let n = matrix.stops();
    let mut tree = OneTree::new(n);
    let mut prices = vec![0.0; n];
    let mut best = Bound { metres: f64::NEG_INFINITY, prices_m: prices.clone() };
    let mut last = vec![0.0; n];
    let (mut factor, mut still) = (1.0, 0);
    let patience = 20 + n / 4;
    for _ in 0..ascent.steps {
        let metres = tree.grow(matrix, &prices) - 2.0 * prices.iter().sum::<f64>();
        if metres > best.metres + 1e-10 * ascent.tour_m.abs() {
            still = 0;
        } else {
            still += 1;
        }
        if metres > best.metres {
            best.metres = metres;
            best.prices_m.copy_from_slice(&prices);
        }
        let slope: Vec<f64> = tree.degree.iter().map(|&d| f64::from(d) - 2.0).collect();
        let steepness: f64 = slope.iter().map(|g| g * g).sum();
        if steepness == 0.0 || factor < 1e-9 {
            break;
        }
        if still > patience {
            (factor, still) = (factor * 0.5, 0);
            prices.copy_from_slice(&best.prices_m);
        }
        let step = factor * (ascent.tour_m - metres).max(1e-9 * ascent.tour_m.abs()) / steepness;
        for i in 0..n {
            prices[i] += step * (0.7 * slope[i] + 0.3 * last[i]);
        }
        last = slope;
    }
    best.metres = best.metres.min(ascent.tour_m);
    best
}

/// A minimum one-tree: a shortest spanning tree of all stops but the last, and the two
/// shortest links of the last stop.
struct OneTree {
    degree: Vec<u32>,
    nearest_m: Vec<f64>,
    parent: Vec<usize>,
    left: Vec<usize>,
}

impl OneTree {
    fn new(n: usize) -> Self {
        Self { degree: vec![0; n], nearest_m: vec![0.0; n], parent: vec![0; n], left: Vec::with_capacity(n) }
    }

    /// Grows it by Prim's method and returns its priced length.
    fn grow(&mut self, matrix: &TravelMatrix, prices: &[f64]) -> f64 {
        let n = matrix.stops();
        let last = n - 1;
        self.degree.fill(0);
        self.nearest_m.fill(f64::INFINITY);
        self.left.clear();
        self.left.extend(1..last);
        let mut total = 0.0;
        let mut joined = 0;
        while !self.left.is_empty() {
            let (mut nearest, mut slot) = (f64::INFINITY, 0);
            for (k, &j) in self.left.iter().enumerate() {
                let metres = matrix.metres(joined, j) + prices[joined] + prices[j];
                if metres < self.nearest_m[j] {
                    self.nearest_m[j] = metres;
                    self.parent[j] = joined;
                }
                if self.nearest_m[j] < nearest {
                    (nearest, slot) = (self.nearest_m[j], k);
                }
            }
            joined = self.left.swap_remove(slot);
            self.degree[joined] += 1;
            self.degree[self.parent[joined]] += 1;
            total += nearest;
        }
        total + self.close(matrix, prices)
    }

    fn close(&mut self, matrix: &TravelMatrix, prices: &[f64]) -> f64 {
        let last = matrix.stops() - 1;
        let mut two = [(f64::INFINITY, 0); 2];
        for j in 0..last {
            let metres = matrix.metres(last, j) + prices[last] + prices[j];
            if metres < two[0].0 {
                two = [(metres, j), two[0]];
            } else if metres < two[1].0 {
                two[1] = (metres, j);
            }
        }
        self.degree[last] += 2;
        self.degree[two[0].1] += 1;
        self.degree[two[1].1] += 1;
        two[0].0 + two[1].0
    }
}
