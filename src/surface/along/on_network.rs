//! From the line network to what density along lines asks of it.

use super::{EdgePoint, GraphEdge, LineGraph, Source};
use crate::frame::Placed;
use crate::network::{Edge, Foot, Network};
use crate::record::Record;

/// The network as density along lines sees it: the edges that `accept` takes. The others
/// keep their numbers but stand apart from everything, so that nothing flows over them.
pub fn line_graph(network: &Network, accept: impl Fn(&Edge) -> bool) -> LineGraph {
    let mut nodes = network.nodes().len() as u32;
    let mut edges = Vec::with_capacity(network.edges().len());
    for edge in network.edges() {
        let (from, to) = if accept(edge) {
            (edge.from, edge.to)
        } else {
            nodes += 2;
            (nodes - 2, nodes - 1)
        };
        edges.push(GraphEdge { from, to, length_m: edge.length_m });
    }
    LineGraph::of_checked(nodes as usize, edges)
}

impl From<&Foot> for EdgePoint {
    fn from(foot: &Foot) -> Self {
        EdgePoint { edge: foot.edge, along_m: foot.along_m }
    }
}

/// Records put onto lines.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Snapped {
    /// The foot of each record, with its count; `None` for one that was refused.
    pub sources: Vec<Option<Source>>,
    /// Records that lie further from every line than the limit.
    pub too_far: usize,
    /// Records whose own accuracy is worse than the limit: they could belong to another
    /// line as well.
    pub too_vague: usize,
    /// Furthest that a record was moved, in metres.
    pub furthest_m: f64,
}

/// Puts records onto the nearest of the edges that `accept` takes. A record further away
/// than `limit_m`, or known only to within more than that, is refused and counted.
pub fn snap_records(
    network: &Network,
    records: &[&Placed<Record>],
    limit_m: f64,
    accept: impl Fn(&Edge) -> bool,
) -> Snapped {
    let mut snapped = Snapped::default();
    for record in records {
        let vague = record.what.accuracy_m.is_some_and(|accuracy_m| accuracy_m > limit_m);
        let foot = if vague { None } else { network.nearest_foot(record.ground, limit_m, &accept) };
        match &foot {
            Some(foot) => snapped.furthest_m = snapped.furthest_m.max(foot.offset_m),
            None if vague => snapped.too_vague += 1,
            None => snapped.too_far += 1,
        }
        snapped.sources.push(foot.map(|foot| Source { at: (&foot).into(), weight: record.what.count }));
    }
    snapped
}
