//! The heat kernel between single positions, for sums that are not linear in it: squares
//! and maxima for intervals.
//!
//! Intervals do not ask for many digits. Five poles do, the kernel is cut at
//! [`REACH`] σ, and points closer together than [`SAME`] σ on one chain are one.

use num_complex::Complex64;
use rayon::prelude::*;

use super::chain::{ChainPoint, Chains};
use super::heat::{HeatNetwork, Resolvent};
use super::poles::{FEW_POLES, value_at_zero};
use super::{EdgePoint, KernelSums, Source};

const ZERO: Complex64 = Complex64::new(0.0, 0.0);
const ONE: Complex64 = Complex64::new(1.0, 0.0);

/// Positions further apart than this many σ count as unrelated: the normal density there
/// is 3e-7 of its peak.
const REACH: f64 = 5.5;
/// Points this close on one chain, in shares of σ, count as one: squares are then off by
/// 1e-3 where the kernel bends most.
const SAME: f64 = 1.0 / 16.0;
/// Chains whose queries are answered together.
const CHAINS_A_RUN: usize = 48;

const COUNT: usize = FEW_POLES.len();
type PerPole = [Complex64; COUNT];

/// The heat kernel at one bandwidth as a function of two positions. Error: at most 1e-6 of
/// the free-line peak.
pub(crate) struct HeatPairs<'a> {
    network: &'a HeatNetwork,
    resolvents: Vec<Resolvent<'a>>,
    scale: PerPole,
    reach_m: f64,
}

/// A position with its shape functions: what it gives to, and takes from, the two
/// junctions of its chain.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Shape {
    place: ChainPoint,
    at_a: PerPole,
    at_b: PerPole,
}

/// Resolvents between one junction and those near it, ascending.
struct Column {
    junctions: Vec<u32>,
    values: Vec<PerPole>,
}

impl Column {
    fn at(&self, junction: u32) -> Option<&PerPole> {
        self.junctions.binary_search(&junction).ok().map(|at| &self.values[at])
    }
}

impl<'a> HeatPairs<'a> {
    /// Prepares a bandwidth; `sigma_m` is positive.
    pub fn new(network: &'a HeatNetwork, sigma_m: f64) -> Self {
        let resolvents = FEW_POLES.par_iter().map(|pole| network.resolvent(pole, sigma_m)).collect();
        let per_time = 2.0 / (sigma_m * sigma_m) / value_at_zero(&FEW_POLES);
        let scale = FEW_POLES.map(|pole| -2.0 * pole.c * per_time);
        Self { network, resolvents, scale, reach_m: REACH * sigma_m }
    }

    fn shape(&self, place: ChainPoint) -> Shape {
        let length_m = self.network.chains().chains[place.chain as usize].length_m;
        let (mut at_a, mut at_b) = ([ZERO; COUNT], [ZERO; COUNT]);
        for (pole, resolvent) in self.resolvents.iter().enumerate() {
            let q = resolvent.q;
            let (f, b) = ((-q * place.x_m).exp(), (-q * (length_m - place.x_m)).exp());
            let lost = resolvent.lost[place.chain as usize];
            at_a[pole] = f * (1.0 - b * b) / lost;
            at_b[pole] = b * (1.0 - f * f) / lost;
        }
        Shape { place, at_a, at_b }
    }

    /// The resolvents between a junction and those within reach. `x` is scratch, all zero.
    fn column(&self, junction: u32, x: &mut [Complex64]) -> Column {
        let chains = self.network.chains();
        let junctions = chains.junctions_within([junction], self.reach_m);
        let rows = self.network.closure(&junctions);
        let mut values = vec![[ZERO; COUNT]; junctions.len()];
        for (pole, resolvent) in self.resolvents.iter().enumerate() {
            resolvent.factors.solve_unit(self.network.row(junction), &rows, x);
            for (values, &other) in values.iter_mut().zip(&junctions) {
                values[pole] = x[self.network.row(other)];
            }
            rows.iter().for_each(|&row| x[row as usize] = ZERO);
        }
        Column { junctions, values }
    }

