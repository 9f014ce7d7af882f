//! What a node is: its kind, its degree and the ways that lead to it.

use rayon::prelude::*;

use super::{KindSet, Network};
use crate::frame::{GroundPoint, Placed};
use crate::record::{Gate, LineKind};

/// What kind of node it is. The first that fits, in this order: near-miss, junction,
/// crossing, end, join.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum NodeKind {
    /// Three or more ways of travel lines meet.
    Junction,
    /// Lines of different kinds cross or meet without three ways of travel lines.
    Crossing,
    /// Line ends meet, without three ways of travel lines.
    Join,
    /// A line ends.
    End,
    /// A line ends close to another line; the gap may have been closed.
    NearMiss,
}

impl NodeKind {
    /// Every kind, in the order used for output.
    pub const ALL: [NodeKind; 5] =
        [NodeKind::Junction, NodeKind::Crossing, NodeKind::Join, NodeKind::End, NodeKind::NearMiss];

    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            NodeKind::Junction => "junction",
            NodeKind::Crossing => "crossing",
            NodeKind::Join => "join",
            NodeKind::End => "end",
            NodeKind::NearMiss => "near-miss",
        }
    }
}

/// A node of the network.
#[derive(Clone, PartialEq, Debug)]
pub struct Node {
    /// Its place in the frame.
    pub at: GroundPoint,
    /// What it is.
    pub kind: NodeKind,
    /// Edge ends there, of all kinds; a loop counts twice.
    pub degree: u32,
    /// The kinds of all edges there.
    pub kinds: KindSet,
    /// Grid bearings of its ways, in degrees clockwise from grid north, ascending.
    pub ways_deg: Vec<f64>,
    /// Whether a gate stands there, so that a fence joins what it crosses.
    pub gate: bool,
}

impl Node {
    pub(crate) fn bare(at: GroundPoint) -> Self {
        Self { at, kind: NodeKind::Join, degree: 0, kinds: KindSet::EMPTY, ways_deg: Vec::new(), gate: false }
    }
}

/// Two ways at least this many degrees apart are never taken for one.
const SAME_WAY_DEG: f64 = 10.0;

/// A dead end is a way of its own if it leads at least this share of the reach away.
const SPUR_SHARE: f64 = 0.5;

/// Fills in degree, kinds, gates, ways and kind of every node. `near_miss` says which nodes
/// are line ends with a gap.
///
/// A node's ways are found at the reach: the places at exactly that travel distance from the
/// node, and dead ends before it that lead at least half as far away. Seen from the node, places
/// whose bearings differ by less than twice the snap distance subtends at the reach (10° at
/// least) are one way. So a line drawn twice is one way, and the short link of a dog-leg is
/// none of its own.
pub(crate) fn describe_nodes(network: &mut Network, gates: &[Placed<Gate>], near_miss: &[bool]) {
    let mut nodes = std::mem::take(&mut network.nodes);
    for (k, node) in nodes.iter_mut().enumerate() {
        let ends = network.ends_at(k as u32);
        node.degree = ends.len() as u32;
        node.kinds =
            ends.iter().fold(KindSet::EMPTY, |set, e| set.with(network.edges()[e.edge as usize].kinds));
    }
    mark_gates(network, &mut nodes, gates);
    let places: Vec<(GroundPoint, bool)> = nodes.iter().map(|n| (n.at, n.gate)).collect();
    nodes.par_iter_mut().enumerate().with_min_len(256).for_each(|(k, node)| {
        node.ways_deg = ways_deg(network, &places, k as u32);
        node.kind = kind_of(node, near_miss[k]);
    });
    network.nodes = nodes;
}

fn kind_of(node: &Node, near_miss: bool) -> NodeKind {
    if near_miss && node.degree <= 2 {
        NodeKind::NearMiss
    } else if node.ways_deg.len() >= 3 {
        NodeKind::Junction
    } else if node.degree >= 3 && node.kinds.len() >= 2 {
        NodeKind::Crossing
    } else if node.degree == 1 {
        NodeKind::End
    } else {
        NodeKind::Join
    }
}

/// A gate belongs to the nearest node on a fence within the snap distance.
fn mark_gates(network: &Network, nodes: &mut [Node], gates: &[Placed<Gate>]) {
    let snap_m = network.settings().snap_m;
    for gate in gates {
        let Some(foot) = network.nearest_foot(gate.ground, snap_m, |e| e.kinds.has(LineKind::Fence)) else {
            continue;
        };
        let edge = &network.edges()[foot.edge as usize];
        let near = [(foot.along_m, edge.from), (edge.length_m - foot.along_m, edge.to)]
            .into_iter()
            .filter(|&(_, n)| nodes[n as usize].at.distance_m(gate.ground) <= snap_m)
            .min_by(|p, q| p.0.total_cmp(&q.0).then(p.1.cmp(&q.1)));
        if let Some((_, node)) = near {
            nodes[node as usize].gate = true;
        }
    }
}

