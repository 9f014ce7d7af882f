//! The ways that lead to a node: its distinct directions of approach.

use std::cmp::Reverse;
use std::collections::BinaryHeap;

use rayon::prelude::*;

use super::rows::Rows;
use super::strand::step_m;
use super::tiles::by_tile;
use super::{KindSet, Network};
use crate::frame::GroundPoint;
use crate::record::LineKind;

/// Most nodes looked at around one. A town's streets have some dozens within any walk's reach;
/// thousands are scribble, such as a hundred noisy recordings that are not merged.
const MOST_WITHIN: usize = 300;

/// Up to this many nodes within reach a list is searched faster than a table of all.
const FEW: usize = 24;

/// Two ways at least this many degrees apart are never taken for one.
const SAME_WAY_DEG: f64 = 10.0;

/// A dead end is a way of its own if it leads at least this share of the reach away.
const SPUR_SHARE: f64 = 0.5;

/// Nodes whose ways are found at a time.
const AT_A_TIME: usize = 4096;

/// The grid bearings of the ways of all nodes.
pub(crate) struct Ways {
    /// The row of each node: its position by tile.
    row_of: Vec<u32>,
    /// The rows, [`AT_A_TIME`] in each part.
    parts: Vec<Rows<f64>>,
}

impl Ways {
    /// Those of a node, in degrees clockwise from grid north, ascending.
    pub(crate) fn deg(&self, node: u32) -> &[f64] {
        let row = self.row_of[node as usize] as usize;
        self.parts[row / AT_A_TIME].row(row % AT_A_TIME)
    }
}

/// The grid bearings of the ways of all nodes, ascending for each.
///
/// A node's ways are found at the reach: the places at exactly that travel distance from the
/// node, and dead ends before it that lead at least half as far away. Seen from the node, places
/// whose bearings differ by less than twice the snap distance subtends at the reach (10° at
/// least) are one way. So a line drawn twice is one way, and the short link of a dog-leg is
/// none of its own.
///
/// Where more than [`MOST_WITHIN`] nodes lie within reach, lines cross so densely that ways are told
/// apart at the distance of the last of these instead.
///
/// Cost: for each node the edges within reach, in logarithmic steps.
pub(crate) fn ways_of_all(network: &Network) -> Ways {
    let order = by_tile(network.nodes().iter().map(|n| n.at));
    let parts = order
        .par_chunks(AT_A_TIME)
        .map(|nodes| {
            let mut ways = Rows::with_capacity(nodes.len(), 4 * nodes.len());
            let mut around = Around::new(network);
            nodes.iter().for_each(|&node| ways.push(around.ways_deg(node).iter().copied()));
            ways.shrink_to_fit();
            ways
        })
        .collect();
    let mut row_of = vec![0; order.len()];
    (0..).zip(order).for_each(|(row, node)| row_of[node as usize] = row);
    Ways { row_of, parts }
}

fn same_way_deg(snap_m: f64, reach_m: f64) -> f64 {
    (2.0 * (snap_m / reach_m).min(0.5).asin().to_degrees()).max(SAME_WAY_DEG)
}

/// The surroundings of one node after another.
struct Around<'a> {
    network: &'a Network,
    /// The kinds that ways from the node lead along.
    kinds: KindSet,
    same_way_deg: f64,
    settled: Settled,
    /// Distance as ordered bits (distances are not negative), and node.
    open: BinaryHeap<Reverse<(u64, u32)>>,
    bearings: Vec<f64>,
    /// Groups of like bearings: the first, the sum of offsets from it, and their number.
    groups: Vec<(f64, f64, f64)>,
}

/// Nodes within reach and their travel distances in metres, by distance.
struct Settled {
    list: Vec<(u32, f64)>,
    nodes: usize,
    /// The search that settled each node last, and its distance then; made when first needed.
    settled_by: Vec<u32>,
    settled_m: Vec<f64>,
    search: u32,
}

impl Settled {
    fn new(nodes: usize) -> Self {
        Self { list: Vec::new(), nodes, settled_by: Vec::new(), settled_m: Vec::new(), search: 0 }
    }

    fn clear(&mut self) {
        self.list.clear();
        self.search += 1;
    }

    fn push(&mut self, node: u32, d: f64) {
        self.list.push((node, d));
        if self.list.len() > FEW {
            if self.settled_by.is_empty() {
                (self.settled_by, self.settled_m) = (vec![0; self.nodes], vec![0.0; self.nodes]);
            }
            let fresh = if self.list.len() == FEW + 1 { 0 } else { self.list.len() - 1 };
            for &(n, d) in &self.list[fresh..] {
                self.settled_by[n as usize] = self.search;
                self.settled_m[n as usize] = d;
            }
        }
    }

