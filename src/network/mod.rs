//! The line network: noding, snapping, merging, graph, feet, distances, nodes and
//! convergence.

mod graph;

pub use graph::{Edge, Foot, KindSet, Side, Stretch};
