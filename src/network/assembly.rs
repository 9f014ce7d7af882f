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

#[cfg(test)]
mod tests {
    use std::collections::HashSet;
    use std::hash::Hash;

    use super::*;

    /// A map of so many keys takes the upper bits for its groups and the lower ones for its buckets: both must
    /// be spread.
    #[test]
    fn keys_of_neighbouring_pixels_are_spread() {
        let mixed = |from: u32, to: u32| {
            let mut mix = Mix::default();
            (Visit::to_pixel(from), Visit::to_pixel(to)).hash(&mut mix);
            mix.finish()
        };
        let keys: Vec<u64> =
            (0..200).flat_map(|a| (0..200).map(move |b| (a, b))).map(|(a, b)| mixed(a, b)).collect();
        assert_eq!(keys.iter().collect::<HashSet<_>>().len(), 40_000);
        for shift in [0, 54] {
            let mut buckets = vec![0; 1024];
            keys.iter().for_each(|key| buckets[(key >> shift & 1023) as usize] += 1);
            // 39 each on average.
            let most = buckets.iter().max().unwrap();
            assert!(*most < 160, "{most} keys of 40,000 share one of 1,024 buckets, from bit {shift}");
        }
        // The standard hashes of bytes go the same way.
        let mut bytes = Mix::default();
        bytes.write(&[1, 2]);
        let mut others = Mix::default();
        others.write(&[2, 1]);
        assert!(bytes.finish() != others.finish() && bytes.finish() != 0);
    }
}