    /// Shows the kernel between every query of some chains and every point within reach, as
    /// (query, point, kernel per metre). Queries are numbered as they come, chain by chain.
    pub(crate) fn pairs(
        &self,
        chains_here: &[u32],
        queries: &ShapesByChain,
        points: &ShapesByChain,
        mut show: impl FnMut(usize, u32, f64),
    ) {
        let (chains, mut first) = (self.network.chains(), 0);
        let mut columns = std::collections::BTreeMap::new();
        let mut scratch = vec![ZERO; chains.junctions()];
        for &chain in chains_here {
            let here = queries.on(chain as usize);
            if here.is_empty() {
                continue;
            }
            let own = chains.chains[chain as usize];
            for junction in [own.a, own.b] {
                columns.entry(junction).or_insert_with(|| self.column(junction, &mut scratch));
            }
            let (from_a, from_b) = (&columns[&own.a], &columns[&own.b]);
            for other in chains_near(chains, &[from_a, from_b], chain) {
                let there = points.on(other as usize);
                if !there.is_empty() {
                    let green = self.between(chains, other, from_a, from_b);
                    self.pairs_of_chains(&green, here, there, |at, point, value| {
                        show(first + at, point, value)
                    });
                }
            }
            first += here.len();
        }
    }

    /// The scaled resolvents from the ends a and b of one chain to the ends a and b of another.
    fn between(&self, chains: &Chains, other: u32, from_a: &Column, from_b: &Column) -> [PerPole; 4] {
        let to = chains.chains[other as usize];
        let ways = [(from_a, to.a), (from_b, to.a), (from_a, to.b), (from_b, to.b)];
        ways.map(|(from, junction)| {
            let value = from.at(junction).copied().unwrap_or([ZERO; COUNT]);
            std::array::from_fn(|pole| self.scale[pole] * value[pole])
        })
    }

    fn pairs_of_chains(
        &self,
        [aa, ba, ab, bb]: &[PerPole; 4],
        here: &[(u32, Shape)],
        there: &[(u32, Shape)],
        mut show: impl FnMut(usize, u32, f64),
    ) {
        for (number, (_, at)) in here.iter().enumerate() {
            let towards = |from_a: &PerPole, from_b: &PerPole| -> PerPole {
                std::array::from_fn(|pole| at.at_a[pole] * from_a[pole] + at.at_b[pole] * from_b[pole])
            };
            let (towards_a, towards_b) = (towards(aa, ba), towards(ab, bb));
            for (point, other) in there {
                let mut value = 0.0;
                for pole in 0..COUNT {
                    value += (towards_a[pole] * other.at_a[pole] + towards_b[pole] * other.at_b[pole]).re;
                }
                if at.place.chain == other.place.chain {
                    value += self.direct(at.place, other.place.x_m);
                }
                show(number, *point, value);
            }
        }
    }

    /// The kernel on one chain as if both its ends drained everything.
    fn direct(&self, at: ChainPoint, y_m: f64) -> f64 {
        let (low_m, high_m) = (at.x_m.min(y_m), at.x_m.max(y_m));
        let length_m = self.network.chains().chains[at.chain as usize].length_m;
        let mut value = 0.0;
        for (resolvent, scale) in self.resolvents.iter().zip(self.scale) {
            let q = resolvent.q;
            let kept = |metres: f64| ONE - (-2.0 * q * metres).exp();
            let lost = resolvent.lost[at.chain as usize];
            let drained = (-q * (high_m - low_m)).exp() * kept(low_m) * kept(length_m - high_m);
            value += (scale * drained / (2.0 * q * lost)).re;
        }
        value
    }
}

/// The chains that meet a junction of the columns, and one's own; ascending.
fn chains_near(chains: &Chains, columns: &[&Column], own: u32) -> Vec<u32> {
    let mut found = vec![own];
    for junction in columns.iter().flat_map(|column| &column.junctions) {
        found.extend(chains.ends[*junction as usize].iter().map(|end| end.chain));
    }
    found.sort_unstable();
    found.dedup();
    found
}

/// Positions with their shapes, sorted onto their chains.
pub(crate) struct ShapesByChain {
    shapes: Vec<(u32, Shape)>,
    starts: Vec<usize>,
}

