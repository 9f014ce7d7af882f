//! Travel distances along the network.

use rayon::prelude::*;

use super::Foot;
use super::eliminate::Elimination;
use super::rows::Rows;
use super::search::{NO_END, Workspace};
use super::travel::{ChainEnd, Spot, TravelGraph};

/// Travel distances from some feet to others, as far as they were searched.
#[derive(Clone, PartialEq, Debug)]
pub struct Distances {
    starts: Vec<usize>,
    to: Vec<u32>,
    metres: Vec<f64>,
}

impl Distances {
    fn from_rows(rows: Vec<Vec<(u32, f64)>>) -> Self {
        let mut distances = Self { starts: vec![0], to: Vec::new(), metres: Vec::new() };
        for (k, d) in rows.iter().flatten() {
            distances.to.push(*k);
            distances.metres.push(*d);
        }
        let ends = rows.iter().scan(0, |end, row| {
            *end += row.len();
            Some(*end)
        });
        distances.starts.extend(ends);
        distances
    }

    /// The targets reached from a source, ascending, and how far each is in frame metres.
    pub fn row(&self, from: usize) -> impl ExactSizeIterator<Item = (u32, f64)> + '_ {
        let range = self.starts[from]..self.starts[from + 1];
        self.to[range.clone()].iter().copied().zip(self.metres[range].iter().copied())
    }

    /// The distance from a source to a target in frame metres; `None` if no way is that short.
    pub fn get(&self, from: usize, to: usize) -> Option<f64> {
        let range = self.starts[from]..self.starts[from + 1];
        let k = self.to[range.clone()].binary_search(&(to as u32)).ok()?;
        Some(self.metres[range.start + k])
    }

    /// How many sources there are.
    pub fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// Whether there are no sources.
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
}

/// From so many sources on eliminating the graph pays.
const WORTH_ELIMINATING: usize = 8;

impl TravelGraph {
    /// Travel distances from every source to every target no farther than `within_m` frame
    /// metres (infinity for all). A foot on an edge of another kind reaches nothing, and what
    /// lies in another component is not reached.
    ///
    /// One bounded search a source, after Dijkstra (1959), on the contracted graph; from every
    /// hub settled the targets on its chains are read off in order of distance. Cost: hubs
    /// within reach times their logarithm, a source. Without a bound and with several sources, the
    /// graph is eliminated first (min-degree elimination), which costs several times less; the sums are
    /// then made in another order and may differ in the last bits. Sources run in parallel.
    pub fn distances(&self, from: &[Foot], to: &[Foot], within_m: f64) -> Distances {
        let eliminated = if within_m == f64::INFINITY && from.len() >= WORTH_ELIMINATING {
            Elimination::of(self)
        } else {
            None
        };
        match eliminated {
            Some(e) => Distances::from_rows(e.rows(self, from, to)),
            None => Distances::from_rows(self.searched(from, to, within_m)),
        }
    }

    fn searched(&self, from: &[Foot], to: &[Foot], within_m: f64) -> Vec<Vec<(u32, f64)>> {
        self.each_row(from, to, within_m, |_, row| row)
    }

    /// What `take` makes of the row of each source, which it is given with the source's number:
    /// the targets no farther than `within_m` frame metres, ascending, and how far each is. For
    /// rows that would not fit together; one a thread is held at a time. Cost: that of
    /// [`Self::distances`] with a bound.
    pub fn each_row<R: Send>(
        &self,
        from: &[Foot],
        to: &[Foot],
        within_m: f64,
        take: impl Fn(usize, Vec<(u32, f64)>) -> R + Sync,
    ) -> Vec<R> {
        let targets = Targets::new(self, to);
        let row = |work: &mut Workspace, (k, foot): (usize, &Foot)| {
            let row = self.spot(foot).map_or(Vec::new(), |s| self.row(s, &targets, within_m, work));
            take(k, row)
        };
        let workspace = || Workspace::new(self.hubs(), to.len());
        from.par_iter().enumerate().map_init(workspace, row).collect()
    }

    /// Travel distance between two feet in frame metres; `None` if no way is within `within_m`.
    pub fn distance_m(&self, from: &Foot, to: &Foot, within_m: f64) -> Option<f64> {
        self.distances(std::slice::from_ref(from), std::slice::from_ref(to), within_m).get(0, 0)
    }

    fn row(&self, spot: Spot, targets: &Targets, within_m: f64, work: &mut Workspace) -> Vec<(u32, f64)> {
        work.begin();
        let chain = &self.chains[spot.chain as usize];
        for &(at_m, k) in targets.on(spot.chain) {
            work.offer_target(k, (at_m - spot.at_m).abs(), within_m);
        }
        work.offer_hub(chain.from, spot.at_m, within_m, NO_END);
        work.offer_hub(chain.to, chain.length_m - spot.at_m, within_m, NO_END);
        while let Some((hub, d)) = work.settle() {
            for end in self.ends_at(hub) {
                targets.along(end, |offset_m, k| work.offer_target(k, d + offset_m, within_m));
                work.offer_hub(end.other, d + end.length_m, within_m, NO_END);
            }
        }
        work.take_row()
    }
}

/// Targets by chain, and along each chain by place.
struct Targets {
    /// Place on the chain and number of the target, by chain.
    spots: Rows<(f64, u32)>,
}

impl Targets {
    fn new(graph: &TravelGraph, feet: &[Foot]) -> Self {
        let mut all: Vec<(Spot, u32)> =
            feet.iter().enumerate().filter_map(|(k, f)| Some((graph.spot(f)?, k as u32))).collect();
        all.sort_unstable_by(|(p, i), (q, j)| {
            p.chain.cmp(&q.chain).then(p.at_m.total_cmp(&q.at_m)).then(i.cmp(j))
        });
        let spots = Rows::sorted(graph.chains.len(), (0.0, 0), |add| {
            all.iter().for_each(|&(spot, k)| add(spot.chain, (spot.at_m, k)));
        });
        Self { spots }
    }

    fn on(&self, chain: u32) -> &[(f64, u32)] {
        self.spots.row(chain as usize)
    }

    /// The targets on a chain seen from one of its ends, nearest first, until `offer`
    /// refuses one as too far.
    fn along(&self, end: &ChainEnd, mut offer: impl FnMut(f64, u32) -> bool) {
        let spots = self.on(end.chain);
        if end.at_to {
            spots.iter().rev().all(|&(at_m, k)| offer(end.length_m - at_m, k));
        } else {
            spots.iter().all(|&(at_m, k)| offer(at_m, k));
        }
    }
}
