//! Everything that lies on the chains, sorted: records, spread-out effort and the places
//! where an answer is wanted.

use super::chain::Chains;
use super::{EdgePoint, Load};

/// Marks a stop that asks for nothing.
const NO_QUERY: u32 = u32::MAX;

/// A position on a chain where something is or is wanted.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(crate) struct Stop {
    /// Metres from the stop before, or from the chain's end `a`.
    pub gap_m: f64,
    /// Load per metre spread evenly over that gap.
    pub spread_per_m: f64,
    /// Load concentrated here.
    pub weight: f64,
    query: u32,
}

impl Stop {
    /// The index of the query that it answers, if it does.
    pub fn query(&self) -> Option<usize> {
        (self.query != NO_QUERY).then_some(self.query as usize)
    }
}

/// The stops of all chains, chain by chain, ascending along each. The last stop of a
/// chain is its end `b`, so a chain of n things has n + 1 stops and an untouched chain
/// one.
#[derive(Clone, PartialEq, Debug)]
pub(crate) struct Stops {
    pub stops: Vec<Stop>,
    /// Start of each chain's stops, and the end of the last.
    pub starts: Vec<usize>,
    /// Number of queries.
    pub queries: usize,
}

/// One thing on a chain, before sorting.
#[derive(Clone, Copy)]
struct Mark {
    chain: u32,
    x_m: f64,
    change_per_m: f64,
    weight: f64,
    query: u32,
}

impl Stops {
    /// Sorts a load and some queries onto the chains. At one position load comes before
    /// queries, in the order given. O(n log n).
    pub fn sorted(chains: &Chains, load: &Load, queries: &[EdgePoint]) -> Self {
        let mut marks = Vec::with_capacity(load.points.len() + 2 * load.spread.len() + queries.len());
        let mut mark = |at: EdgePoint, change_per_m: f64, weight: f64, query: u32| {
            let place = chains.place(at);
            marks.push(Mark { chain: place.chain, x_m: place.x_m, change_per_m, weight, query });
        };
        for source in load.points {
            mark(source.at, 0.0, source.weight, NO_QUERY);
        }
        for spread in load.spread {
            let sign = if chains.is_reversed(spread.edge) { -spread.per_m } else { spread.per_m };
            mark(EdgePoint { edge: spread.edge, along_m: spread.from_m }, sign, 0.0, NO_QUERY);
            mark(EdgePoint { edge: spread.edge, along_m: spread.to_m }, -sign, 0.0, NO_QUERY);
        }
        for (index, &at) in queries.iter().enumerate() {
            mark(at, 0.0, 0.0, index as u32);
        }
        marks.sort_by(|p, q| p.chain.cmp(&q.chain).then(p.x_m.total_cmp(&q.x_m)));
        Self::from_marks(chains, &marks, queries.len())
    }

    fn from_marks(chains: &Chains, marks: &[Mark], queries: usize) -> Self {
        let mut stops = Vec::with_capacity(marks.len() + chains.len());
        let mut starts = Vec::with_capacity(chains.len() + 1);
        let mut rest = marks;
        for (index, chain) in chains.chains.iter().enumerate() {
            starts.push(stops.len());
            let (here, later) = rest.split_at(rest.partition_point(|mark| mark.chain as usize == index));
            rest = later;
            let (mut x_m, mut spread_per_m) = (0.0, 0.0);
            for mark in here {
                let Mark { weight, query, .. } = *mark;
                stops.push(Stop { gap_m: mark.x_m - x_m, spread_per_m, weight, query });
                x_m = mark.x_m;
                spread_per_m += mark.change_per_m;
            }
            let gap_m = (chain.length_m - x_m).max(0.0);
            // What is left of the sums of pieces at the end is rounding.
            stops.push(Stop { gap_m, spread_per_m, weight: 0.0, query: NO_QUERY });
        }
        starts.push(stops.len());
        Self { stops, starts, queries }
    }

    /// The stops of a chain.
    pub fn on(&self, chain: usize) -> std::ops::Range<usize> {
        self.starts[chain]..self.starts[chain + 1]
    }
}