    fn distance_m(&self, node: u32) -> Option<f64> {
        if self.list.len() <= FEW {
            self.list.iter().find(|s| s.0 == node).map(|s| s.1)
        } else {
            (self.settled_by[node as usize] == self.search).then(|| self.settled_m[node as usize])
        }
    }
}

impl<'a> Around<'a> {
    fn new(network: &'a Network) -> Self {
        let settings = network.settings();
        Self {
            network,
            kinds: settings.travel,
            same_way_deg: same_way_deg(settings.snap_m, settings.reach_m),
            settled: Settled::new(network.nodes().len()),
            open: BinaryHeap::new(),
            bearings: Vec::new(),
            groups: Vec::new(),
        }
    }

    fn ways_deg(&mut self, node: u32) -> &[f64] {
        let travel = self.network.settings().travel;
        let gate = self.network.nodes()[node as usize].gate;
        self.kinds = if gate { travel.with(KindSet::of(LineKind::Fence)) } else { travel };
        let reach_m = self.search(node);
        self.look_out(node, reach_m);
        distinct_bearings_deg(&mut self.bearings, self.same_way_deg, &mut self.groups);
        &self.bearings
    }

    /// A bounded search (Dijkstra 1959); gives the distance up to which all nodes were settled.
    fn search(&mut self, node: u32) -> f64 {
        let Self { network, kinds, settled, open, .. } = self;
        let reach_m = network.settings().reach_m;
        settled.clear();
        open.clear();
        open.push(Reverse((0.0_f64.to_bits(), node)));
        while let Some(Reverse((bits, n))) = open.pop() {
            let d = f64::from_bits(bits);
            if settled.distance_m(n).is_some() {
                continue;
            }
            if settled.list.len() == MOST_WITHIN && d > 0.0 {
                return d;
            }
            settled.push(n, d);
            for arm in network.arms(n, *kinds) {
                let other_m = d + arm.length_m;
                if other_m < reach_m && settled.distance_m(arm.other).is_none() {
                    open.push(Reverse((other_m.to_bits(), arm.other)));
                }
            }
        }
        reach_m
    }

    /// Notes the bearings of the places at exactly the reach, and of dead ends before it.
    fn look_out(&mut self, node: u32, reach_m: f64) {
        let network = self.network;
        let at = network.nodes()[node as usize].at;
        self.bearings.clear();
        for &(n, d) in &self.settled.list {
            for arm in network.arms(n, self.kinds).filter(|arm| d + arm.length_m >= reach_m) {
                let other_m = self.settled.distance_m(arm.other).unwrap_or(f64::INFINITY);
                if d + arm.length_m + other_m < 2.0 * reach_m {
                    continue; // met from the other end before
                }
                let along_m = arm.along_edge_m(reach_m - d);
                self.bearings.push(bearing_deg(at, network.point_at(arm.edge, along_m)));
            }
            if n != node && network.ends_at(n).len() == 1 {
                let dead_end = network.nodes()[n as usize].at;
                if step_m(dead_end, at) >= SPUR_SHARE * reach_m {
                    self.bearings.push(bearing_deg(at, dead_end));
                }
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
    use std::collections::HashMap;

    use super::{FEW, Settled, distinct_bearings_deg, same_way_deg};

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

    #[test]
    fn ways_are_one_below_twice_what_the_snap_distance_subtends_at_the_reach() {
        assert_eq!([same_way_deg(0.0, 50.0), same_way_deg(4.0, 50.0)], [10.0; 2], "ten degrees at least");
        // 14, 48 and 50 are the sides of a right triangle; and never more than 60°.
        let narrow = 2.0 * 14.0_f64.atan2(48.0).to_degrees();
        assert!((same_way_deg(14.0, 50.0) - narrow).abs() < 1e-12);
        assert!(
            (same_way_deg(30.0, 50.0) - 60.0).abs() < 1e-9 && (same_way_deg(900.0, 50.0) - 60.0).abs() < 1e-9
        );
    }

    /// However many are settled, a search knows the distances of its own nodes and of no others.
    #[test]
    fn settled_nodes_are_known_by_the_search_that_settled_them() {
        let mut settled = Settled::new(500);
        for count in [3, 200, FEW, FEW + 1, FEW + 2, 1, 60] {
            settled.clear();
            let mut known = HashMap::new();
            for k in 0..count as u32 {
                let (node, d) = ((k * 7 + count as u32) % 500, f64::from(k) * 0.5);
                settled.push(node, d);
                known.insert(node, d);
                if k % 9 == 0 || k + 1 == count as u32 {
                    assert!(
                        (0..500).all(|n| settled.distance_m(n) == known.get(&n).copied()),
                        "{k} of {count}"
                    );
                }
            }
        }
    }
}
