//! Where stops meet the lines, and which lines the crew can reach from the start and leave again.

use super::plan::Ground;
use crate::frame::GroundPoint;
use crate::network::Foot;

/// The nearest foot on the edges that `takes` accepts, however far.
pub(super) fn nearest(ground: Ground, at: GroundPoint, takes: impl Fn(u32) -> bool + Copy) -> Option<Foot> {
    let edges = ground.network.edges();
    let accept = |edge: &crate::network::Edge| takes(index_of(edges, edge));
    let mut within_m = 100.0;
    while within_m < 2e6 {
        if let Some(foot) = ground.network.nearest_foot(at, within_m, accept) {
            return Some(foot);
        }
        within_m *= 8.0;
    }
    None
}

/// The position of an edge in the slice it was borrowed from.
fn index_of<T>(slice: &[T], item: &T) -> u32 {
    ((std::ptr::from_ref(item) as usize - slice.as_ptr() as usize) / size_of::<T>()) as u32
}

/// Which edges can be reached from the start and left back to it.
pub(super) fn reach(ground: Ground, start: &Foot) -> Vec<bool> {
    let edges = ground.network.edges();
    let barred: std::collections::HashSet<u32> = ground.barriers.iter().map(|b| b.edge).collect();
    let first = &edges[start.edge as usize];
    let through = |edge: u32, along: bool| {
        let p = ground.passages[edge as usize];
        !barred.contains(&edge) && if along { p.forward } else { p.back }
    };
    let flood = |outward: bool| {
        let mut seen = vec![false; ground.network.nodes().len()];
        let p = ground.passages[start.edge as usize];
        let mut stack: Vec<u32> = Vec::new();
        // Out of the start edge by the ends that its passage allows.
        if (p.forward && outward) || (p.back && !outward) {
            stack.push(first.to);
        }
        if (p.back && outward) || (p.forward && !outward) {
            stack.push(first.from);
        }
        while let Some(node) = stack.pop() {
            if std::mem::replace(&mut seen[node as usize], true) {
                continue;
            }
            for end in ground.network.ends_at(node) {
                // Outward an edge is travelled away from the node, inward towards it.
                if through(end.edge, end.at_to != outward) {
                    let edge = &edges[end.edge as usize];
                    stack.push(if end.at_to { edge.from } else { edge.to });
                }
            }
        }
        seen
    };
    let (out, back) = (flood(true), flood(false));
    edges
        .iter()
        .zip(ground.passages)
        .enumerate()
        .map(|(k, (e, p))| {
            let (from, to) = (e.from as usize, e.to as usize);
            let passes = (p.forward && out[from] && back[to]) || (p.back && out[to] && back[from]);
            // Up to a locked gate and back again.
            let to_gate = barred.contains(&(k as u32))
                && p.forward
                && p.back
                && ((out[from] && back[from]) || (out[to] && back[to]));
            passes || to_gate || k as u32 == start.edge
        })
        .collect()
}
