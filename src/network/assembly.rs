//! Pieces of strands between nodes become edges, coincident ones the same.

use std::collections::HashMap;
use std::hash::{BuildHasherDefault, Hasher};

use super::Edge;
use super::edges::{ChainsAtNodes, Piece};
use super::lattice::Pixel;
use super::noded::Visit;

/// Edges and nodes as they come of pieces.
pub(crate) struct Assembly {
    /// The lattice point of every node.
    pub nodes: Vec<Pixel>,
    /// The edges, by their first pieces; without length.
    pub edges: Vec<Edge>,
    /// The further pieces of edges that have any, in their order.
    pub again: Vec<(u32, Piece)>,
}

impl Assembly {
    /// Puts pieces together and keeps of them the first of every edge.
    pub(crate) fn of(chains: &ChainsAtNodes, pieces: &mut Vec<Piece>) -> Self {
        let mut making = Making {
            chains,
            node_of: vec![NO_NODE; chains.noded.pixels.len()],
            nodes: Vec::new(),
            edges: Vec::with_capacity(pieces.len()),
            again: Vec::new(),
            shared: HashMap::default(),
        };
        pieces.retain(|piece| making.add(piece));
        let Making { nodes, edges, again, .. } = making;
        Self { nodes, edges, again }
    }
}

struct Making<'a> {
    chains: &'a ChainsAtNodes<'a>,
    node_of: Vec<u32>,
    nodes: Vec<Pixel>,
    edges: Vec<Edge>,
    again: Vec<(u32, Piece)>,
    /// The edge of every piece that another strand may share, by its key.
    shared: HashMap<(Visit, Visit), u32, BuildHasherDefault<Mix>>,
}

const NO_NODE: u32 = u32::MAX;

impl Making<'_> {
    /// Makes an edge of a piece, or adds it to the one it coincides with; whether it made one.
    fn add(&mut self, piece: &Piece) -> bool {
        let (forward, backward) = self.chains.directions(piece);
        let meetings = self.chains.meetings;
        let may_be_shared = meetings.is_doubled(forward.0) && meetings.is_doubled(forward.1);
        let fresh = self.edges.len() as u32;
        let edge =
            if may_be_shared { *self.shared.entry(forward.min(backward)).or_insert(fresh) } else { fresh };
        let what = &self.chains.strands.strands[piece.strand as usize];
        if edge != fresh {
            let kinds = &mut self.edges[edge as usize].kinds;
            *kinds = kinds.with(what.kinds);
            self.again.push((edge, *piece));
            return false;
        }
        let (from, to) = (self.node(forward.0), self.node(backward.0));
        self.edges.push(Edge { from, to, length_m: 0.0, kind: what.kind, kinds: what.kinds });
        true
    }

    /// The number of the node at a visit.
    fn node(&mut self, visit: Visit) -> u32 {
        let noded = self.chains.noded;
        debug_assert!(visit.pixel().is_some(), "nodes have numbered pixels");
        let Some(pixel) = visit.pixel() else { return NO_NODE };
        let node = &mut self.node_of[pixel as usize];
        if *node == NO_NODE {
            *node = self.nodes.len() as u32;
            self.nodes.push(noded.pixels[pixel as usize]);
        }
        *node
    }
}

/// Mixes the two pixel numbers of a key; the standard hasher guards against keys made to collide,
/// at several times the cost.
#[derive(Default)]
struct Mix(u64);

impl Hasher for Mix {
    fn write(&mut self, bytes: &[u8]) {
        bytes.iter().for_each(|&b| self.write_u32(u32::from(b)));
    }

    fn write_u32(&mut self, v: u32) {
        self.0 = (self.0.rotate_left(32) ^ u64::from(v)).wrapping_mul(0x9E37_79B9_7F4A_7C15);
    }

    fn finish(&self) -> u64 {
        self.0 ^ self.0 >> 32
    }
}
