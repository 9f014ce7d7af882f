//! Equal-split density: the sum over all walks from a record of what the splits leave of
//! its weight, times a kernel of the distance walked.
//!
//! Exact for every kernel of [`Kernel`]; masses of pieces are closed forms too. With the
//! continuous rule and the normal curve it would equal the heat kernel, which is the
//! faster way to it. The number of walks grows with a power of the reach over the length of
//! chains, so a request is counted first and refused if it is out of hand.

use rayon::prelude::*;

use super::chain::{ChainEnd, Chains};
use super::profile;
use super::walk::{SplitRule, Visit, walk};
use super::{AlongError, EdgePoint, Field, KernelSums, Source, Spread};
use crate::surface::Kernel;

/// Passages of walks over chains, records counted apart, that a request may cost: about
/// a second's work.
pub const MOST_PASSAGES: u64 = 20_000_000;

/// Tasks that the records are shared out to. A constant, so that sums are added in the
/// same order whatever the number of threads.
const TASKS: usize = 16;

/// An equal-split kernel.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct SplitKernel {
    /// Its shape.
    pub kernel: Kernel,
    /// Its rule at junctions.
    pub rule: SplitRule,
    /// Its standard deviation on a free line in metres, positive.
    pub sigma_m: f64,
}

/// A thing on a chain: its distance from the end `a`, and its number.
#[derive(Clone, Copy)]
struct Held {
    x_m: f64,
    index: u32,
}

/// Things sorted by chain and position.
struct ByChain {
    held: Vec<Held>,
    starts: Vec<usize>,
}

impl ByChain {
    fn new(chains: &Chains, positions: impl Iterator<Item = EdgePoint>) -> Self {
        let mut placed: Vec<_> = positions.map(|at| chains.place(at)).enumerate().collect();
        placed.sort_by(|p, q| p.1.chain.cmp(&q.1.chain).then(p.1.x_m.total_cmp(&q.1.x_m)));
        let starts = (0..=chains.len())
            .map(|chain| placed.partition_point(|place| (place.1.chain as usize) < chain))
            .collect();
        let held = placed.iter().map(|(index, at)| Held { x_m: at.x_m, index: *index as u32 }).collect();
        Self { held, starts }
    }

    fn on(&self, chain: usize) -> &[Held] {
        &self.held[self.starts[chain]..self.starts[chain + 1]]
    }
}

impl SplitKernel {
    fn reach_m(&self) -> f64 {
        profile::reach_m(self.kernel, self.sigma_m)
    }

    fn per_m(&self, distance_m: f64) -> f64 {
        profile::per_m(self.kernel, distance_m, self.sigma_m)
    }

    fn tail(&self, distance_m: f64) -> f64 {
        profile::tail(self.kernel, distance_m, self.sigma_m)
    }

    /// The density at each query, and the mass that lies before it on its chain.
    ///
    /// # Errors
    /// [`AlongError::TooManyWalks`] with the largest bandwidth that fits, if the walks
    /// from the records pass over more than [`MOST_PASSAGES`] chains.
    pub(crate) fn density(
        &self,
        chains: &Chains,
        records: &[Source],
        queries: &[EdgePoint],
    ) -> Result<Field, AlongError> {
        let sources = ByChain::new(chains, records.iter().map(|record| record.at));
        self.check(chains, &sources)?;
        let wanted = ByChain::new(chains, queries.iter().copied());
        let parts: Vec<Field> = (0..TASKS)
            .into_par_iter()
            .map(|task| {
                let mut field = Field::zero(queries.len());
                for chain in (task..chains.len()).step_by(TASKS) {
                    self.spread_chain(chains, chain, records, &sources, &wanted, &mut field);
                }
                field
            })
            .collect();
        let mut field = Field::zero(queries.len());
        parts.iter().for_each(|part| field.add(part));
        // Continuous splits cancel to rounding where the true value is 0.
        field.per_m.iter_mut().for_each(|value| *value = value.max(0.0));
        Ok(field)
    }

