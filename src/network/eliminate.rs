//! All distances among many places at once, by elimination.

use std::collections::BTreeSet;

use rayon::prelude::*;

use super::Foot;
use super::rows::Rows;
use super::travel::{Spot, TravelGraph};

/// The graph with its hubs taken out one by one.
///
/// A hub goes out when its neighbours are joined by arcs as long as the way through it, so
/// distances among the rest stay the same (Carré 1971, J. Inst. Maths Applics 7:273–294). Hubs of
/// few neighbours go first; road and track networks fall apart into small pieces in this way, and
/// few arcs are added (Dibbelt, Strasser & Wagner 2016, J. Exp. Algorithmics 21, 1.5). The
/// distances from a source then take one sweep up to the hubs that went out last, and one down.
///
/// Cost: for each hub the square of its neighbours when it goes out, some tens at most on
/// lines in the plane; for each source the arcs above its targets.
pub(super) struct Elimination {
    /// When each hub went out.
    rank: Vec<u32>,
    /// By rank, the neighbours that were left: their ranks, ascending, and the arcs in metres.
    up: Rows<(u32, f64)>,
}

/// A target, and the distances to the hubs at either end of its chain.
struct Target {
    number: u32,
    spot: Spot,
    ends: [(u32, f64); 2],
}

/// With more neighbours than this on one hub, elimination is given up: separate searches are cheaper.
const MOST_NEIGHBOURS: usize = 400;

impl Elimination {
    /// Takes out all hubs; `None` where the graph is so tangled that it does not pay.
    pub(super) fn of(graph: &TravelGraph) -> Option<Self> {
        let hubs = graph.hubs();
        let mut left: Vec<Vec<(u32, f64)>> = (0..hubs as u32).map(|hub| neighbours(graph, hub)).collect();
        let mut queue: BTreeSet<(u32, u32)> =
            (0..hubs as u32).map(|hub| (left[hub as usize].len() as u32, hub)).collect();
        let (mut order, mut above) = (Vec::with_capacity(hubs), Vec::with_capacity(hubs));
        while let Some((_, hub)) = queue.pop_first() {
            let around = std::mem::take(&mut left[hub as usize]);
            if around.len() > MOST_NEIGHBOURS {
                return None;
            }
            for (k, &(a, to_a_m)) in around.iter().enumerate() {
                let arcs = &mut left[a as usize];
                let before = arcs.len() as u32;
                arcs.retain(|arc| arc.0 != hub);
                for (j, &(b, to_b_m)) in around.iter().enumerate() {
                    if j != k {
                        shorten(arcs, b, to_a_m + to_b_m);
                    }
                }
                let now = arcs.len() as u32;
                if now != before {
                    queue.remove(&(before, a));
                    queue.insert((now, a));
                }
            }
            order.push(hub);
            above.push(around);
        }
        let mut rank = vec![0_u32; hubs];
        (0..).zip(&order).for_each(|(k, &hub)| rank[hub as usize] = k);
        let mut up = Rows::with_capacity(hubs, above.iter().map(Vec::len).sum());
        for mut arcs in above {
            arcs.iter_mut().for_each(|arc| arc.0 = rank[arc.0 as usize]);
            arcs.sort_unstable_by_key(|arc| arc.0);
            up.push(arcs);
        }
        Some(Self { rank, up })
    }

    /// For every source the targets that it reaches, ascending, and their distances in metres.
    pub(super) fn rows(&self, graph: &TravelGraph, from: &[Foot], to: &[Foot]) -> Vec<Vec<(u32, f64)>> {
        let ends = |spot: &Spot| {
            let chain = &graph.chains[spot.chain as usize];
            let rank = |hub: u32| self.rank[hub as usize];
            [(rank(chain.from), spot.at_m), (rank(chain.to), chain.length_m - spot.at_m)]
        };
        let target = |(number, foot): (u32, &Foot)| {
            graph.spot(foot).map(|spot| Target { number, spot, ends: ends(&spot) })
        };
        let targets: Vec<Target> = (0..).zip(to).filter_map(target).collect();
        let mut needed = self.above(targets.iter().flat_map(|t| t.ends.map(|end| end.0)));
        needed.reverse();
        let row = |metres: &mut Vec<f64>, foot: &Foot| {
            let Some(spot) = graph.spot(foot) else { return Vec::new() };
            self.sweep(&ends(&spot), &needed, metres);
            let distance_m = |t: &Target| {
                let by_hub = t.ends.map(|(rank, rest_m)| metres[rank as usize] + rest_m);
                let same = t.spot.chain == spot.chain;
                let direct_m = if same { (t.spot.at_m - spot.at_m).abs() } else { f64::INFINITY };
                by_hub[0].min(by_hub[1]).min(direct_m)
            };
            targets.iter().map(|t| (t.number, distance_m(t))).filter(|t| t.1 < f64::INFINITY).collect()
        };
        from.par_iter().map_init(|| vec![f64::INFINITY; self.rank.len()], row).collect()
    }

    /// The ranks given and all that arcs lead up to from them, ascending. Every arc leads to an
    /// ancestor in the tree in which the parent of a rank is the lowest it has an arc to.
    fn above(&self, ranks: impl Iterator<Item = u32>) -> Vec<u32> {
        let mut seen = vec![false; self.rank.len()];
        for rank in ranks {
            let mut next = Some(rank);
            while let Some(r) = next.filter(|&r| !std::mem::replace(&mut seen[r as usize], true)) {
                next = self.up.row(r as usize).first().map(|arc| arc.0);
            }
        }
        (0..self.rank.len() as u32).filter(|&r| seen[r as usize]).collect()
    }

    /// Fills in the distances of the ranks in `needed`, which descends, from a source with distances
    /// to its two nearest ranks.
    fn sweep(&self, source: &[(u32, f64); 2], needed: &[u32], metres: &mut [f64]) {
        metres.fill(f64::INFINITY);
        for &(rank, d) in source {
            metres[rank as usize] = metres[rank as usize].min(d);
        }
        // Up the two branches of the tree, lowest rank first.
        let mut at = source.map(|end| Some(end.0));
        while let Some(rank) = at.into_iter().flatten().min() {
            let arcs = self.up.row(rank as usize);
            let d = metres[rank as usize];
            for &(above, m) in arcs {
                metres[above as usize] = metres[above as usize].min(d + m);
            }
            let parent = arcs.first().map(|arc| arc.0);
            at = at.map(|r| if r == Some(rank) { parent } else { r });
        }
        for &rank in needed {
            let down = self.up.row(rank as usize).iter().map(|&(above, m)| metres[above as usize] + m);
            metres[rank as usize] = down.fold(metres[rank as usize], f64::min);
        }
    }
}

/// The other hubs that chains lead to from a hub, ascending, and the shortest chain to each.
fn neighbours(graph: &TravelGraph, hub: u32) -> Vec<(u32, f64)> {
    let mut arcs = Vec::new();
    for end in graph.ends_at(hub).iter().filter(|end| end.other != hub) {
        shorten(&mut arcs, end.other, end.length_m);
    }
    arcs
}

/// Notes an arc to a hub where none as short is known; arcs stay in the order of their hubs.
fn shorten(arcs: &mut Vec<(u32, f64)>, hub: u32, metres: f64) {
    match arcs.binary_search_by_key(&hub, |arc| arc.0) {
        Ok(k) => arcs[k].1 = arcs[k].1.min(metres),
        Err(k) => arcs.insert(k, (hub, metres)),
    }
}
