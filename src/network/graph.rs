//! The parts of the graph: edges, their ends, and the stretches of lines on them.

use super::KindSet;
use crate::record::LineKind;

/// A stretch of an input line that an edge carries.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stretch {
    /// Index of the input line.
    pub line: u32,
    /// Where on that line the edge's `from` end lies, in frame metres from the line's start.
    pub start_m: f64,
    /// Where on that line the edge's `to` end lies, in frame metres from the line's start;
    /// less than `start_m` where the edge runs against the line.
    pub end_m: f64,
}

/// A stretch of line between two nodes. Coincident stretches of several lines are one edge.
/// Its way is [`Network::path`](super::Network::path); the input lines it carries are
/// [`Network::stretches`](super::Network::stretches).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Edge {
    /// Index of the node it starts at.
    pub from: u32,
    /// Index of the node it ends at; equal to `from` for a loop.
    pub to: u32,
    /// Its length in frame metres.
    pub length_m: f64,
    /// The kind of the first input line that holds it.
    pub kind: LineKind,
    /// The kinds of all input lines that hold it.
    pub kinds: KindSet,
}

/// One end of an edge at a node.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub struct EdgeEnd {
    /// The edge.
    pub edge: u32,
    /// Whether it is the edge's `to` end.
    pub at_to: bool,
}
