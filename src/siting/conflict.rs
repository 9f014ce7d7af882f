//! Which feet are too near each other.

use std::collections::HashMap;

use crate::frame::GroundPoint;
use crate::network::{Foot, TravelGraph};

/// How far apart feet must be, in frame metres.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Apart {
    /// Least travel distance.
    pub travel_m: f64,
    /// Least straight-line distance where travel lines do not join two feet, or only by more
    /// than twice `travel_m`; 0 for no such rule.
    pub straight_m: f64,
}

/// Pairs (a, b), a < b, of feet that are too near each other.
///
/// Cost: one search a foot, bounded by the travel distance; a second one, twice as wide,
/// only from feet that have another within the straight-line distance and beyond it.
pub fn conflicts(graph: &TravelGraph, feet: &[Foot], apart: Apart) -> Vec<(u32, u32)> {
    let near = graph.distances(feet, feet, apart.travel_m);
    let mut pairs: Vec<(u32, u32)> = Vec::new();
    for a in 0..feet.len() {
        let too_near = near.row(a).filter(|&(b, d)| b as usize > a && d < apart.travel_m);
        pairs.extend(too_near.map(|(b, _)| (a as u32, b)));
    }
    if apart.straight_m > 0.0 {
        let beyond: Vec<(u32, u32)> = close_pairs(feet, apart.straight_m)
            .into_iter()
            .filter(|&(a, b)| near.get(a as usize, b as usize).is_none())
            .collect();
        pairs.extend(unjoined(graph, feet, &beyond, 2.0 * apart.travel_m));
        pairs.sort_unstable();
    }
    pairs
}

/// Of some pairs those that no way of at most `within_m` joins.
fn unjoined(graph: &TravelGraph, feet: &[Foot], pairs: &[(u32, u32)], within_m: f64) -> Vec<(u32, u32)> {
    let mut sources: Vec<u32> = pairs.iter().map(|&(a, _)| a).collect();
    sources.sort_unstable();
    sources.dedup();
    let from: Vec<Foot> = sources.iter().map(|&a| feet[a as usize]).collect();
    let wide = graph.distances(&from, feet, within_m);
    let row_of = |a: u32| sources.binary_search(&a).ok();
    let joined = |&(a, b): &(u32, u32)| row_of(a).is_some_and(|row| wide.get(row, b as usize).is_some());
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
