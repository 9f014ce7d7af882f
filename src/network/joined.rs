//! Whether what was to be joined is joined in the finished network.

use std::cmp::Reverse;
use std::collections::{BinaryHeap, HashMap, HashSet};

use super::{Edge, NearMiss, NearMissKind, Network};
use crate::frame::{GroundPoint, Traced};
use crate::record::Line;

/// Looks up in the finished network every near miss that is called closed. One whose lines are not
/// joined there is no longer called closed, and counted in the report.
///
/// Joined is a gap whose foot can be reached from its end by way of edges hardly longer than the
/// gap, along travel lines if both lines carry travel; and an overshoot whose line, where it now
/// ends, leads to the other within twice the snap distance.
///
/// Cost: linear in the nodes, and a search of some metres for each near miss.
pub(super) fn mark_unjoined(network: &mut Network, lines: &[Traced<Line>]) {
    let misses: Vec<usize> =
        (0..network.near_misses.len()).filter(|&k| network.near_misses[k].closed).collect();
    if misses.is_empty() {
        return;
    }
    let places = misses.iter().flat_map(|&k| [network.near_misses[k].at, network.near_misses[k].foot]);
    let at = NodesAt::find(network, places.map(bits).collect());
    let unjoined: Vec<usize> =
        misses.into_iter().filter(|&k| !is_joined(network, &at, lines, &network.near_misses[k])).collect();
    network.report.unjoined = unjoined.len();
    for k in unjoined {
        network.near_misses[k].closed = false;
    }
}

fn bits(p: GroundPoint) -> (u64, u64) {
    (p.x_m.to_bits(), p.y_m.to_bits())
}

/// The nodes at some places; where lines pass on different levels there are several.
struct NodesAt(HashMap<(u64, u64), Vec<u32>>);

impl NodesAt {
    fn find(network: &Network, places: HashSet<(u64, u64)>) -> Self {
        let mut at: HashMap<(u64, u64), Vec<u32>> = HashMap::new();
        for (k, node) in (0..).zip(&network.nodes) {
            if places.contains(&bits(node.at)) {
                at.entry(bits(node.at)).or_default().push(k);
            }
        }
        Self(at)
    }

    fn of(&self, place: GroundPoint) -> &[u32] {
        self.0.get(&bits(place)).map_or(&[], Vec::as_slice)
    }
}

fn is_joined(network: &Network, at: &NodesAt, lines: &[Traced<Line>], miss: &NearMiss) -> bool {
    let carries = |node: u32, line: u32| {
        network.ends_at(node).iter().any(|e| network.stretches(e.edge).iter().any(|s| s.line == line))
    };
    let travel = network.settings.travel;
    let travels = |line: u32| lines.get(line as usize).is_some_and(|l| travel.has(l.what.kind));
    let by_travel = travels(miss.line) && travels(miss.other);
    let may_use = |e: &Edge| !by_travel || e.kinds.meets(travel);
    let snap_m = network.settings.snap_m;
    let (from, within_m) = match miss.kind {
        NearMissKind::Gap => (miss.at, miss.gap_m + snap_m),
        NearMissKind::Overshoot => (miss.foot, 2.0 * snap_m),
    };
    let is_there = |node: u32| match miss.kind {
        NearMissKind::Gap => at.of(miss.foot).contains(&node) && carries(node, miss.other),
        NearMissKind::Overshoot => carries(node, miss.other),
    };
    let starts = at.of(from).iter().copied().filter(|&n| carries(n, miss.line));
    reaches(network, starts, within_m, may_use, is_there)
}

/// Whether a node of a sort can be reached within a distance.
fn reaches(
    network: &Network,
    starts: impl Iterator<Item = u32>,
    within_m: f64,
    may_use: impl Fn(&Edge) -> bool,
    is_there: impl Fn(u32) -> bool,
) -> bool {
    // Distances are not negative, so their bits are in order.
    let mut queue: BinaryHeap<Reverse<(u64, u32)>> = starts.map(|n| Reverse((0, n))).collect();
    let mut settled = HashSet::new();
    while let Some(Reverse((distance, node))) = queue.pop() {
        if !settled.insert(node) {
            continue;
        }
        if is_there(node) {
            return true;
        }
        for end in network.ends_at(node) {
            let edge = &network.edges[end.edge as usize];
            let on_m = f64::from_bits(distance) + edge.length_m;
            if on_m <= within_m && may_use(edge) {
                queue.push(Reverse((on_m.to_bits(), if end.at_to { edge.from } else { edge.to })));
            }
        }
    }
    false
}
