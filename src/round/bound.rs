//! A lower bound on the length of any closed tour.

use super::{ROUNDING, TravelMatrix};

/// A bound that rises by less than this share of the tour stands still.
const PROGRESS: f64 = 1e-10;
/// Steps shortened to less than this share of their first size move nothing.
const LEAST_FACTOR: f64 = 1e-9;

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
    climb(matrix, &mut OneTree::new(n), vec![0.0; n], ascent)
}

/// The ascent from some stop prices in metres.
pub(super) fn climb(
    matrix: &TravelMatrix,
    tree: &mut OneTree,
    mut prices: Vec<f64>,
    ascent: Ascent,
) -> Bound {
    let n = matrix.stops();
    let mut best = Bound { metres: f64::NEG_INFINITY, prices_m: prices.clone() };
    let mut last = vec![0.0; n];
    let (mut factor, mut still) = (1.0, 0);
    let patience = 20 + n / 4;
    for _ in 0..ascent.steps {
        let metres = tree.grow(matrix, &prices) - 2.0 * prices.iter().sum::<f64>();
        if metres > best.metres + PROGRESS * ascent.tour_m.abs() {
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
        if steepness == 0.0 || factor < LEAST_FACTOR {
            break;
        }
        if still > patience {
            (factor, still) = (factor * 0.5, 0);
            prices.copy_from_slice(&best.prices_m);
        }
        let step = factor * (ascent.tour_m - metres).max(ROUNDING * ascent.tour_m.abs()) / steepness;
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
pub(super) struct OneTree {
    degree: Vec<u32>,
    nearest_m: Vec<f64>,
    parent: Vec<usize>,
    left: Vec<usize>,
    /// Stops that are not in the tree yet.
    waits: Vec<bool>,
    /// The two links of the last stop.
    closing: [usize; 2],
    /// The stops that links lead to from each stop.
    links: Vec<Vec<usize>>,
}

impl OneTree {
    /// Over all links between so many stops.
    pub fn new(n: usize) -> Self {
        Self::among((0..n).map(|i| (0..n).filter(|&j| j != i).collect()).collect())
    }

    /// Over some links: for each stop those that they lead to.
    pub fn among(links: Vec<Vec<usize>>) -> Self {
        let n = links.len();
        Self {
            degree: vec![0; n],
            nearest_m: vec![0.0; n],
            parent: vec![0; n],
            left: Vec::with_capacity(n),
            waits: vec![false; n],
            closing: [0; 2],
            links,
        }
    }

    /// Grows it by Prim's method and returns its priced length, which is infinite where the
    /// links do not hold one. Time as links plus stops².
    pub fn grow(&mut self, matrix: &TravelMatrix, prices: &[f64]) -> f64 {
        let last = self.degree.len() - 1;
        self.degree.fill(0);
        self.nearest_m.fill(f64::INFINITY);
        self.waits[1..last].fill(true);
        self.left.clear();
        self.left.extend(1..last);
        let mut total = 0.0;
        let mut joined = 0;
        while !self.left.is_empty() {
            for &j in &self.links[joined] {
                let metres = matrix.metres(joined, j) + prices[joined] + prices[j];
                if self.waits[j] && metres < self.nearest_m[j] {
                    self.nearest_m[j] = metres;
                    self.parent[j] = joined;
                }
            }
            let (mut nearest, mut slot) = (f64::INFINITY, 0);
            for (k, &j) in self.left.iter().enumerate() {
                if self.nearest_m[j] < nearest {
                    (nearest, slot) = (self.nearest_m[j], k);
                }
            }
            joined = self.left.swap_remove(slot);
            self.waits[joined] = false;
            self.degree[joined] += 1;
            self.degree[self.parent[joined]] += 1;
            total += nearest;
        }
        total + self.close(matrix, prices)
    }

    fn close(&mut self, matrix: &TravelMatrix, prices: &[f64]) -> f64 {
        let last = self.degree.len() - 1;
        let mut two = [(f64::INFINITY, 0); 2];
        for &j in &self.links[last] {
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
        self.closing = [two[0].1, two[1].1];
        two[0].0 + two[1].0
    }

    /// The stop with most links in the tree grown last and the stops they lead to; `None`
    /// where every stop has two, so that the tree is a tour.
    pub fn most_crowded(&self) -> Option<(usize, Vec<usize>)> {
        let last = self.degree.len() - 1;
        let stop = (0..=last).max_by_key(|&i| (self.degree[i], std::cmp::Reverse(i)))?;
        if self.degree[stop] <= 2 {
            return None;
        }
        let above = (1..last).contains(&stop).then(|| self.parent[stop]);
        let below = (1..last).filter(|&j| self.parent[j] == stop);
        let closing = self.closing.contains(&stop).then_some(last);
        Some((stop, above.into_iter().chain(below).chain(closing).collect()))
    }

    /// The links that a tour shorter than `spare_m` above the length of this tree, grown with
    /// these prices, can use: a link that would lengthen the tree by more cannot be among them.
    pub fn useful_links(&self, matrix: &TravelMatrix, prices: &[f64], spare_m: f64) -> Vec<Vec<usize>> {
        let n = self.degree.len();
        let last = n - 1;
        let priced = |i: usize, j: usize| matrix.metres(i, j) + prices[i] + prices[j];
        let second_m = self.closing.iter().map(|&j| priced(last, j)).fold(f64::NEG_INFINITY, f64::max);
        let useful_at = |i: usize| -> Vec<usize> {
            let longest_m = self.longest_on_ways_from(i, &priced);
            let useful = |&j: &usize| {
                let given_up = if j == last { second_m } else { longest_m[j] };
                j != i && priced(i, j) - given_up <= spare_m
            };
            (0..n).filter(useful).collect()
        };
        let mut links: Vec<Vec<usize>> = (0..last).map(useful_at).collect();
        links.push((0..last).filter(|&i| links[i].contains(&last)).collect());
        links
    }

    /// The longest link on the way in the spanning tree from one stop to every other.
    fn longest_on_ways_from(&self, from: usize, priced: &impl Fn(usize, usize) -> f64) -> Vec<f64> {
        let last = self.degree.len() - 1;
        let mut beside = vec![Vec::new(); last];
        for j in 1..last {
            beside[j].push(self.parent[j]);
            beside[self.parent[j]].push(j);
        }
        let mut longest = vec![f64::NEG_INFINITY; last];
        let mut stack = vec![(from, from)];
        while let Some((stop, came_from)) = stack.pop() {
            for &next in beside[stop].iter().filter(|&&next| next != came_from) {
                longest[next] = longest[stop].max(priced(stop, next));
                stack.push((next, stop));
            }
        }
        longest
    }
}
