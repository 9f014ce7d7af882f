//! The ways that lead to a node: its distinct directions of approach.

use super::rows::Rows;
use super::strand::step_m;
use super::{KindSet, Network};
use crate::frame::GroundPoint;
use crate::record::LineKind;

/// Two ways at least this many degrees apart are never taken for one.
const SAME_WAY_DEG: f64 = 10.0;

/// A dead end is a way of its own if it leads at least this share of the reach away.
const SPUR_SHARE: f64 = 0.5;

/// The grid bearings of the ways of some nodes, ascending for each.
///
/// A node's ways are found at the reach: the places at exactly that travel distance from the
/// node, and dead ends before it that lead at least half as far away. Seen from the node, places
/// whose bearings differ by less than twice the snap distance subtends at the reach (10° at
/// least) are one way. So a line drawn twice is one way, and the short link of a dog-leg is
/// none of its own.
///
/// Cost: for each node the edges within reach.
pub(crate) fn ways_of(network: &Network, nodes: &[u32]) -> Rows<f64> {
    let mut ways = Rows::with_capacity(nodes.len(), 4 * nodes.len());
    let mut around = Around::new(network);
    for &node in nodes {
        ways.push(around.ways_deg(node).iter().copied());
    }
    ways
}

fn same_way_deg(snap_m: f64, reach_m: f64) -> f64 {
    (2.0 * (snap_m / reach_m).min(0.5).asin().to_degrees()).max(SAME_WAY_DEG)
}

/// The surroundings of one node after another.
struct Around<'a> {
    network: &'a Network,
    reach_m: f64,
    same_way_deg: f64,
    /// Nodes within reach and their travel distances in metres, by distance.
    settled: Vec<(u32, f64)>,
    open: Vec<(u32, f64)>,
    bearings: Vec<f64>,
    /// Groups of like bearings: the first, the sum of offsets from it, and their number.
    groups: Vec<(f64, f64, f64)>,
}

impl<'a> Around<'a> {
    fn new(network: &'a Network) -> Self {
        let settings = network.settings();
        Self {
            network,
            reach_m: settings.reach_m,
            same_way_deg: same_way_deg(settings.snap_m, settings.reach_m),
            settled: Vec::new(),
            open: Vec::new(),
            bearings: Vec::new(),
            groups: Vec::new(),
        }
    }

    fn ways_deg(&mut self, node: u32) -> &[f64] {
        let travel = self.network.settings().travel;
        let gate = self.network.nodes()[node as usize].gate;
        let kinds = if gate { travel.with(KindSet::of(LineKind::Fence)) } else { travel };
        self.search(node, kinds);
        self.look_out(node, kinds);
        distinct_bearings_deg(&mut self.bearings, self.same_way_deg, &mut self.groups);
        &self.bearings
    }

    /// A bounded search in the manner of Dijkstra (1959); lists suffice for the few nodes
    /// within reach.
    fn search(&mut self, node: u32, kinds: KindSet) {
        let Self { network, settled, open, .. } = self;
        settled.clear();
        open.clear();
        open.push((node, 0.0));
        while let Some(k) =
            (0..open.len()).min_by(|&i, &j| open[i].1.total_cmp(&open[j].1).then(open[i].0.cmp(&open[j].0)))
        {
            let (n, d) = open.swap_remove(k);
            if settled.iter().any(|s| s.0 == n) {
                continue;
            }
            settled.push((n, d));
            for end in network.ends_at(n) {
                let edge = &network.edges()[end.edge as usize];
                let other = if end.at_to { edge.from } else { edge.to };
                let other_m = d + edge.length_m;
                if other_m < self.reach_m && edge.kinds.meets(kinds) && !settled.iter().any(|s| s.0 == other)
                {
                    open.push((other, other_m));
                }
            }
        }
    }

    /// Notes the bearings of the places at exactly the reach, and of dead ends before it.
    fn look_out(&mut self, node: u32, kinds: KindSet) {
        let (network, reach_m) = (self.network, self.reach_m);
        let at = network.nodes()[node as usize].at;
        self.bearings.clear();
        for &(n, d) in &self.settled {
            let ends = network.ends_at(n);
            for end in ends {
                let edge = &network.edges()[end.edge as usize];
                if !edge.kinds.meets(kinds) || d + edge.length_m < reach_m {
                    continue;
                }
                let other = if end.at_to { edge.from } else { edge.to };
                let other_m = self.settled.iter().find(|s| s.0 == other).map_or(f64::INFINITY, |s| s.1);
                if d + edge.length_m + other_m < 2.0 * reach_m {
                    continue; // met from the other end before
                }
                let along_m = if end.at_to { edge.length_m - (reach_m - d) } else { reach_m - d };
                self.bearings.push(bearing_deg(at, network.point_at(end.edge, along_m)));
            }
            let dead_end = network.nodes()[n as usize].at;
            if ends.len() == 1 && n != node && step_m(dead_end, at) >= SPUR_SHARE * reach_m {
                self.bearings.push(bearing_deg(at, dead_end));
            }
        }
    }
}

/// As [`GroundPoint::grid_bearing_deg`], without a division.
fn bearing_deg(from: GroundPoint, to: GroundPoint) -> f64 {
    turned((to.x_m - from.x_m).atan2(to.y_m - from.y_m).to_degrees())
}

/// An angle between -360° and 360° in 0..360.
fn turned(deg: f64) -> f64 {
    if deg < 0.0 { deg + 360.0 } else { deg }
}

/// Makes bearings that differ by less than `apart_deg` one, at their mean; ascending. Groups are
/// formed clockwise from the widest gap, so that the choice of north plays no part.
fn distinct_bearings_deg(all: &mut Vec<f64>, apart_deg: f64, groups: &mut Vec<(f64, f64, f64)>) {
    all.sort_unstable_by(f64::total_cmp);
    let n = all.len();
    let gap = |i: usize| turned(all[i] - all[if i == 0 { n - 1 } else { i - 1 }]);
    let Some(start) = (0..n).max_by(|&i, &j| gap(i).total_cmp(&gap(j)).then(j.cmp(&i))) else { return };
    groups.clear();
    for i in (start..n).chain(0..start) {
        let bearing = all[i];
        match groups.last_mut() {
            Some((first, sum, count)) if turned(bearing - *first) < apart_deg => {
                *sum += turned(bearing - *first);
                *count += 1.0;
            }
            _ => groups.push((bearing, 0.0, 1.0)),
        }
    }
    all.clear();
    all.extend(groups.iter().map(|(first, sum, count)| (first + sum / count).rem_euclid(360.0)));
    all.sort_unstable_by(f64::total_cmp);
}

#[cfg(test)]
mod tests {
    use super::distinct_bearings_deg;

    #[test]
    fn bearings_closer_than_the_angle_are_one_way_across_north() {
        let distinct = |mut all: Vec<f64>| {
            distinct_bearings_deg(&mut all, 10.0, &mut Vec::new());
            all
        };
        assert_eq!(distinct(vec![358.0, 4.0, 90.0, 95.0]), vec![1.0, 92.5]);
        assert_eq!(distinct(vec![0.0, 10.0]), vec![0.0, 10.0]);
        assert_eq!(distinct(vec![]), Vec::<f64>::new());
    }
}
