//! What a node is: its kind, its degree and the ways that lead to it.

use rayon::prelude::*;

use super::rows::Rows;
use super::ways::{WayArms, ways_of};
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

/// A node of the network. Its ways are [`Network::ways_deg`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Node {
    /// Its place in the frame.
    pub at: GroundPoint,
    /// What it is.
    pub kind: NodeKind,
    /// Edge ends there, of all kinds; a loop counts twice.
    pub degree: u32,
    /// The kinds of all edges there.
    pub kinds: KindSet,
    /// Whether a gate stands there, so that a fence joins what it crosses.
    pub gate: bool,
}

impl Node {
    pub(crate) fn bare(at: GroundPoint) -> Self {
        Self { at, kind: NodeKind::Join, degree: 0, kinds: KindSet::EMPTY, gate: false }
    }
}

/// Nodes whose ways are found at a time.
const AT_A_TIME: usize = 4096;

/// Fills in degree, kinds, gates, ways and kind of every node. `near_miss` says which nodes
/// are line ends with a gap; `by_place` lists the nodes so that neighbours come together.
pub(crate) fn describe_nodes(
    network: &mut Network,
    gates: &[Placed<Gate>],
    near_miss: &[bool],
    by_place: &[u32],
) {
    let mut nodes = std::mem::take(&mut network.nodes);
    nodes.par_iter_mut().enumerate().for_each(|(k, node)| {
        let ends = network.ends_at(k as u32);
        node.degree = ends.len() as u32;
        node.kinds =
            ends.iter().fold(KindSet::EMPTY, |set, e| set.with(network.edges()[e.edge as usize].kinds));
    });
    mark_gates(network, &mut nodes, gates);
    network.nodes = nodes;
    let arms = WayArms::new(network, by_place);
    let found: Vec<Rows<f64>> =
        by_place.par_chunks(AT_A_TIME).map(|nodes| ways_of(network, &arms, nodes)).collect();
    drop(arms);
    let ways = Rows::sorted(network.nodes.len(), 0.0, |add| {
        for (nodes, rows) in by_place.chunks(AT_A_TIME).zip(&found) {
            for (k, &node) in nodes.iter().enumerate() {
                rows.row(k).iter().for_each(|&deg| add(node, deg));
            }
        }
    });
    for (k, node) in network.nodes.iter_mut().enumerate() {
        node.kind = kind_of(node, ways.row(k).len(), near_miss[k]);
    }
    network.ways = ways;
}

fn kind_of(node: &Node, ways: usize, near_miss: bool) -> NodeKind {
    if near_miss && node.degree <= 2 {
        NodeKind::NearMiss
    } else if ways >= 3 {
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
