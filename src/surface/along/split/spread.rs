//! Load that is spread over stretches, such as effort, smoothed by an equal-split kernel.

use rayon::prelude::*;

use super::{ByChain, FEW_PASSAGES, SplitKernel, sum_of};
use crate::surface::along::chain::{ChainEnd, Chains};
use crate::surface::along::walk::walk;
use crate::surface::along::wave::{self, Ruler, Start};
use crate::surface::along::{AlongError, EdgePoint, Field, Spread};

impl SplitKernel {
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
        if self.passages(chains, &places, FEW_PASSAGES).is_none() {
            let ruler = self.ruler(chains)?;
            return Ok(self.spread_by_waves(chains, ruler, spread, &places));
        }
        let on_chain = stretches_by_chain(chains, spread);
        Ok(queries.par_iter().map(|&at| self.spread_seen(chains, &on_chain, at)).collect())
    }

    /// The smoothed load at some places by waves: what the load sends there, since the
    /// kernel is symmetric.
    fn spread_by_waves(
        &self,
        chains: &Chains,
        ruler: Ruler,
        spread: &[Spread],
        places: &ByChain,
    ) -> Vec<f64> {
        let on_chain = stretches_by_chain(chains, spread);
        let blocks = wave::blocks(chains, self.reach_m());
        let tasks = blocks.par_iter().map(|block| {
            let mut field = Field::zero(places.held.len());
            let mut starts = Vec::new();
            for &chain in &block.from {
                let length_m = chains.chains[chain as usize].length_m;
                for &(from_m, to_m, per_m) in &on_chain[chain as usize] {
                    for held in places.on(chain as usize) {
                        field.per_m[held.index as usize] +=
                            per_m * self.mass(from_m - held.x_m, to_m - held.x_m);
                    }
                    let weight = per_m * (to_m - from_m);
                    let exits = [(false, from_m, to_m), (true, length_m - to_m, length_m - from_m)];
                    starts.extend(exits.map(|(far, near_m, far_m)| Start {
                        exit: ChainEnd { chain, far },
                        near_m,
                        far_m,
                        weight,
                    }));
                }
            }
            wave::run(chains, self.rule, ruler, block, starts, |passage| {
                self.receive(chains, &passage, ruler.step_m, places, &mut field);
            });
            field
        });
        sum_of(tasks.collect(), places.held.len()).per_m
    }

    /// Mass of the kernel between two signed distances, the first below the second.
    fn mass(&self, from_m: f64, to_m: f64) -> f64 {
        let below = |distance_m: f64| {
            let tail = self.tail(distance_m.abs());
            if distance_m >= 0.0 { 1.0 - tail } else { tail }
        };
        below(to_m) - below(from_m)
    }

    fn spread_seen(&self, chains: &Chains, on_chain: &[Vec<(f64, f64, f64)>], at: EdgePoint) -> f64 {
        let place = chains.place(at);
        let length_m = chains.chains[place.chain as usize].length_m;
        let mut sum = 0.0;
        for &(from_m, to_m, per_m) in &on_chain[place.chain as usize] {
            sum += per_m * self.mass(from_m - place.x_m, to_m - place.x_m);
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

    /// Effort in reach by waves.
    #[cfg(test)]
    pub(in crate::surface::along) fn spread_by_waves_at(
        &self,
        chains: &Chains,
        spread: &[Spread],
        queries: &[EdgePoint],
    ) -> Vec<f64> {
        let ruler = Ruler::new(chains, self.reach_m()).unwrap();
        self.spread_by_waves(chains, ruler, spread, &ByChain::new(chains, queries.iter().copied()))
    }
}

/// Stretches as (from, to, load per metre) along each chain.
fn stretches_by_chain(chains: &Chains, spread: &[Spread]) -> Vec<Vec<(f64, f64, f64)>> {
    let mut on_chain = vec![Vec::new(); chains.len()];
    for stretch in spread {
        let one = chains.place(EdgePoint { edge: stretch.edge, along_m: stretch.from_m });
        let other = chains.place(EdgePoint { edge: stretch.edge, along_m: stretch.to_m });
        let (from_m, to_m) = (one.x_m.min(other.x_m), one.x_m.max(other.x_m));
        on_chain[one.chain as usize].push((from_m, to_m, stretch.per_m));
    }
    on_chain
}
