//! What a node is: its kind, its degree and the ways that lead to it.

use rayon::prelude::*;

use super::lattice::Pixel;
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

/// A node of the network. Its ways are [`Network::ways_deg`], its kind [`Network::node_kind`].
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Node {
    /// Its place in the frame.
    pub at: GroundPoint,
    /// Edge ends there, of all kinds; a loop counts twice.
    pub degree: u32,
    /// The kinds of all edges there.
    pub kinds: KindSet,
    /// Whether a gate stands there, so that a fence joins what it crosses.
    pub gate: bool,
    /// Whether a line ends there with a gap, closed or not, and no other line meets it there.
    pub near_miss: bool,
}

impl Node {
    pub(crate) fn bare(at: GroundPoint) -> Self {
        Self { at, degree: 0, kinds: KindSet::EMPTY, gate: false, near_miss: false }
    }
}

/// Fills in degree, kinds, gates and gaps of every node; `ends` are the lattice points of line
/// ends with a gap, sorted, and `pixels` those of the nodes.
pub(crate) fn describe_nodes(
    network: &mut Network,
    gates: &[Placed<Gate>],
    pixels: &[Pixel],
    ends: &[Pixel],
) {
    let mut nodes = std::mem::take(&mut network.nodes);
    nodes.par_iter_mut().zip(pixels).enumerate().for_each(|(k, (node, pixel))| {
        let edge_ends = network.ends_at(k as u32);
        node.degree = edge_ends.len() as u32;
        let kinds = edge_ends.iter().map(|e| network.edges()[e.edge as usize].kinds);
        node.kinds = kinds.fold(KindSet::EMPTY, KindSet::with);
        node.near_miss = node.degree <= 2 && ends.binary_search(pixel).is_ok();
    });
    mark_gates(network, &mut nodes, gates);
    network.nodes = nodes;
}

impl Network {
    /// What kind of node a node is.
    pub fn node_kind(&self, node: u32) -> NodeKind {
        let (ways, node) = (self.ways_deg(node).len(), &self.nodes[node as usize]);
        if node.near_miss && node.degree <= 2 {
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

    /// How many nodes there are of each kind, in the order of [`NodeKind::ALL`].
    pub fn node_kind_counts(&self) -> [(NodeKind, usize); 5] {
        let mut counts = NodeKind::ALL.map(|kind| (kind, 0));
        for node in 0..self.nodes.len() as u32 {
            counts[self.node_kind(node) as usize].1 += 1;
        }
        counts
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