/// The grid bearings of a node's ways, ascending.
fn ways_deg(network: &Network, places: &[(GroundPoint, bool)], node: u32) -> Vec<f64> {
    let settings = network.settings();
    let (at, gate) = places[node as usize];
    let kinds = if gate { settings.travel.with(KindSet::of(LineKind::Fence)) } else { settings.travel };
    let around = Around::search(network, node, kinds, settings.reach_m);
    let spur_m = SPUR_SHARE * settings.reach_m;
    let frontier = around.frontier(network, kinds, settings.reach_m);
    let spurs = around
        .settled
        .iter()
        .filter(|&&(n, _)| n != node && network.ends_at(n).len() == 1)
        .map(|&(n, _)| places[n as usize].0)
        .filter(|p| p.distance_m(at) >= spur_m);
    let bearings = frontier.into_iter().chain(spurs).map(|p| at.grid_bearing_deg(p)).collect();
    distinct_bearings_deg(bearings, same_way_deg(settings.snap_m, settings.reach_m))
}

fn same_way_deg(snap_m: f64, reach_m: f64) -> f64 {
    (2.0 * (snap_m / reach_m).min(0.5).asin().to_degrees()).max(SAME_WAY_DEG)
}

/// The nodes within a travel distance of a node.
struct Around {
    /// Node and travel distance in metres, by distance.
    settled: Vec<(u32, f64)>,
}

impl Around {
    /// A bounded search in the manner of Dijkstra (1959); lists suffice for the few nodes
    /// within reach.
    fn search(network: &Network, node: u32, kinds: KindSet, reach_m: f64) -> Self {
        let mut settled: Vec<(u32, f64)> = Vec::new();
        let mut open = vec![(node, 0.0)];
        while let Some(k) = (0..open.len()).min_by(|&i, &j| {
            let (p, q): ((u32, f64), (u32, f64)) = (open[i], open[j]);
            p.1.total_cmp(&q.1).then(p.0.cmp(&q.0))
        }) {
            let (n, d) = open.swap_remove(k);
            if settled.iter().any(|s| s.0 == n) {
                continue;
            }
            settled.push((n, d));
            for end in network.ends_at(n) {
                let edge = &network.edges()[end.edge as usize];
                let other = if end.at_to { edge.from } else { edge.to };
                let other_m = d + edge.length_m;
                if other_m < reach_m && edge.kinds.meets(kinds) && !settled.iter().any(|s| s.0 == other) {
                    open.push((other, other_m));
                }
            }
        }
        Self { settled }
    }

    /// The places at exactly the reach.
    fn frontier(&self, network: &Network, kinds: KindSet, reach_m: f64) -> Vec<GroundPoint> {
        let mut places = Vec::new();
        for &(n, d) in &self.settled {
            for end in network.ends_at(n) {
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
                places.push(network.point_at(end.edge, along_m));
            }
        }
        places
    }
}

/// Bearings that differ by less than `apart_deg` as one, at their mean; ascending. Groups are
/// formed clockwise from the widest gap, so that the choice of north plays no part.
fn distinct_bearings_deg(mut all: Vec<f64>, apart_deg: f64) -> Vec<f64> {
    all.sort_unstable_by(f64::total_cmp);
    let n = all.len();
    let gap = |i: usize| (all[i] - all[(i + n - 1) % n]).rem_euclid(360.0);
    let Some(start) = (0..n).max_by(|&i, &j| gap(i).total_cmp(&gap(j)).then(j.cmp(&i))) else {
        return Vec::new();
    };
    let mut groups: Vec<(f64, f64, f64)> = Vec::new(); // first, sum of offsets from it, count
    for i in 0..n {
        let bearing = all[(start + i) % n];
        match groups.last_mut() {
            Some((first, sum, count)) if (bearing - *first).rem_euclid(360.0) < apart_deg => {
                *sum += (bearing - *first).rem_euclid(360.0);
                *count += 1.0;
            }
            _ => groups.push((bearing, 0.0, 1.0)),
        }
    }
    let mut means: Vec<f64> =
        groups.iter().map(|(first, sum, count)| (first + sum / count).rem_euclid(360.0)).collect();
    means.sort_unstable_by(f64::total_cmp);
    means
}

#[cfg(test)]
mod tests {
    use super::distinct_bearings_deg;

    #[test]
    fn bearings_closer_than_the_angle_are_one_way_across_north() {
        assert_eq!(distinct_bearings_deg(vec![358.0, 4.0, 90.0, 95.0], 10.0), vec![1.0, 92.5]);
        assert_eq!(distinct_bearings_deg(vec![0.0, 10.0], 10.0), vec![0.0, 10.0]);
        assert_eq!(distinct_bearings_deg(vec![], 10.0), Vec::<f64>::new());
    }
}
