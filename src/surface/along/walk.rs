//! Walks over a network, as equal-split density takes them: a record's weight runs out
//! along the lines and divides at every junction.

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
    fn shares(self, ways: usize) -> (f64, f64) {
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

/// Calls `visit` for every passage of every walk that leaves its chain by `exit` and is
/// shorter than `reach_m`. `visit` returns whether to go on; the result is whether all
/// were visited. The order is that of a depth-first search and depends on nothing else.
pub(crate) fn walk(
    chains: &Chains,
    exit: ChainEnd,
    reach_m: f64,
    rule: SplitRule,
    mut visit: impl FnMut(Visit) -> bool,
) -> bool {
    let mut open = vec![(exit, 0.0, 1.0)];
    while let Some((arrived, walked_m, weight)) = open.pop() {
        let chain = chains.chains[arrived.chain as usize];
        let ways = &chains.ends[if arrived.far { chain.b } else { chain.a } as usize];
        let (onward, back) = rule.shares(ways.len());
        for &way in ways {
            let share = weight * if way == arrived { back } else { onward };
            if share == 0.0 {
                continue;
            }
            if !visit(Visit { chain: way.chain, from_b: way.far, walked_m, share }) {
                return false;
            }
            let walked_m = walked_m + chains.chains[way.chain as usize].length_m;
            if walked_m < reach_m {
                open.push((ChainEnd { far: !way.far, ..way }, walked_m, share));
            }
        }
    }
    true
}
