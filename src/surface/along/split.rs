//! Equal-split density: the sum over all walks from a record of what the splits leave of
//! its weight, times a kernel of the distance walked.
//!
//! Where walks are few they are followed singly: exact for every kernel of [`Kernel`], and
//! masses of pieces are closed forms too. Their number grows with a power of the reach over
//! the length of chains; where it gets out of hand, all records go together as waves (see
//! [`super::wave`]), whose cost does not explode and whose error is stated there. With the
//! continuous rule and the normal curve it would equal the heat kernel, which is the faster
//! way to it.

use rayon::prelude::*;

use super::chain::{ChainEnd, Chains};
use super::profile;
use super::walk::{SplitRule, Visit, walk};
use super::wave::{self, MOMENTS, Passage, Ruler, Start};
use super::{AlongError, EdgePoint, Field, KernelSums, Source};
use crate::surface::Kernel;

mod spread;

/// A bandwidth that fits is looked for down to about this many metres.
const LEAST_M: f64 = 1e-3;
/// Halvings after which a range that began at nought is small against any bandwidth in metres.
const MOST_TRIES: usize = 100;

/// Passages of walks over chains, records counted apart, up to which walks are followed
/// singly: a tenth of a second's work.
const FEW_PASSAGES: u64 = 1_000_000;

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

    /// The density at each query, and the mass that lies before it on its chain: by single
    /// walks where they are few, else by waves.
    ///
    /// # Errors
    /// [`AlongError::TooManyWalks`] with the largest bandwidth that fits.
    pub(crate) fn density(
        &self,
        chains: &Chains,
        records: &[Source],
        queries: &[EdgePoint],
    ) -> Result<Field, AlongError> {
        let sources = ByChain::new(chains, records.iter().map(|record| record.at));
        let wanted = ByChain::new(chains, queries.iter().copied());
        let mut field = if self.passages(chains, &sources, FEW_PASSAGES).is_some() {
            self.by_walks(chains, records, &sources, &wanted)
        } else {
            let ruler = self.ruler(chains)?;
            self.by_waves(chains, ruler, records, &sources, &wanted)
        };
        // Continuous splits cancel to rounding where the true value is 0.
        field.per_m.iter_mut().for_each(|value| *value = value.max(0.0));
        Ok(field)
    }

    fn by_walks(&self, chains: &Chains, records: &[Source], sources: &ByChain, wanted: &ByChain) -> Field {
        let tasks = (0..TASKS).into_par_iter().map(|task| {
            let mut field = Field::zero(wanted.held.len());
            for chain in (task..chains.len()).step_by(TASKS) {
                self.on_own_chain(chain, records, sources, wanted, &mut field);
                self.walk_from_chain(chains, chain, records, sources, wanted, &mut field);
            }
            field
        });
        sum_of(tasks.collect(), wanted.held.len())
    }

    fn by_waves(
        &self,
        chains: &Chains,
        ruler: Ruler,
        records: &[Source],
        sources: &ByChain,
        wanted: &ByChain,
    ) -> Field {
        let blocks = wave::blocks(chains, self.reach_m());
        let tasks = blocks.par_iter().map(|block| {
            let mut field = Field::zero(wanted.held.len());
            let mut starts = Vec::new();
            for &chain in &block.from {
                self.on_own_chain(chain as usize, records, sources, wanted, &mut field);
                let length_m = chains.chains[chain as usize].length_m;
                for held in sources.on(chain as usize) {
                    let weight = records[held.index as usize].weight;
                    for (far, exit_m) in [(false, held.x_m), (true, length_m - held.x_m)] {
                        starts.push(Start {
                            exit: ChainEnd { chain, far },
                            near_m: exit_m,
                            far_m: exit_m,
                            weight,
                        });
                    }
                }
            }
            wave::run(chains, self.rule, ruler, block, starts, |passage| {
                self.receive(chains, &passage, ruler.step_m, wanted, &mut field);
            });
            field
        });
        sum_of(tasks.collect(), wanted.held.len())
    }

    /// Adds what a packet gives to the queries of the chain that it passes over.
    fn receive(&self, chains: &Chains, passage: &Passage, step_m: f64, wanted: &ByChain, field: &mut Field) {
        let length_m = chains.chains[passage.chain as usize].length_m;
        let queries = wanted.on(passage.chain as usize);
        let mut give = |query: &Held, into_m: f64| {
            if passage.middle_m + into_m >= self.reach_m() {
                return false;
            }
            let around = profile::tail_around(self.kernel, passage.centre_m + into_m, self.sigma_m, step_m);
            let m = passage.moments;
            let beyond: f64 = (0..MOMENTS).map(|j| around[j] * m[j]).sum();
            let falls: f64 = (1..MOMENTS).map(|j| j as f64 * around[j] * m[j - 1]).sum();
            let index = query.index as usize;
            field.per_m[index] -= falls / step_m;
            field.before[index] += if passage.from_b { beyond } else { -beyond };
            true
        };
        if passage.from_b {
            queries.iter().rev().all(|query| give(query, length_m - query.x_m));
        } else {
            queries.iter().all(|query| give(query, query.x_m));
        }
    }

    /// Adds what the records of one chain give to its own queries, straight.
    fn on_own_chain(
        &self,
        chain: usize,
        records: &[Source],
        sources: &ByChain,
        wanted: &ByChain,
        field: &mut Field,
    ) {
        let (queries, reach_m) = (wanted.on(chain), self.reach_m());
        for record in sources.on(chain) {
            let weight = records[record.index as usize].weight;
            let near = queries.partition_point(|query| query.x_m < record.x_m - reach_m);
            let past = queries.partition_point(|query| query.x_m <= record.x_m + reach_m);
            for query in &queries[near..past] {
                let (index, ahead_m) = (query.index as usize, query.x_m - record.x_m);
                field.per_m[index] += weight * self.per_m(ahead_m);
                let beyond = self.tail(ahead_m.abs());
                // The record itself lies before the query, where the mass behind it is
                // one less the tail.
                field.before[index] += weight * if ahead_m >= 0.0 { 1.0 - beyond } else { beyond };
            }
            queries[past..].iter().for_each(|query| field.before[query.index as usize] += weight);
        }
    }

    /// Adds what the records of one chain give to every query by walks that leave it.
    fn walk_from_chain(
        &self,
        chains: &Chains,
        chain: usize,
        records: &[Source],
        sources: &ByChain,
        wanted: &ByChain,
        field: &mut Field,
    ) {
        let (here, length_m) = (sources.on(chain), chains.chains[chain].length_m);
        for far in [false, true] {
            let to_exit = |record: &Held| if far { length_m - record.x_m } else { record.x_m };
            let nearest_m = here.iter().map(to_exit).fold(f64::INFINITY, f64::min);
            if nearest_m >= self.reach_m() {
                continue;
            }
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

    /// Sums over some points of the kernel at each query; `None` where the walks from the
    /// queries are too many to follow singly.
    pub(crate) fn sums(
        &self,
        chains: &Chains,
        points: &[Source],
        queries: &[EdgePoint],
    ) -> Option<Vec<KernelSums>> {
        self.passages(chains, &ByChain::new(chains, queries.iter().copied()), FEW_PASSAGES)?;
        let others = ByChain::new(chains, points.iter().map(|point| point.at));
        Some(queries.par_iter().map(|&at| KernelSums::over(&self.row(chains, at, &others), points)).collect())
    }

    /// The integral of the kernel's square on a free line, per metre, and its peak.
    pub(crate) fn roughness_and_peak(&self) -> (f64, f64) {
        (profile::roughness(self.kernel, self.sigma_m), self.per_m(0.0))
    }

    /// Bound on the error as a share of the greatest density: 0 where the walks from the
    /// records are followed singly, else what was measured of waves (see
    /// [`super::wave`]).
    pub(crate) fn error_of_greatest(&self, chains: &Chains, records: &[Source]) -> f64 {
        let sources = ByChain::new(chains, records.iter().map(|record| record.at));
        if self.passages(chains, &sources, FEW_PASSAGES).is_some() { 0.0 } else { wave::error(self.kernel) }
    }

    /// The density by single walks, if they are few, and by waves.
    #[cfg(test)]
    pub(super) fn both_ways(
        &self,
        chains: &Chains,
        records: &[Source],
        queries: &[EdgePoint],
    ) -> Option<(Field, Field)> {
        let sources = ByChain::new(chains, records.iter().map(|record| record.at));
        let wanted = ByChain::new(chains, queries.iter().copied());
        self.passages(chains, &sources, FEW_PASSAGES)?;
        let waves = self.by_waves(chains, self.ruler(chains).ok()?, records, &sources, &wanted);
        Some((self.by_walks(chains, records, &sources, &wanted), waves))
    }

    /// The steps of waves at this bandwidth.
    fn ruler(&self, chains: &Chains) -> Result<Ruler, AlongError> {
        if let Some(ruler) = Ruler::new(chains, self.reach_m()) {
            return Ok(ruler);
        }
        let fits = |sigma_m: f64| Ruler::new(chains, (Self { sigma_m, ..*self }).reach_m()).is_some();
        let (mut most_m, mut fails_m) = (0.0, self.sigma_m);
        for _ in 0..MOST_TRIES {
            let sigma_m = 0.5 * (most_m + fails_m);
            if fails_m - most_m <= 0.02 * fails_m.max(LEAST_M) {
                break;
            }
            if fits(sigma_m) { most_m = sigma_m } else { fails_m = sigma_m }
        }
        Err(AlongError::TooManyWalks { sigma_m: self.sigma_m, fits_m: most_m })
    }

    /// How many passages the walks from the sources make, or `None` if more than `most`.
    fn passages(&self, chains: &Chains, sources: &ByChain, most: u64) -> Option<u64> {
        let mut passages = 0u64;
        for chain in 0..chains.len() {
            let (here, length_m) = (sources.on(chain), chains.chains[chain].length_m);
            for far in [false, true] {
                let to_exit = |held: &Held| if far { length_m - held.x_m } else { held.x_m };
                let nearest_m = here.iter().map(to_exit).fold(f64::INFINITY, f64::min);
                if nearest_m < self.reach_m() {
                    let exit = ChainEnd { chain: chain as u32, far };
                    let whole = walk(chains, exit, self.reach_m() - nearest_m, self.rule, |_| {
                        passages += here.len() as u64;
                        passages <= most
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

/// The sum of the tasks' fields, in their order.
fn sum_of(parts: Vec<Field>, positions: usize) -> Field {
    let mut field = Field::zero(positions);
    parts.iter().for_each(|part| field.add(part));
    field
}
