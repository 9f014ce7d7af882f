//! The line network: noding, snapping, merging, graph, feet, distances, nodes and
//! convergence.

mod align;
mod build;
mod check;
mod convergence;
mod edges;
mod exact;
mod gap;
mod graph;
mod index;
mod lattice;
mod level;
mod merge;
mod net;
mod node;
mod settings;
mod snap_round;
mod strand;
mod strips;
mod travel;

pub use convergence::{Convergence, ConvergenceParts, ConvergenceSettings, Place, SignOnLine};
pub use exact::{Orientation, orientation};
pub use gap::{NearMiss, NearMissKind};
pub use graph::{Edge, Foot, KindSet, Side, Stretch};
pub use merge::MergedPass;
pub use net::{Components, EdgeEnd, LinePiece, Network, OnLine, Report};
pub use node::{Node, NodeKind};
pub use settings::{NetworkError, NetworkSettings};
pub use travel::{Distances, EdgePiece, TravelGraph, Way};
