//! The line network: noding, snapping, merging, graph, feet, distances, nodes and
//! convergence.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod align;
mod arms;
mod assembly;
mod build;
mod check;
mod closing;
mod component;
mod convergence;
mod distances;
mod doubled;
mod drawn;
mod edges;
mod eliminate;
mod exact;
mod foot;
mod gap;
mod gap_search;
mod graph;
mod hot;
mod index;
mod joined;
mod joints;
mod kind_set;
mod lattice;
mod level;
mod meeting;
mod merge;
mod net;
mod node;
mod noded;
mod paths;
mod report;
mod rows;
mod runs;
mod search;
mod settings;
mod sieve;
mod snap_round;
mod spread;
mod strand;
mod strips;
mod tangle;
mod tiles;
mod track;
mod travel;
mod way;
mod ways;

pub use component::Components;
pub use convergence::{Convergence, ConvergenceParts, ConvergenceSettings, Place, SignOnLine};
pub use distances::Distances;
pub use exact::{Orientation, orientation};
pub use foot::{Foot, LinePiece, OnLine, Side};
pub use gap::{NearMiss, NearMissKind};
pub use graph::{Edge, EdgeEnd, Stretch};
pub use kind_set::KindSet;
pub use merge::MergedPass;
pub use net::Network;
pub use node::{Node, NodeKind};
pub use report::Report;
pub use settings::{NetworkError, NetworkSettings};
pub use tangle::Tangle;
pub use travel::TravelGraph;
pub use way::{EdgePiece, Way};

#[cfg(test)]
mod tests;
