//! Whether outings still depend on each other across the edges of blocks.

use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rayon::prelude::*;

use super::block::days_between;
use super::gram::dot;
use super::lattice::Lattice;
use super::{BlockSize, Blocks, Outings, Season};

/// Shufflings of the block order.
const SHUFFLES: usize = 499;

/// Level of the test.
const LEVEL: f64 = 0.05;

/// What the test at block edges found.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Dependence {
    /// One-sided p: small where sign after a block's edge lies where it lay before it.
    pub p: f64,
    /// Reach of the weights at an edge in days.
    pub reach_days: f64,
    /// Whether outings depend on each other beyond the block (p ≤ 0.05).
    pub beyond_block: bool,
}

/// Tests whether sign at the end of a block lies where it lies at the start of the next.
///
/// Residuals are what an outing found less what its season would have led one to expect:
/// e_j = f_j − r_g · exposure_j. The end surface of a block is Σ e_j exp(−(t_last − t_j)/τ),
/// its start surface likewise, with τ half a block or the mean gap between outings, whichever
/// is longer. The statistic is the sum over neighbouring blocks of both seasons of ∫ end ·
/// start. Null hypothesis: the order of the blocks within a season is arbitrary; 499
/// shufflings, upper tail.
///
/// `None` where outings have no day. Poor where few blocks stand side by side: with ten a
/// season it finds only strong dependence.
pub(super) fn at_block_edges(
    outings: &Outings,
    lattice: &Lattice,
    blocks: &Blocks,
    size: BlockSize,
    seed: u64,
    stream: u64,
) -> Option<Dependence> {
    let start = outings.list().iter().filter_map(|o| o.day).min()?;
    let days: Option<Vec<f64>> =
        outings.list().iter().map(|o| o.day.map(|day| days_between(start, day) as f64)).collect();
    let days = days?;
    let reach_days = (size.days() / 2.0).max(mean_gap_days(outings, &days));
    let residuals = residuals(outings, lattice);
    let tables: Vec<Vec<Vec<f64>>> = [Season::Before, Season::After]
        .into_iter()
        .map(|season| edge_products(blocks, season, &residuals, &days, reach_days))
        .collect();
    let mut orders: Vec<Vec<usize>> = tables.iter().map(|t| (0..t.len()).collect()).collect();
    let statistic = |orders: &[Vec<usize>]| -> f64 {
        let season = |(table, order): (&Vec<Vec<f64>>, &Vec<usize>)| -> f64 {
            order.windows(2).map(|w| table[w[0]][w[1]]).sum()
        };
        tables.iter().zip(orders).map(season).sum()
    };
    let observed = statistic(&orders);
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(stream);
    let reached = (0..SHUFFLES)
        .filter(|_| {
            orders.iter_mut().for_each(|order| order.shuffle(&mut rng));
            super::relabel::reaches(statistic(&orders), observed)
        })
        .count();
    let p = (reached + 1) as f64 / (SHUFFLES + 1) as f64;
    Some(Dependence { p, reach_days, beyond_block: p <= LEVEL })
}

/// Mean days between outings of a season, over both.
pub(super) fn mean_gap_days(outings: &Outings, days: &[f64]) -> f64 {
    let (mut span, mut gaps) = (0.0, 0.0);
    for season in [Season::Before, Season::After] {
        let own: Vec<f64> =
            outings.list().iter().zip(days).filter(|(o, _)| o.season == season).map(|(_, d)| *d).collect();
        if let (Some(first), Some(last)) = (own.first(), own.last()) {
            span += last - first;
            gaps += (own.len() - 1) as f64;
        }
    }
    if gaps > 0.0 { span / gaps } else { 0.0 }
}

/// What each outing found less what its season leads one to expect of it.
pub(super) fn residuals(outings: &Outings, lattice: &Lattice) -> Vec<Vec<f64>> {
    let mut residuals = lattice.sign.clone();
    for season in [Season::Before, Season::After] {
        let own: Vec<usize> = (0..residuals.len()).filter(|&i| outings.list()[i].season == season).collect();
        let sum = |surfaces: &[Vec<f64>]| {
            let mut sum = vec![0.0; lattice.grid.cells()];
            own.iter().for_each(|&i| sum.iter_mut().zip(&surfaces[i]).for_each(|(s, v)| *s += v));
            sum
        };
        let sign = sum(&lattice.sign);
        let n: f64 = own.iter().map(|&i| outings.list()[i].sign_count()).sum();
        let effort = lattice.effort.as_ref().map(|effort| (sum(effort), effort));
        for &i in &own {
            let share = outings.list()[i].sign_count() / n;
            for (cell, residual) in residuals[i].iter_mut().enumerate() {
                *residual -= match &effort {
                    None => sign[cell] * share,
                    Some((total, effort)) if total[cell] > 0.0 => sign[cell] * effort[i][cell] / total[cell],
                    Some(_) => 0.0,
                };
            }
        }
    }
    residuals
}

/// ∫ end_i · start_j for all pairs of blocks of a season.
pub(super) fn edge_products(
    blocks: &Blocks,
    season: Season,
    residuals: &[Vec<f64>],
    days: &[f64],
    reach_days: f64,
) -> Vec<Vec<f64>> {
    let fade = |gap: f64| if reach_days > 0.0 { (-gap / reach_days).exp() } else { f64::from(gap == 0.0) };
    let edge = |block: &[usize], at_end: bool| {
        let mut surface = vec![0.0; residuals.first().map_or(0, Vec::len)];
        let ends = block.iter().map(|&i| days[i]);
        let edge = if at_end { ends.fold(f64::MIN, f64::max) } else { ends.fold(f64::MAX, f64::min) };
        for &i in block {
            let weight = fade((edge - days[i]).abs());
            surface.iter_mut().zip(&residuals[i]).for_each(|(s, r)| *s += weight * r);
        }
        surface
    };
    let own: Vec<&Vec<usize>> =
        blocks.outings.iter().zip(&blocks.seasons).filter(|(_, s)| **s == season).map(|(b, _)| b).collect();
    let starts: Vec<Vec<f64>> = own.par_iter().map(|block| edge(block, false)).collect();
    own.par_iter()
        .map(|block| {
            let end = edge(block, true);
            starts.iter().map(|start| dot(&end, start)).collect()
        })
        .collect()
}
