//! Shortest ways along the network.

use super::Foot;
use super::search::{FIRST_TO, NO_END, Workspace};
use super::travel::{ChainEdge, TravelGraph};

/// Part of an edge on a way.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct EdgePiece {
    /// The edge.
    pub edge: u32,
    /// Where the way enters, in frame metres from the edge's `from` end.
    pub from_m: f64,
    /// Where it leaves; less than `from_m` where the way runs against the edge.
    pub to_m: f64,
}

/// A shortest way between two feet.
#[derive(Clone, PartialEq, Debug)]
pub struct Way {
    /// Its length in frame metres.
    pub length_m: f64,
    /// The pieces of edges in travel order; pieces of no length are left out.
    pub pieces: Vec<EdgePiece>,
}

impl TravelGraph {
    /// A shortest way between two feet, or `None` if none joins them. Of equally short ways
    /// the same one is found every time.
    pub fn way(&self, from: &Foot, to: &Foot) -> Option<Way> {
        let (a, b) = (self.spot(from)?, self.spot(to)?);
        let chain = &self.chains[a.chain as usize];
        let goal = &self.chains[b.chain as usize];
        let direct_m = if a.chain == b.chain { (a.at_m - b.at_m).abs() } else { f64::INFINITY };
        let mut work = Workspace::new(self.hubs(), 0);
        work.begin();
        work.offer_hub(chain.from, a.at_m, f64::INFINITY, NO_END);
        work.offer_hub(chain.to, chain.length_m - a.at_m, f64::INFINITY, FIRST_TO);
        let mut best_m = direct_m;
        let mut best_hub: Option<(u32, bool)> = None;
        while let Some((hub, d)) = work.settle() {
            if d >= best_m {
                break;
            }
            for (end_hub, rest_m, at_to) in
                [(goal.from, b.at_m, false), (goal.to, goal.length_m - b.at_m, true)]
            {
                if hub == end_hub && d + rest_m < best_m {
                    best_m = d + rest_m;
                    best_hub = Some((hub, at_to));
                }
            }
            let first = self.ends.range(hub as usize).start as u32;
            for (k, end) in self.ends_at(hub).iter().enumerate() {
                work.offer_hub(end.other, d + end.length_m, f64::INFINITY, first + k as u32);
            }
        }
        if best_m == f64::INFINITY {
            return None;
        }
        let mut runs: Vec<(u32, f64, f64)> = Vec::new(); // chain, from, to, last first
        match best_hub {
            None => runs.push((a.chain, a.at_m, b.at_m)),
            Some((hub, at_to)) => {
                runs.push((b.chain, if at_to { goal.length_m } else { 0.0 }, b.at_m));
                let start_to = self.trace(hub, &work, &mut runs);
                runs.push((a.chain, a.at_m, if start_to { chain.length_m } else { 0.0 }));
            }
        }
        let mut pieces = Vec::new();
        for &(chain, from_m, to_m) in runs.iter().rev() {
            self.edge_pieces(chain, from_m, to_m, &mut pieces);
        }
        Some(Way { length_m: best_m, pieces })
    }

    /// Follows the search back from a hub to the first hub; says whether that one was reached
    /// by the `to` end of the first chain.
    fn trace(&self, mut hub: u32, work: &Workspace, runs: &mut Vec<(u32, f64, f64)>) -> bool {
        loop {
            match work.by[hub as usize] {
                NO_END => return false,
                FIRST_TO => return true,
                k => {
                    let end = self.ends.items()[k as usize];
                    let run = if end.at_to { (end.length_m, 0.0) } else { (0.0, end.length_m) };
                    runs.push((end.chain, run.0, run.1));
                    let chain = &self.chains[end.chain as usize];
                    hub = if end.at_to { chain.to } else { chain.from };
                }
            }
        }
    }

    /// The edge pieces of a run along a chain.
    fn edge_pieces(&self, chain: u32, from_m: f64, to_m: f64, pieces: &mut Vec<EdgePiece>) {
        let range = self.chains[chain as usize].edges.clone();
        let edges = &self.chain_edges[range.start as usize..range.end as usize];
        let backward = to_m < from_m;
        let (low_m, high_m) = (from_m.min(to_m), from_m.max(to_m));
        let mut add = |e: &ChainEdge| {
            let (a, b) =
                ((low_m - e.start_m).clamp(0.0, e.length_m), (high_m - e.start_m).clamp(0.0, e.length_m));
            if b <= a {
                return;
            }
            let (a, b) = if backward { (b, a) } else { (a, b) };
            let (a, b) = if e.against { (e.length_m - a, e.length_m - b) } else { (a, b) };
            pieces.push(EdgePiece { edge: e.edge, from_m: a, to_m: b });
        };
        if backward {
            edges.iter().rev().for_each(&mut add);
        } else {
            edges.iter().for_each(&mut add);
        }
    }
}