    /// Adds what the records of one chain give to every query.
    fn spread_chain(
        &self,
        chains: &Chains,
        chain: usize,
        records: &[Source],
        sources: &ByChain,
        wanted: &ByChain,
        field: &mut Field,
    ) {
        let (here, length_m) = (sources.on(chain), chains.chains[chain].length_m);
        if here.is_empty() {
            return;
        }
        for record in here {
            let weight = records[record.index as usize].weight;
            for query in wanted.on(chain) {
                let (index, ahead_m) = (query.index as usize, query.x_m - record.x_m);
                field.per_m[index] += weight * self.per_m(ahead_m);
                let beyond = self.tail(ahead_m.abs());
                // The record itself lies before the query, where the mass behind it is
                // one less the tail.
                field.before[index] += weight * if ahead_m >= 0.0 { 1.0 - beyond } else { beyond };
            }
        }
        for far in [false, true] {
            let to_exit = |record: &Held| if far { length_m - record.x_m } else { record.x_m };
            let nearest_m = here.iter().map(to_exit).fold(f64::INFINITY, f64::min);
            let exit = ChainEnd { chain: chain as u32, far };
            walk(chains, exit, self.reach_m() - nearest_m, self.rule, |visit| {
                for record in here {
                    let weight = records[record.index as usize].weight * visit.share;
                    self.visit(chains, visit, to_exit(record), weight, wanted, field);
                }
                true
            });
        }
    }

    /// Adds what one walk of one record gives to the queries of the chain it passes over.
    fn visit(
        &self,
        chains: &Chains,
        visit: Visit,
        before_m: f64,
        weight: f64,
        wanted: &ByChain,
        field: &mut Field,
    ) {
        let (walked_m, reach_m) = (visit.walked_m + before_m, self.reach_m());
        let length_m = chains.chains[visit.chain as usize].length_m;
        if walked_m >= reach_m {
            return;
        }
        let queries = wanted.on(visit.chain as usize);
        if visit.from_b {
            for query in queries.iter().rev() {
                let distance_m = walked_m + length_m - query.x_m;
                if distance_m >= reach_m {
                    break;
                }
                field.per_m[query.index as usize] += weight * self.per_m(distance_m);
                field.before[query.index as usize] += weight * self.tail(distance_m);
            }
        } else {
            for query in queries {
                let distance_m = walked_m + query.x_m;
                if distance_m >= reach_m {
                    break;
                }
                field.per_m[query.index as usize] += weight * self.per_m(distance_m);
                field.before[query.index as usize] -= weight * self.tail(distance_m);
            }
        }
    }

    /// The integral of kernel times spread load seen from each position: effort in reach.
    /// The kernel is symmetric, so this is the smoothed load there.
    ///
    /// # Errors
    /// As [`SplitKernel::density`].
    pub(crate) fn spread_at(
        &self,
        chains: &Chains,
        spread: &[Spread],
        queries: &[EdgePoint],
    ) -> Result<Vec<f64>, AlongError> {
        let places = ByChain::new(chains, queries.iter().copied());
        self.check(chains, &places)?;
        let mut on_chain = vec![Vec::new(); chains.len()];
        for stretch in spread {
            let one = chains.place(EdgePoint { edge: stretch.edge, along_m: stretch.from_m });
            let other = chains.place(EdgePoint { edge: stretch.edge, along_m: stretch.to_m });
            let (from_m, to_m) = (one.x_m.min(other.x_m), one.x_m.max(other.x_m));
            on_chain[one.chain as usize].push((from_m, to_m, stretch.per_m));
        }
        Ok(queries.par_iter().map(|&at| self.spread_seen(chains, &on_chain, at)).collect())
    }

    fn spread_seen(&self, chains: &Chains, on_chain: &[Vec<(f64, f64, f64)>], at: EdgePoint) -> f64 {
        let place = chains.place(at);
        let length_m = chains.chains[place.chain as usize].length_m;
        // Mass of the kernel between two signed distances.
        let below = |distance_m: f64| {
            let tail = self.tail(distance_m.abs());
            if distance_m >= 0.0 { 1.0 - tail } else { tail }
        };
        let mut sum = 0.0;
        for &(from_m, to_m, per_m) in &on_chain[place.chain as usize] {
            sum += per_m * (below(to_m - place.x_m) - below(from_m - place.x_m));
        }
        for (far, exit_m) in [(false, place.x_m), (true, length_m - place.x_m)] {
            let exit = ChainEnd { chain: place.chain, far };
            walk(chains, exit, self.reach_m() - exit_m, self.rule, |visit| {
                let length_m = chains.chains[visit.chain as usize].length_m;
                let walked_m = visit.walked_m + exit_m;
                for &(from_m, to_m, per_m) in &on_chain[visit.chain as usize] {
                    let (near_m, far_m) =
                        if visit.from_b { (length_m - to_m, length_m - from_m) } else { (from_m, to_m) };
                    let mass = self.tail(walked_m + near_m) - self.tail(walked_m + far_m);
                    sum += visit.share * per_m * mass;
                }
                true
            });
        }
        sum
    }

