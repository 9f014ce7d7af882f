//! What stands on the property: the candidates that may be chosen, hot nodes, and who is too
//! near whom, stations in the ground included.

use std::sync::Arc;

use super::candidate::Candidate;
use super::cluster::{HotNode, Item};
use super::conflict::{Apart, conflicts, straight_m};
use super::layout::Layout;
use super::select::{Conflicts, Later};
use crate::frame::GroundPoint;
use crate::network::{Edge, Foot, Network, TravelGraph};

/// A station further than this from any line, in metres, is kept clear of in a straight
/// line only.
const STATION_REACH_M: f64 = 200.0;

/// A station in the ground, or a place fixed beforehand.
#[derive(Clone, PartialEq, Debug)]
pub struct Standing {
    /// Its name in messages.
    pub name: String,
    /// Its place.
    pub at: GroundPoint,
    /// Its foot on the lines, if it is near one.
    pub foot: Option<Foot>,
}

impl Standing {
    /// With its foot on a line that can be travelled.
    pub fn new(name: String, at: GroundPoint, network: &Network, travel: &TravelGraph) -> Self {
        let on_lines = |e: &Edge| e.kinds.meets(travel.kinds());
        Self { name, at, foot: network.nearest_foot(at, STATION_REACH_M, on_lines) }
    }
}

/// Positions: first the candidates that stand, then the hot nodes.
pub struct Field {
    /// The candidates that stand, by position.
    pub standing: Vec<usize>,
    /// The hot nodes, by position after those.
    pub hot: Vec<HotNode>,
    /// Positions too near each other.
    pub near: Conflicts,
    /// The stations too near each position.
    pub blocked: Vec<Vec<u32>>,
}

impl Field {
    /// Measures who is too near whom. `apart` says for each candidate how far it keeps; a
    /// hot node keeps as far as the widest of its members.
    pub fn new(
        candidates: &[Candidate],
        standing: Vec<usize>,
        hot: Vec<HotNode>,
        stations: &[Standing],
        travel: &TravelGraph,
        apart: &[Apart],
    ) -> Self {
        let mut feet: Vec<Foot> = standing.iter().map(|&i| candidates[i].foot).collect();
        feet.extend(hot.iter().map(|h| h.foot));
        let of_hot = |h: &HotNode| h.members.iter().map(|&i| apart[i]).reduce(Apart::wider);
        let apart: Vec<Apart> =
            standing.iter().map(|&i| apart[i]).chain(hot.iter().filter_map(of_hot)).collect();
        // A hot node stands for all sites of its cluster.
        let of_cluster = |h: &HotNode| h.members.iter().flat_map(|&i| candidates[i].open_places()).collect();
        let mut sites: Vec<Vec<GroundPoint>> =
            standing.iter().map(|&i| candidates[i].open_places()).collect();
        sites.extend(hot.iter().map(of_cluster));
        let mut blocked = vec![Vec::new(); feet.len()];
        for (s, station) in stations.iter().enumerate() {
            for p in too_near(station, &feet, &sites, travel, &apart) {
                blocked[p].push(s as u32);
            }
        }
        Self { near: conflicts(travel, &feet, &sites, &apart), standing, hot, blocked }
    }

    /// The position of a candidate that stands.
    pub fn position(&self, candidate: usize) -> Option<usize> {
        self.standing.binary_search(&candidate).ok()
    }

    /// The position from which the spacing of a site counts: its own, or its hot node's.
    pub fn counts_from(&self, candidate: usize, node: Option<u32>) -> Option<usize> {
        match node {
            Some(node) => self.hot.iter().position(|h| h.node == node).map(|h| self.standing.len() + h),
            None => self.position(candidate),
        }
    }

    /// The problem of choosing among what stands, with some candidates fixed, and with one
    /// station taken away if `without` says so.
    pub fn layout(&self, fixed: &[usize], budget: Option<u32>, without: Option<usize>) -> Layout {
        let fixed_at: Vec<usize> = fixed.iter().filter_map(|&i| self.position(i)).collect();
        let mut shut = vec![false; self.blocked.len()];
        for (p, shut) in shut.iter_mut().enumerate() {
            *shut = self.blocked[p].iter().any(|&s| Some(s as usize) != without);
        }
        for &p in &fixed_at {
            shut[p] = true;
            self.near.of(p as u32).for_each(|q| shut[q as usize] = true);
        }
        let (items, counts_from) = self.items(&shut);
        let mut at_position: Vec<Vec<u32>> = vec![Vec::new(); shut.len()];
        for (k, &p) in counts_from.iter().enumerate() {
            at_position[p].push(k as u32);
        }
        // Items are numbered in the order of the positions that they count from.
        let later: Vec<Later> = (0..)
            .zip(&counts_from)
            .map(|(k, &p)| {
                let after = self.near.of(p as u32).skip_while(|&q| q < p as u32);
                let others = std::iter::once(p as u32).chain(after).flat_map(|q| &at_position[q as usize]);
                Later::new(others.copied().filter(|&other| other > k))
            })
            .collect();
        let conflicts = Arc::new(Conflicts::from_later(&later));
        Layout { items, conflicts, fixed: fixed.to_vec(), budget }
    }

    /// The items that are not shut, and the position from which the spacing of each counts.
    fn items(&self, shut: &[bool]) -> (Vec<Item>, Vec<usize>) {
        let mut items = Vec::new();
        let mut counts_from = Vec::new();
        for (p, &candidate) in self.standing.iter().enumerate().filter(|(p, _)| !shut[*p]) {
            items.push(Item { members: vec![candidate], node: None });
            counts_from.push(p);
        }
        for (h, hot) in self.hot.iter().enumerate() {
            let p = self.standing.len() + h;
            let open = |&i: &usize| self.position(i).is_some_and(|p| !shut[p]);
            if shut[p] || !hot.members.iter().all(open) {
                continue;
            }
            for size in 2..=hot.members.len() {
                items.push(Item { members: hot.members[..size].to_vec(), node: Some(hot.node) });
                counts_from.push(p);
            }
        }
        (items, counts_from)
    }
}

/// The feet that a station is too near to, by the way or in a straight line from where it stands to
/// where their sites may; each has its own rule.
fn too_near(
    station: &Standing,
    feet: &[Foot],
    sites: &[Vec<GroundPoint>],
    travel: &TravelGraph,
    apart: &[Apart],
) -> Vec<usize> {
    let Some(widest) = apart.iter().copied().reduce(Apart::wider) else { return Vec::new() };
    let by_way = station.foot.map(|foot| travel.distances(&[foot], feet, widest.travel_m));
    let near = |i: &usize| {
        let travel_m = by_way.as_ref().and_then(|by_way| by_way.get(0, *i));
        apart[*i].forbids(travel_m, straight_m(&[station.at], &sites[*i]))
    };
    (0..feet.len()).filter(near).collect()
}
