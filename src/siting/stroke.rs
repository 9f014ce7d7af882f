//! Lines as a traveller follows them: across junctions onto the straightest continuation.
//!
//! After Thomson & Richardson (1999), "The 'good continuation' principle of perceptual
//! organization applied to the generalization of road networks", Proc. 19th ICC, 1215–1223.

use crate::frame::GroundPoint;
use crate::network::{EdgeEnd, Foot, KindSet, Network};

/// Bends sharper than this end a stroke, unless one input line goes round them.
const SHARPEST_DEG: f64 = 60.0;
/// The direction in which an edge leaves a node is taken over this length, in metres.
const LOOK_M: f64 = 15.0;

/// Which stroke an edge is part of, and where.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct OnStroke {
    /// The stroke.
    pub stroke: u32,
    /// Where on it the edge's `from` end lies, in frame metres.
    pub start_m: f64,
    /// Whether the edge runs against it.
    pub against: bool,
}

/// The strokes of a network, over edges of some kinds.
pub struct Strokes {
    of_edge: Vec<Option<OnStroke>>,
}

impl Strokes {
    /// Joins edges into strokes, at each node the straightest pairs first. Every edge of the
    /// kinds is in one stroke. Cost: linear in the edges, with small nodes.
    pub fn new(network: &Network, kinds: KindSet) -> Self {
        let edges = network.edges();
        let mut next = vec![[None; 2]; edges.len()];
        for node in 0..network.nodes().len() as u32 {
            for (a, b) in continuations(network, node, kinds) {
                next[a.edge as usize][usize::from(a.at_to)] = Some(b);
                next[b.edge as usize][usize::from(b.at_to)] = Some(a);
            }
        }
        let mut strokes = Self { of_edge: vec![None; edges.len()] };
        let mut count = 0;
        let bears = |edge: usize| edges[edge].kinds.meets(kinds);
        // First from the edges at which a stroke ends; what is left then are rings.
        for ring in [false, true] {
            for edge in (0..edges.len()).filter(|&e| bears(e)) {
                let ends = [next[edge][0].is_none(), next[edge][1].is_none()];
                if strokes.of_edge[edge].is_none() && (ring || ends[0] || ends[1]) {
                    let start = EdgeEnd { edge: edge as u32, at_to: !ring && !ends[0] };
                    strokes.walk(network, start, &next, count);
                    count += 1;
                }
            }
        }
        strokes
    }

    fn walk(&mut self, network: &Network, mut enter: EdgeEnd, next: &[[Option<EdgeEnd>; 2]], stroke: u32) {
        let mut at_m = 0.0;
        loop {
            let length_m = network.edges()[enter.edge as usize].length_m;
            let start_m = if enter.at_to { at_m + length_m } else { at_m };
            self.of_edge[enter.edge as usize] = Some(OnStroke { stroke, start_m, against: enter.at_to });
            at_m += length_m;
            match next[enter.edge as usize][usize::from(!enter.at_to)] {
                Some(onward) if self.of_edge[onward.edge as usize].is_none() => enter = onward,
                _ => return,
            }
        }
    }

    /// Where an edge lies; `None` for an edge of another kind.
    pub fn of(&self, edge: u32) -> Option<OnStroke> {
        self.of_edge.get(edge as usize).copied().flatten()
    }

    /// The stroke of a foot and the frame metres from its start.
    pub fn place(&self, foot: &Foot) -> Option<(u32, f64)> {
        self.of(foot.edge).map(|on| {
            (on.stroke, if on.against { on.start_m - foot.along_m } else { on.start_m + foot.along_m })
        })
    }
}

/// The pairs of edge ends at a node that continue each other.
fn continuations(network: &Network, node: u32, kinds: KindSet) -> Vec<(EdgeEnd, EdgeEnd)> {
    let ends: Vec<EdgeEnd> = network
        .ends_at(node)
        .iter()
        .copied()
        .filter(|end| network.edges()[end.edge as usize].kinds.meets(kinds))
        .collect();
    let mut pairs = Vec::new();
    for (i, &a) in ends.iter().enumerate() {
        for &b in &ends[i + 1..] {
            let bend = bend_deg(network, node, a, b);
            let same = share_a_line(network, a.edge, b.edge) && a.edge != b.edge;
            if bend <= SHARPEST_DEG || same {
                pairs.push((!same, bend, a, b));
            }
        }
    }
    pairs.sort_by(|p, q| p.0.cmp(&q.0).then(p.1.total_cmp(&q.1)).then((p.2, p.3).cmp(&(q.2, q.3))));
    let mut used: Vec<EdgeEnd> = Vec::new();
    let mut chosen = Vec::new();
    for (_, _, a, b) in pairs {
        if !used.contains(&a) && !used.contains(&b) {
            used.extend([a, b]);
            chosen.push((a, b));
        }
    }
    chosen
}

fn share_a_line(network: &Network, a: u32, b: u32) -> bool {
    let lines = |e: u32| network.stretches(e).iter().map(|s| s.line);
    lines(a).any(|line| lines(b).any(|other| other == line))
}

/// How far from straight on, in degrees, the way from one edge end into another turns.
fn bend_deg(network: &Network, node: u32, a: EdgeEnd, b: EdgeEnd) -> f64 {
    let at = network.nodes()[node as usize].at;
    let between = (bearing(network, at, a) - bearing(network, at, b)).rem_euclid(360.0);
    (180.0 - between).abs()
}

fn bearing(network: &Network, at: GroundPoint, end: EdgeEnd) -> f64 {
    let length_m = network.edges()[end.edge as usize].length_m;
    let look_m = LOOK_M.min(length_m);
    at.grid_bearing_deg(network.point_at(end.edge, if end.at_to { length_m - look_m } else { look_m }))
}