    /// The kernel between one position and each of some others, for those it reaches, as
    /// (number, kernel per metre), ascending.
    fn row(&self, chains: &Chains, at: EdgePoint, others: &ByChain) -> Vec<(u32, f64)> {
        let place = chains.place(at);
        let length_m = chains.chains[place.chain as usize].length_m;
        let mut found: Vec<(u32, f64)> = Vec::new();
        for other in others.on(place.chain as usize) {
            found.push((other.index, self.per_m(other.x_m - place.x_m)));
        }
        for (far, exit_m) in [(false, place.x_m), (true, length_m - place.x_m)] {
            walk(chains, ChainEnd { chain: place.chain, far }, self.reach_m() - exit_m, self.rule, |visit| {
                let length_m = chains.chains[visit.chain as usize].length_m;
                for other in others.on(visit.chain as usize) {
                    let into_m = if visit.from_b { length_m - other.x_m } else { other.x_m };
                    let value = visit.share * self.per_m(visit.walked_m + exit_m + into_m);
                    if value != 0.0 {
                        found.push((other.index, value));
                    }
                }
                true
            });
        }
        found.sort_by_key(|entry| entry.0);
        let mut row: Vec<(u32, f64)> = Vec::with_capacity(found.len());
        for (index, value) in found {
            match row.last_mut() {
                Some(last) if last.0 == index => last.1 += value,
                _ => row.push((index, value)),
            }
        }
        row.retain(|entry| entry.1 > 0.0);
        row
    }

    /// Sums over some points of the kernel at each query.
    ///
    /// # Errors
    /// As [`SplitKernel::density`].
    pub(crate) fn sums(
        &self,
        chains: &Chains,
        points: &[Source],
        queries: &[EdgePoint],
    ) -> Result<Vec<KernelSums>, AlongError> {
        self.check(chains, &ByChain::new(chains, queries.iter().copied()))?;
        let others = ByChain::new(chains, points.iter().map(|point| point.at));
        Ok(queries.par_iter().map(|&at| KernelSums::over(&self.row(chains, at, &others), points)).collect())
    }

    fn check(&self, chains: &Chains, sources: &ByChain) -> Result<(), AlongError> {
        if self.passages(chains, sources).is_some() {
            return Ok(());
        }
        let (mut fits, mut fails) = (0.0, self.sigma_m);
        while fails - fits > 0.02 * self.sigma_m {
            let sigma_m = 0.5 * (fits + fails);
            match (Self { sigma_m, ..*self }).passages(chains, sources) {
                Some(_) => fits = sigma_m,
                None => fails = sigma_m,
            }
        }
        Err(AlongError::TooManyWalks { sigma_m: self.sigma_m, fits_m: fits })
    }

    /// How many passages the walks from the sources make, or `None` if too many.
    fn passages(&self, chains: &Chains, sources: &ByChain) -> Option<u64> {
        let mut passages = 0u64;
        for chain in 0..chains.len() {
            let (here, length_m) = (sources.on(chain), chains.chains[chain].length_m);
            for far in [false, true] {
                let exits: Vec<f64> =
                    here.iter().map(|held| if far { length_m - held.x_m } else { held.x_m }).collect();
                let nearest_m = exits.iter().copied().fold(f64::INFINITY, f64::min);
                if nearest_m < self.reach_m() {
                    let exit = ChainEnd { chain: chain as u32, far };
                    let whole = walk(chains, exit, self.reach_m() - nearest_m, self.rule, |_| {
                        passages += here.len() as u64;
                        passages <= MOST_PASSAGES
                    });
                    if !whole {
                        return None;
                    }
                }
            }
        }
        Some(passages)
    }
}
