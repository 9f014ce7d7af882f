//! Which feet are too near each other.

use std::collections::HashMap;

use crate::frame::GroundPoint;
use crate::network::{Foot, TravelGraph};

/// How far apart a foot keeps from others, in frame metres. Of two feet, the one that keeps
/// further apart decides.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Apart {
    /// Least travel distance.
    pub travel_m: f64,
    /// Least straight-line distance where travel lines do not join two feet, or only by more
    /// than twice `travel_m`; 0 for no such rule.
    pub straight_m: f64,
}

impl Apart {
    /// What two feet keep from each other.
    pub fn wider(self, other: Apart) -> Apart {
        Apart {
            travel_m: self.travel_m.max(other.travel_m),
            straight_m: self.straight_m.max(other.straight_m),
        }
    }

    /// Whether two feet are too near each other. `travel_m` is the way between them, if
    /// there is one of at most twice the least travel distance; `straight_m` the straight line.
    pub fn forbids(self, travel_m: Option<f64>, straight_m: f64) -> bool {
        match travel_m.filter(|&d| d <= 2.0 * self.travel_m) {
            Some(distance_m) => distance_m < self.travel_m,
            None => straight_m < self.straight_m,
        }
    }
}

/// Pairs (a, b), a < b, of feet that are too near each other, sorted. `apart` says for each
/// foot how far it keeps.
///
/// Cost: one search a foot, bounded by the greatest travel distance; a second one, twice as
/// wide, only from feet that have another within the straight-line distance and beyond it.
pub fn conflicts(graph: &TravelGraph, feet: &[Foot], apart: &[Apart]) -> Vec<(u32, u32)> {
    let Some(widest) = apart.iter().copied().reduce(Apart::wider) else { return Vec::new() };
    let between = |a: u32, b: u32| apart[a as usize].wider(apart[b as usize]);
    let near = graph.distances(feet, feet, widest.travel_m);
    let mut pairs: Vec<(u32, u32)> = Vec::new();
    for a in 0..feet.len() as u32 {
        let too_near = near.row(a as usize).filter(|&(b, d)| b > a && d < between(a, b).travel_m);
        pairs.extend(too_near.map(|(b, _)| (a, b)));
    }
    if widest.straight_m > 0.0 {
        let in_doubt = |&(a, b): &(u32, u32)| {
            let rule = between(a, b);
            let joined = near.get(a as usize, b as usize).is_some_and(|d| d <= 2.0 * rule.travel_m);
            !joined && feet[a as usize].at.distance_m(feet[b as usize].at) < rule.straight_m
        };
        let beyond: Vec<(u32, u32)> =
            close_pairs(feet, widest.straight_m).into_iter().filter(in_doubt).collect();
        let within_m = |a: u32, b: u32| 2.0 * between(a, b).travel_m;
        pairs.extend(unjoined(graph, feet, &beyond, within_m, 2.0 * widest.travel_m));
        pairs.sort_unstable();
    }
    pairs
}

/// Of some pairs those that no way of at most `within_m` joins; `widest_m` is the greatest
/// of those.
fn unjoined(
    graph: &TravelGraph,
    feet: &[Foot],
    pairs: &[(u32, u32)],
    within_m: impl Fn(u32, u32) -> f64,
    widest_m: f64,
) -> Vec<(u32, u32)> {
    let mut sources: Vec<u32> = pairs.iter().map(|&(a, _)| a).collect();
    sources.sort_unstable();
    sources.dedup();
    let from: Vec<Foot> = sources.iter().map(|&a| feet[a as usize]).collect();
    let wide = graph.distances(&from, feet, widest_m);
    let joined = |&(a, b): &(u32, u32)| {
        let row = sources.binary_search(&a).ok();
        row.and_then(|row| wide.get(row, b as usize)).is_some_and(|d| d <= within_m(a, b))
    };
    pairs.iter().copied().filter(|pair| !joined(pair)).collect()
}

/// Pairs (a, b), a < b, of feet closer than `straight_m` in a straight line, sorted. A grid
/// of that cell size finds them; cost grows with the pairs in neighbouring cells.
fn close_pairs(feet: &[Foot], straight_m: f64) -> Vec<(u32, u32)> {
    let cell = |p: GroundPoint| ((p.x_m / straight_m).floor() as i64, (p.y_m / straight_m).floor() as i64);
    let mut cells: HashMap<(i64, i64), Vec<u32>> = HashMap::new();
    for (i, foot) in feet.iter().enumerate() {
        cells.entry(cell(foot.at)).or_default().push(i as u32);
    }
    let mut pairs = Vec::new();
    for (a, foot) in feet.iter().enumerate() {
        let (x, y) = cell(foot.at);
        let around = (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (x + dx, y + dy)));
        for b in around.filter_map(|key| cells.get(&key)).flatten() {
            if *b as usize > a && foot.at.distance_m(feet[*b as usize].at) < straight_m {
                pairs.push((a as u32, *b));
            }
        }
    }
    pairs.sort_unstable();
    pairs
}
