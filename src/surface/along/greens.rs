//! The heat kernel between single positions, for sums that are not linear in it: squares
//! and maxima for intervals, and a record's own share for cross-validation.

use std::collections::BinaryHeap;

use num_complex::Complex64;
use rayon::prelude::*;

use super::chain::{ChainPoint, Chains};
use super::heat::HeatNetwork;
use super::poles::{POLES, at_zero};
use super::{EdgePoint, KernelSums, Source};

const ZERO: Complex64 = Complex64::new(0.0, 0.0);

/// Positions further apart than this many σ count as unrelated: the normal density there
/// is 2e-11 of its peak, and the single resolvents, which decay like exp(−3.3 d/σ), have
/// fallen below 3e-8 of theirs.
const REACH: f64 = 7.0;

type PerPole<T> = [T; POLES.len()];

/// The heat kernel at one bandwidth as a function of two positions.
///
/// Holds, for every two junctions within seven σ of each other along lines, the resolvents
/// of all poles there. Error: at most 1e-6 of the free-line peak.
pub(crate) struct HeatPairs<'a> {
    network: &'a HeatNetwork,
    q: PerPole<Complex64>,
    scale: PerPole<Complex64>,
    /// For each junction the near ones, ascending, with the resolvents between the two.
    near: Vec<Vec<(u32, PerPole<Complex64>)>>,
}

/// A position with its shape functions: what it gives to, and takes from, the two
/// junctions of its chain.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Shape {
    place: ChainPoint,
    at_a: PerPole<Complex64>,
    at_b: PerPole<Complex64>,
}

impl<'a> HeatPairs<'a> {
    /// Prepares a bandwidth; `sigma_m` is positive. One sparse solve for each junction and
    /// pole.
    pub fn new(network: &'a HeatNetwork, sigma_m: f64) -> Self {
        let chains = network.chains();
        let resolvents: Vec<_> = POLES.par_iter().map(|pole| network.resolvent(pole, sigma_m)).collect();
        let near: Vec<_> = (0..chains.junctions())
            .into_par_iter()
            .map(|junction| {
                let around = junctions_within(chains, junction as u32, REACH * sigma_m);
                let mut entries: Vec<_> = around.iter().map(|&other| (other, [ZERO; POLES.len()])).collect();
                let mut column = vec![ZERO; chains.junctions()];
                for (pole, resolvent) in resolvents.iter().enumerate() {
                    column.fill(ZERO);
                    column[network.row(junction as u32)] = Complex64::new(1.0, 0.0);
                    resolvent.factors.solve(&mut column);
                    for (other, values) in &mut entries {
                        values[pole] = column[network.row(*other)];
                    }
                }
                entries
            })
            .collect();
        let per_time = 2.0 / (sigma_m * sigma_m) / at_zero();
        Self {
            network,
            q: std::array::from_fn(|pole| resolvents[pole].q),
            scale: std::array::from_fn(|pole| -2.0 * POLES[pole].c * per_time),
            near,
        }
    }

    pub(crate) fn shape(&self, at: EdgePoint) -> Shape {
        let chains = self.network.chains();
        let place = chains.place(at);
        let length_m = chains.chains[place.chain as usize].length_m;
        let (mut at_a, mut at_b) = ([ZERO; POLES.len()], [ZERO; POLES.len()]);
        for (pole, &q) in self.q.iter().enumerate() {
            let (f, b) = ((-q * place.x_m).exp(), (-q * (length_m - place.x_m)).exp());
            let lost = 1.0 - (-2.0 * q * length_m).exp();
            at_a[pole] = f * (1.0 - b * b) / lost;
            at_b[pole] = b * (1.0 - f * f) / lost;
        }
        Shape { place, at_a, at_b }
    }

