//! How sites hold up when the weights of the parts change.
//!
//! Weights are drawn evenly from all proportions (Lahdelma & Salminen 2001, Operations
//! Research 49:444–454, doi:10.1287/opre.49.3.444.11220) and the whole choice is made anew.

use std::sync::atomic::{AtomicU64, Ordering};

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::candidate::Candidate;
use super::layout::Layout;
use super::score::{Part, scores_with};
use super::select::Limits;

/// A site is still chosen where another of the choice stands this near on the same stroke,
/// as a share of the spacing.
const SAME_PLACE: f64 = 0.1;

/// How one site held up.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Stability {
    /// The share of weightings under which it stays chosen, in 0..=1.
    pub share: f64,
    /// Its mean rank among the chosen where it stays chosen; 0 if it never does.
    pub mean_rank: f64,
    /// Names of parts without whose weight it is not chosen.
    pub hangs_on: Vec<String>,
}

/// Weights drawn evenly from all proportions of `parts` parts that add up to one. Each
/// weighting has a stream of its own, so that it does not depend on the others.
pub fn weighting(seed: u64, number: u64, parts: usize) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(number);
    let draws: Vec<f64> = (0..parts).map(|_| -(1.0 - rng.random::<f64>()).ln()).collect();
    let sum: f64 = draws.iter().sum();
    draws.into_iter().map(|d| d / sum).collect()
}

/// What is chosen anew.
pub struct Reweighting<'a> {
    /// The problem.
    pub layout: &'a Layout,
    /// The candidates.
    pub candidates: &'a [Candidate],
    /// The parts of their scores.
    pub parts: &'a [Part],
    /// The candidates chosen under the plan's weights.
    pub sites: &'a [usize],
    /// How many random weightings.
    pub weightings: u64,
    /// Their seed.
    pub seed: u64,
    /// The spacing in metres.
    pub spacing_m: f64,
    /// When one search may stop.
    pub limits: Limits,
}

/// Told how many of the random weightings are done, and of how many; first of none.
pub type Watch<'a> = &'a (dyn Fn(u64, u64) + Sync);

/// Chooses anew under random weightings and without each part in turn, in parallel.
pub fn stability(from: &Reweighting, watch: Watch) -> Vec<Stability> {
    let &Reweighting { layout, candidates, parts, sites, weightings, seed, spacing_m, limits } = from;
    let ranks_under = |weights: &[f64]| {
        let scores = scores_with(parts, weights, candidates.len());
        let mut chosen = layout.choose(&scores, limits).sites;
        chosen.sort_by_key(|&(i, gain, _)| (-gain, i));
        let chosen: Vec<usize> = chosen.into_iter().map(|(i, ..)| i).collect();
        ranks(candidates, sites, &chosen, SAME_PLACE * spacing_m)
    };
    watch(0, weightings);
    let done = AtomicU64::new(0);
    let counts = (0..weightings)
        .into_par_iter()
        .map(|k| {
            let ranks = ranks_under(&weighting(seed, k, parts.len()));
            watch(done.fetch_add(1, Ordering::Relaxed) + 1, weightings);
            ranks
        })
        .map(|ranks| ranks.iter().map(|rank| (u64::from(rank.is_some()), rank.unwrap_or(0))).collect())
        .reduce(|| vec![(0, 0); sites.len()], add);
    let mut told: Vec<Stability> = counts
        .into_iter()
        .map(|(times, ranks): (u64, u64)| Stability {
            share: times as f64 / weightings.max(1) as f64,
            mean_rank: if times > 0 { ranks as f64 / times as f64 } else { 0.0 },
            hangs_on: Vec::new(),
        })
        .collect();
    for (k, part) in parts.iter().enumerate().filter(|_| parts.len() > 1) {
        let mut weights: Vec<f64> = parts.iter().map(|p| p.weight).collect();
        weights[k] = 0.0;
        for (told, rank) in told.iter_mut().zip(ranks_under(&weights)) {
            if rank.is_none() {
                told.hangs_on.push(part.name.clone());
            }
        }
    }
    told
}

fn add(a: Vec<(u64, u64)>, b: Vec<(u64, u64)>) -> Vec<(u64, u64)> {
    a.into_iter().zip(b).map(|(a, b)| (a.0 + b.0, a.1 + b.1)).collect()
}

/// The rank of each site, from 1, in a choice sorted by score, if it is part of it.
fn ranks(candidates: &[Candidate], sites: &[usize], chosen: &[usize], same_m: f64) -> Vec<Option<u64>> {
    let same = |a: usize, b: usize| {
        let (p, q) = (candidates[a].on_stroke, candidates[b].on_stroke);
        a == b || p.0 == q.0 && (p.1 - q.1).abs() <= same_m
    };
    let rank = |&site: &usize| chosen.iter().position(|&other| same(site, other)).map(|r| r as u64 + 1);
    sites.iter().map(rank).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rank acceptability of five alternatives under three criteria, weights even on the
    /// simplex, exactly (areas of the cells, with fractions); Lahdelma & Salminen (2001).
    #[test]
    fn weightings_give_the_published_acceptability() {
        let values = [[0.9, 0.2, 0.4], [0.55, 0.6, 0.5], [0.2, 0.9, 0.6], [0.5, 0.5, 0.95], [0.3, 0.4, 0.5]];
        let first = [0.2261061458678142, 0.01842636195832884, 0.28895037815901126, 0.46651711401484575, 0.0];
        let last = [0.35714285714285715, 0.0, 0.08333333333333333, 0.0, 0.5595238095238095];
        let n = 40_000;
        let (mut firsts, mut lasts) = ([0.0; 5], [0.0; 5]);
        for k in 0..n {
            let weights = weighting(7, k, 3);
            let score = |a: usize| (0..3).map(|c| weights[c] * values[a][c]).sum::<f64>();
            let mut order: Vec<usize> = (0..5).collect();
            order.sort_by(|&a, &b| score(b).total_cmp(&score(a)));
            firsts[order[0]] += 1.0 / n as f64;
            lasts[order[4]] += 1.0 / n as f64;
        }
        // Five standard errors of a share.
        let tolerance = 2.5 / (n as f64).sqrt();
        for a in 0..5 {
            assert!((firsts[a] - first[a]).abs() < tolerance, "{a}: {} {}", firsts[a], first[a]);
            assert!((lasts[a] - last[a]).abs() < tolerance, "{a}: {} {}", lasts[a], last[a]);
        }
    }

    /// Two criteria, exactly (Lahdelma & Salminen 2001): A first with 7/15, B with 0.0718.
    #[test]
    fn weightings_of_two_criteria() {
        let values = [[0.9, 0.2], [0.55, 0.6], [0.2, 0.9], [0.5, 0.5]];
        let first = [0.4666666666666667, 0.07179487179487176, 0.46153846153846156, 0.0];
        let n = 40_000;
        let mut firsts = [0.0; 4];
        for k in 0..n {
            let w = weighting(11, k, 2);
            let score = |a: &usize| w[0] * values[*a][0] + w[1] * values[*a][1];
            let best = (0..4).max_by(|a, b| score(a).total_cmp(&score(b))).unwrap();
            firsts[best] += 1.0 / n as f64;
        }
        for a in 0..4 {
            assert!((firsts[a] - first[a]).abs() < 2.5 / (n as f64).sqrt());
        }
    }
}
