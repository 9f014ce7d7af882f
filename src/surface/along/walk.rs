//! Walks over a network, as equal-split density takes them: a record's weight runs out
//! along the lines and divides at every junction.

use std::collections::BTreeMap;

use super::chain::{ChainEnd, Chains};

/// How weight divides where it meets a junction of m ways.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum SplitRule {
    /// Each other way gets 2/m of it and 2/m − 1 comes back: the density is continuous
    /// and keeps its mass (Okabe & Sugihara 2012, Spatial Analysis along Networks, ch. 9).
    Continuous,
    /// Each other way gets 1/(m − 1) and nothing comes back: the density jumps at
    /// junctions and loses what would pass a dead end (Okabe, Satoh & Sugihara 2009).
    Discontinuous,
}

impl SplitRule {
    /// What each other way gets, and what comes back, at a junction of `ways` ways.
    pub(super) fn shares(self, ways: usize) -> (f64, f64) {
        let m = ways as f64;
        match self {
            SplitRule::Continuous => (2.0 / m, 2.0 / m - 1.0),
            SplitRule::Discontinuous if ways == 1 => (0.0, 0.0),
            SplitRule::Discontinuous => (1.0 / (m - 1.0), 0.0),
        }
    }
}

/// A walk's passage over a chain.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Visit {
    pub chain: u32,
    /// Whether it enters at the end `b` and runs against the chain.
    pub from_b: bool,
    /// Metres walked when it enters.
    pub walked_m: f64,
    /// What is left of the weight, possibly negative.
    pub share: f64,
}

/// Walks that have less of their weight left than this are given up: far below what a sum
/// of a record's shares can tell in rounding.
const LEAST_SHARE: f64 = 1e-13;
/// Walks whose lengths round to the same number of these go on as one.
const SAME_LENGTH_M: f64 = 1e-6;

/// Calls `visit` for every passage of every walk that leaves its chain by `exit` and is
/// shorter than `reach_m`, the shortest first. `visit` returns whether to go on; the result
/// is whether all were visited.
///
/// Walks that arrive at one end of a chain with one length, by whatever way, go on as one.
/// So what grows is the number of different lengths and not that of orders in which the
/// same chains are passed, and a pair of junctions a step apart, over which walks bounce
/// hundreds of times, stays harmless.
pub(crate) fn walk(
    chains: &Chains,
    exit: ChainEnd,
    reach_m: f64,
    rule: SplitRule,
    mut visit: impl FnMut(Visit) -> bool,
) -> bool {
    let mut open = BTreeMap::from([((0, exit.chain, exit.far), (0.0, 1.0))]);
    while let Some(((_, chain, far), (walked_m, weight))) = open.pop_first() {
        let arrived = ChainEnd { chain, far };
        let chain = chains.chains[chain as usize];
        let ways = &chains.ends[if far { chain.b } else { chain.a } as usize];
        let (onward, back) = rule.shares(ways.len());
        for &way in ways {
            let share = weight * if way == arrived { back } else { onward };
            if share.abs() < LEAST_SHARE {
                continue;
            }
            if !visit(Visit { chain: way.chain, from_b: way.far, walked_m, share }) {
                return false;
            }
            let walked_m = walked_m + chains.chains[way.chain as usize].length_m;
            if walked_m < reach_m {
                let length = (walked_m / SAME_LENGTH_M).round() as i64;
                open.entry((length, way.chain, !way.far)).or_insert((walked_m, 0.0)).1 += share;
            }
        }
    }
    true
}