    /// The kernel from one position to every one of the others that lies within reach, as
    /// (number, kernel per metre), in ascending order of number. `others` are sorted onto
    /// their chains by [`ShapesByChain`].
    pub(crate) fn row(&self, at: &Shape, others: &ShapesByChain) -> Vec<(u32, f64)> {
        let chains = self.network.chains();
        let from = &chains.chains[at.place.chain as usize];
        let mut row = Vec::new();
        for chain in self.chains_near(from.a, from.b, at.place.chain) {
            let to = &chains.chains[chain as usize];
            let (mut towards_a, mut towards_b) = ([ZERO; POLES.len()], [ZERO; POLES.len()]);
            for (junction, towards) in [(to.a, &mut towards_a), (to.b, &mut towards_b)] {
                for (start, shape) in [(from.a, &at.at_a), (from.b, &at.at_b)] {
                    if let Some(green) = self.between(start, junction) {
                        for pole in 0..POLES.len() {
                            towards[pole] += self.scale[pole] * shape[pole] * green[pole];
                        }
                    }
                }
            }
            for (index, other) in others.on(chain as usize) {
                let mut value = 0.0;
                for pole in 0..POLES.len() {
                    value += (towards_a[pole] * other.at_a[pole] + towards_b[pole] * other.at_b[pole]).re;
                }
                if chain == at.place.chain {
                    value += self.direct(at.place.x_m, other.place.x_m, to.length_m);
                }
                if value > 0.0 {
                    row.push((*index, value));
                }
            }
        }
        row.sort_unstable_by_key(|entry| entry.0);
        row
    }

    /// The kernel on one chain as if both its ends drained everything.
    fn direct(&self, x_m: f64, y_m: f64, length_m: f64) -> f64 {
        let (low_m, high_m) = (x_m.min(y_m), x_m.max(y_m));
        let mut value = 0.0;
        for (&q, scale) in self.q.iter().zip(self.scale) {
            value += (scale * drained(q, low_m, high_m, length_m)).re;
        }
        value
    }

    fn between(&self, one: u32, other: u32) -> Option<&PerPole<Complex64>> {
        let around = &self.near[one as usize];
        around.binary_search_by_key(&other, |entry| entry.0).ok().map(|at| &around[at].1)
    }

    /// The chains with a junction near either of two, and the chain itself; ascending.
    fn chains_near(&self, a: u32, b: u32, own: u32) -> Vec<u32> {
        let mut found = vec![own];
        for start in [a, b] {
            for (junction, _) in &self.near[start as usize] {
                found.extend(self.network.chains().ends[*junction as usize].iter().map(|end| end.chain));
            }
        }
        found.sort_unstable();
        found.dedup();
        found
    }
}

/// The resolvent's kernel between two positions of a chain whose ends drain everything.
pub(crate) fn drained(q: Complex64, low_m: f64, high_m: f64, length_m: f64) -> Complex64 {
    let kept = |metres: f64| 1.0 - (-2.0 * q * metres).exp();
    (-q * (high_m - low_m)).exp() * kept(low_m) * kept(length_m - high_m) / (2.0 * q * kept(length_m))
}

/// Positions with their shapes, sorted onto their chains.
pub(crate) struct ShapesByChain {
    shapes: Vec<(u32, Shape)>,
    starts: Vec<usize>,
}

impl ShapesByChain {
    pub fn new(pairs: &HeatPairs, positions: &[EdgePoint]) -> Self {
        let mut shapes: Vec<(u32, Shape)> =
            positions.par_iter().enumerate().map(|(index, &at)| (index as u32, pairs.shape(at))).collect();
        shapes.sort_by_key(|(index, shape)| (shape.place.chain, *index));
        let starts = (0..=pairs.network.chains().len())
            .map(|chain| shapes.partition_point(|(_, shape)| (shape.place.chain as usize) < chain))
            .collect();
        Self { shapes, starts }
    }

    fn on(&self, chain: usize) -> &[(u32, Shape)] {
        &self.shapes[self.starts[chain]..self.starts[chain + 1]]
    }
}