impl ShapesByChain {
    pub fn new(pairs: &HeatPairs, places: &[ChainPoint]) -> Self {
        let mut shapes: Vec<(u32, Shape)> =
            places.par_iter().enumerate().map(|(index, &place)| (index as u32, pairs.shape(place))).collect();
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
    let chains = network.chains();
    let (places, weights) = gathered(chains, points, SAME * sigma_m);
    let others = ShapesByChain::new(&pairs, &places);
    let asked: Vec<ChainPoint> = queries.iter().map(|&at| chains.place(at)).collect();
    let wanted = ShapesByChain::new(&pairs, &asked);
    let order = chains.in_neighbourhoods();
    let parts: Vec<Vec<(u32, KernelSums)>> = order
        .par_chunks(CHAINS_A_RUN)
        .map(|run| {
            let here = run.iter().flat_map(|&chain| wanted.on(chain as usize));
            let mut sums: Vec<_> = here.map(|(query, _)| (*query, KernelSums::default())).collect();
            pairs.pairs(run, &wanted, &others, |number, point, kernel| {
                sums[number].1.add(weights[point as usize], kernel);
            });
            sums
        })
        .collect();
    let mut sums = vec![KernelSums::default(); queries.len()];
    parts.into_iter().flatten().for_each(|(query, own)| sums[query as usize] = own);
    sums
}

/// Places with weight, and the weights; those of one stretch of a chain put together at
/// their middle.
fn gathered(chains: &Chains, points: &[Source], stretch_m: f64) -> (Vec<ChainPoint>, Vec<f64>) {
    let mut placed: Vec<(ChainPoint, f64)> = points
        .iter()
        .filter(|point| point.weight > 0.0)
        .map(|point| (chains.place(point.at), point.weight))
        .collect();
    placed.sort_by(|p, q| p.0.chain.cmp(&q.0.chain).then(p.0.x_m.total_cmp(&q.0.x_m)));
    let (mut places, mut weights): (Vec<ChainPoint>, Vec<f64>) = (Vec::new(), Vec::new());
    let mut first: Option<ChainPoint> = None;
    for (place, weight) in placed {
        match (first, places.last_mut(), weights.last_mut()) {
            (Some(first), Some(last), Some(sum))
                if first.chain == place.chain && place.x_m - first.x_m <= stretch_m =>
            {
                *sum += weight;
                last.x_m += (place.x_m - last.x_m) * weight / *sum;
            }
            _ => {
                places.push(place);
                weights.push(weight);
                first = Some(place);
            }
        }
    }
    (places, weights)
}

#[cfg(test)]
mod tests {
    use super::super::{GraphEdge, LineGraph};
    use super::*;

    /// Sources within a stretch of its first are one, at their weighted middle; those without weight
    /// are none; the next chain begins anew.
    #[test]
    fn sources_of_one_stretch_are_one() {
        let edge = |from, to, length_m| GraphEdge { from, to, length_m };
        let chains = Chains::of(&LineGraph::new(4, vec![edge(0, 1, 100.0), edge(2, 3, 50.0)]).unwrap());
        let source = |edge, along_m, weight| Source { at: EdgePoint { edge, along_m }, weight };
        let sources = [
            source(0, 12.0, 1.0),
            source(0, 10.0, 3.0),
            source(0, 11.0, 0.0),
            source(0, 15.0, 4.0), // just as far from the first as a stretch is long
            source(0, 15.1, 2.0),
            source(1, 16.0, 5.0),
        ];
        let (places, weights) = gathered(&chains, &sources, 5.0);
        assert_eq!(weights, [8.0, 2.0, 5.0]);
        let found: Vec<_> = places.iter().map(|p| (p.chain, p.x_m)).collect();
        // (3 · 10 + 1 · 12 + 4 · 15)/8.
        let expected = [(0, 12.75), (0, 15.1), (1, 16.0)];
        for ((chain, x_m), (of, at_m)) in found.into_iter().zip(expected) {
            assert!(chain == of && (x_m - at_m).abs() < 1e-12, "{x_m} {at_m}");
        }
    }
}
