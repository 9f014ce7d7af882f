//! Clusters: several sites at one hot node.

use super::candidate::Candidate;
use super::part::foot_of_node;
use super::propose::WRITING_MARGIN_M;
use super::settings::SitingSettings;
use crate::network::{Foot, Network, TravelGraph};

/// A node is hot from this convergence on, if its activity is high too.
pub const HOT_CONVERGENCE: f64 = 0.5;
/// A hot node's activity is in the upper share of what stands: above this quantile.
pub const HOT_ACTIVITY_QUANTILE: f64 = 0.75;
/// Each further site of a cluster adds this share of what one more would add before it:
/// the same animals pass, and come by another way or when the first is taken.
pub const FURTHER_GAIN: f64 = 0.5;

/// One or several sites that are chosen together.
#[derive(Clone, PartialEq, Debug)]
pub struct Item {
    /// The candidates, best first.
    pub members: Vec<usize>,
    /// The hot node of a cluster.
    pub node: Option<u32>,
}

impl Item {
    /// The gain of each member in millionths: its score, and for each further member of a
    /// cluster half as much again less.
    pub fn gains(&self, scores: &[i64]) -> Vec<i64> {
        let share = |k: usize| FURTHER_GAIN.powi(k as i32);
        self.members.iter().enumerate().map(|(k, &i)| (scores[i] as f64 * share(k)).round() as i64).collect()
    }
}

/// A hot node and the clusters that could stand there.
pub struct HotNode {
    /// The node.
    pub node: u32,
    /// The node as a foot.
    pub foot: Foot,
    /// Candidates for a cluster, best first, each on a way of its own and far enough from
    /// those before it; at least two.
    pub members: Vec<usize>,
}

/// What hot nodes are found from.
pub struct Around<'a> {
    /// The candidates.
    pub candidates: &'a [Candidate],
    /// Those that may be chosen, ascending.
    pub open: &'a [usize],
    /// Scores in millionths.
    pub scores: &'a [i64],
    /// Each candidate's activity in 0..=1.
    pub activity: &'a [f64],
    /// Each node's convergence in 0..=1.
    pub convergence: &'a [f64],
    /// The network.
    pub network: &'a Network,
    /// The lines that feet are reached along.
    pub travel: &'a TravelGraph,
    /// Settings.
    pub settings: &'a SitingSettings,
    /// How far along the lines a site of a cluster may be from its node, in frame metres.
    pub reach_m: f64,
}

/// Finds hot nodes with room for a cluster.
///
/// A node is hot where its convergence is at least [`HOT_CONVERGENCE`] and the activity of
/// the best candidate around it lies in the upper quarter of all that stand.
pub fn hot_nodes(from: &Around) -> Vec<HotNode> {
    let mut heard: Vec<f64> = from.open.iter().map(|&i| from.activity[i]).collect();
    heard.sort_by(f64::total_cmp);
    let Some(&high) = heard.get((heard.len() as f64 * HOT_ACTIVITY_QUANTILE) as usize) else {
        return Vec::new();
    };
    let feet: Vec<Foot> = from.open.iter().map(|&i| from.candidates[i].foot).collect();
    let hot =
        (0..from.network.nodes().len() as u32).filter(|&n| from.convergence[n as usize] >= HOT_CONVERGENCE);
    let (nodes, node_feet): (Vec<u32>, Vec<Foot>) =
        hot.filter_map(|n| foot_of_node(from.network, from.travel, n).map(|foot| (n, foot))).unzip();
    let near = from.travel.distances(&node_feet, &feet, from.reach_m);
    let mut found = Vec::new();
    for (row, (&node, &foot)) in nodes.iter().zip(&node_feet).enumerate() {
        let mut around: Vec<usize> = near.row(row).map(|(k, _)| from.open[k as usize]).collect();
        around.sort_by_key(|&i| (-from.scores[i], i));
        let most = around.iter().map(|&i| from.activity[i]).fold(0.0, f64::max);
        let members = members(from, &around, node);
        if most >= high && members.len() >= 2 {
            found.push(HotNode { node, foot, members });
        }
    }
    found
}

/// The best candidates, each on a way of its own, far enough from those before it.
fn members(from: &Around, around: &[usize], node: u32) -> Vec<usize> {
    let (settings, candidates) = (from.settings, from.candidates);
    // Sites stand off their feet, on either side.
    let apart_m = settings.cluster_apart_m + 2.0 * settings.offset_m + WRITING_MARGIN_M;
    let at = from.network.nodes()[node as usize].at;
    let ways = from.network.ways_deg(node);
    let way_of = |i: usize| {
        let bearing = at.grid_bearing_deg(candidates[i].foot.at);
        let off = |way: f64| ((way - bearing + 180.0).rem_euclid(360.0) - 180.0).abs();
        (0..ways.len()).min_by(|&a, &b| off(ways[a]).total_cmp(&off(ways[b])))
    };
    let mut taken: Vec<usize> = Vec::new();
    for &i in around {
        let foot = candidates[i].foot.at;
        let own_way = taken.iter().all(|&t| way_of(t) != way_of(i));
        let far = taken.iter().all(|&t| candidates[t].foot.at.distance_m(foot) >= apart_m);
        if taken.len() < settings.cluster as usize && own_way && far {
            taken.push(i);
        }
    }
    taken
}