/// Sums over some points of the heat kernel at each query.
pub(crate) fn heat_sums(
    network: &HeatNetwork,
    points: &[Source],
    queries: &[EdgePoint],
    sigma_m: f64,
) -> Vec<KernelSums> {
    let pairs = HeatPairs::new(network, sigma_m);
    let positions: Vec<EdgePoint> = points.iter().map(|point| point.at).collect();
    let others = ShapesByChain::new(&pairs, &positions);
    queries.par_iter().map(|&at| KernelSums::over(&pairs.row(&pairs.shape(at), &others), points)).collect()
}

/// The junctions within a distance of one, itself included, in ascending order.
fn junctions_within(chains: &Chains, start: u32, reach_m: f64) -> Vec<u32> {
    let mut settled: Vec<u32> = Vec::new();
    let mut done = std::collections::HashSet::new();
    let mut queue = BinaryHeap::from([Nearest { distance_m: 0.0, junction: start }]);
    while let Some(Nearest { distance_m, junction }) = queue.pop() {
        if !done.insert(junction) {
            continue;
        }
        settled.push(junction);
        for end in &chains.ends[junction as usize] {
            let chain = chains.chains[end.chain as usize];
            let distance_m = distance_m + chain.length_m;
            let junction = if end.far { chain.a } else { chain.b };
            if distance_m <= reach_m && !done.contains(&junction) {
                queue.push(Nearest { distance_m, junction });
            }
        }
    }
    settled.sort_unstable();
    settled
}

/// A heap entry: the least distance is the greatest.
#[derive(PartialEq)]
struct Nearest {
    distance_m: f64,
    junction: u32,
}

impl Eq for Nearest {}

impl Ord for Nearest {
    fn cmp(&self, other: &Self) -> std::cmp::Ordering {
        other.distance_m.total_cmp(&self.distance_m).then(other.junction.cmp(&self.junction))
    }
}

impl PartialOrd for Nearest {
    fn partial_cmp(&self, other: &Self) -> Option<std::cmp::Ordering> {
        Some(self.cmp(other))
    }
}

/// The heat kernel of each position with itself, exact as the density is, by selected
/// inversion of the junction systems.
pub(crate) fn own_values(network: &HeatNetwork, at: &[EdgePoint], sigma_m: f64) -> Vec<f64> {
    let chains = network.chains();
    let places: Vec<ChainPoint> = at.iter().map(|&at| chains.place(at)).collect();
    let per_time = 2.0 / (sigma_m * sigma_m) / at_zero();
    let parts: Vec<Vec<f64>> = POLES
        .par_iter()
        .map(|pole| {
            let resolvent = network.resolvent(pole, sigma_m);
            let inverse = resolvent.factors.selected_inverse();
            let (q, scale) = (resolvent.q, -2.0 * pole.c * per_time);
            let value = |place: &ChainPoint| {
                let chain = &chains.chains[place.chain as usize];
                let (row_a, row_b) = (network.row(chain.a), network.row(chain.b));
                let (z_aa, z_bb) = (inverse.diagonal[row_a], inverse.diagonal[row_b]);
                let z_ab = network.slot(place.chain as usize).map_or(z_aa, |slot| inverse.below[slot]);
                let f = (-q * place.x_m).exp();
                let b = (-q * (chain.length_m - place.x_m)).exp();
                let lost = resolvent.lost[place.chain as usize];
                let (kept_a, kept_b) = (1.0 - f * f, 1.0 - b * b);
                let (at_a, at_b) = (f * kept_b / lost, b * kept_a / lost);
                let own = kept_a * kept_b / (2.0 * q * lost);
                (scale * (own + at_a * at_a * z_aa + 2.0 * at_a * at_b * z_ab + at_b * at_b * z_bb)).re
            };
            places.iter().map(value).collect()
        })
        .collect();
    (0..at.len()).map(|index| parts.iter().map(|part| part[index]).sum()).collect()
}
