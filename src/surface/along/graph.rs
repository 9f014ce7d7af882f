//! What density along lines asks of a network: who meets whom, and how long each edge is.

use super::AlongError;

/// An edge between two nodes; a loop has the same node twice.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct GraphEdge {
    /// Index of the node where positions along the edge start.
    pub from: u32,
    /// Index of the node at its other end.
    pub to: u32,
    /// Length in metres, positive.
    pub length_m: f64,
}

/// A position on the network.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct EdgePoint {
    /// Index of the edge.
    pub edge: u32,
    /// Metres from the edge's `from` end.
    pub along_m: f64,
}

/// Edges that meet only at nodes. Where edges run in the plane does not matter here.
#[derive(Clone, PartialEq, Debug)]
pub struct LineGraph {
    nodes: usize,
    edges: Vec<GraphEdge>,
}

impl LineGraph {
    /// A graph of `nodes` nodes, numbered from 0.
    ///
    /// # Errors
    /// [`AlongError::Edge`] for an edge that names a node out of range or whose length is
    /// not positive and finite.
    pub fn new(nodes: usize, edges: Vec<GraphEdge>) -> Result<Self, AlongError> {
        for (index, edge) in edges.iter().enumerate() {
            let known = (edge.from as usize) < nodes && (edge.to as usize) < nodes;
            if !(known && edge.length_m.is_finite() && edge.length_m > 0.0) {
                return Err(AlongError::Edge { edge: index, length_m: edge.length_m });
            }
        }
        Ok(Self { nodes, edges })
    }

    /// A graph whose edges are known to be sound.
    pub(super) fn of_checked(nodes: usize, edges: Vec<GraphEdge>) -> Self {
        Self { nodes, edges }
    }

    /// Number of nodes.
    pub fn nodes(&self) -> usize {
        self.nodes
    }

    /// The edges.
    pub fn edges(&self) -> &[GraphEdge] {
        &self.edges
    }

    /// Sum of the lengths in metres.
    pub fn length_m(&self) -> f64 {
        self.edges.iter().map(|edge| edge.length_m).sum()
    }

    /// The position as given, held inside the edge.
    ///
    /// # Errors
    /// [`AlongError::Position`] if there is no such edge, or the position is not a number
    /// or lies more than a millimetre off the edge's ends.
    pub fn checked(&self, at: EdgePoint) -> Result<EdgePoint, AlongError> {
        const SLACK_M: f64 = 1e-3;
        let length_m = self.edges.get(at.edge as usize).map_or(f64::NAN, |edge| edge.length_m);
        if at.along_m >= -SLACK_M && at.along_m <= length_m + SLACK_M {
            Ok(EdgePoint { along_m: at.along_m.clamp(0.0, length_m), ..at })
        } else {
            Err(AlongError::Position { edge: at.edge, along_m: at.along_m })
        }
    }
}
