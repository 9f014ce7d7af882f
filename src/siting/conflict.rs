//! Which feet are too near each other.

use std::collections::HashMap;

use super::select::{Conflicts, Later};
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

/// Which feet are too near each other. `apart` says for each foot how far it keeps.
///
/// Cost: one search a foot, bounded by the greatest travel distance; a second one, twice as
/// wide, only from feet that have another within the straight-line distance and beyond it.
/// What is reached is judged search by search, since all distances together would take many
/// times the memory of the conflicts.
pub fn conflicts(graph: &TravelGraph, feet: &[Foot], apart: &[Apart]) -> Conflicts {
    let Some(widest) = apart.iter().copied().reduce(Apart::wider) else { return Conflicts::default() };
    let between = |a: u32, b: u32| apart[a as usize].wider(apart[b as usize]);
    let lattice = Lattice::new(feet, widest.straight_m);
    let near = graph.each_row(feet, feet, widest.travel_m, |a, row| {
        let after = &row[row.partition_point(|&(b, _)| b as usize <= a)..];
        let is_near = |&&(b, d): &&(u32, f64)| d < between(a as u32, b).travel_m;
        let later = Later::new(after.iter().filter(is_near).map(|&(b, _)| b));
        let in_doubt = |&b: &u32| {
            let rule = between(a as u32, b);
            let known = after.binary_search_by_key(&b, |&(b, _)| b).ok().map(|k| after[k].1);
            let joined = known.is_some_and(|d| d <= 2.0 * rule.travel_m);
            !joined && feet[a].at.distance_m(feet[b as usize].at) < rule.straight_m
        };
        let mut doubt: Vec<u32> = lattice.after(feet, a).into_iter().filter(in_doubt).collect();
        doubt.shrink_to_fit();
        (later, doubt)
    });
    let (mut later, doubts): (Vec<Later>, Vec<Vec<u32>>) = near.into_iter().unzip();
    let within_m = |a: u32, b: u32| 2.0 * between(a, b).travel_m;
    for (a, beyond) in unjoined(graph, feet, &doubts, within_m, 2.0 * widest.travel_m) {
        later[a as usize].join(&beyond);
    }
    drop(doubts);
    Conflicts::from_later(&later)
}

/// Of the feet in doubt beside each foot those that no way of at most `within_m` joins to it;
/// `widest_m` is the greatest of those.
fn unjoined(
    graph: &TravelGraph,
    feet: &[Foot],
    doubts: &[Vec<u32>],
    within_m: impl Fn(u32, u32) -> f64 + Sync,
    widest_m: f64,
) -> Vec<(u32, Later)> {
    let sources: Vec<u32> = (0..).zip(doubts).filter(|(_, d)| !d.is_empty()).map(|(a, _)| a).collect();
    let from: Vec<Foot> = sources.iter().map(|&a| feet[a as usize]).collect();
    graph.each_row(&from, feet, widest_m, |k, row| {
        let a = sources[k];
        let joined = |b: u32| {
            let known = row.binary_search_by_key(&b, |&(b, _)| b).ok();
            known.is_some_and(|k| row[k].1 <= within_m(a, b))
        };
        (a, Later::new(doubts[a as usize].iter().copied().filter(|&b| !joined(b))))
    })
}

/// Feet by the cell of a lattice that they lie in.
struct Lattice {
    cell_m: f64,
    cells: HashMap<(i64, i64), Vec<u32>>,
}

impl Lattice {
    /// With cells as wide as the distance asked for later; of no width, it finds nothing.
    fn new(feet: &[Foot], cell_m: f64) -> Self {
        let mut lattice = Self { cell_m, cells: HashMap::new() };
        if cell_m > 0.0 {
            for (i, foot) in (0..).zip(feet) {
                lattice.cells.entry(lattice.cell(foot.at)).or_default().push(i);
            }
        }
        lattice
    }

    fn cell(&self, at: GroundPoint) -> (i64, i64) {
        ((at.x_m / self.cell_m).floor() as i64, (at.y_m / self.cell_m).floor() as i64)
    }

    /// The feet of a greater number than `a` and closer to it in a straight line than a cell is
    /// wide, ascending. Cost grows with the feet in neighbouring cells.
    fn after(&self, feet: &[Foot], a: usize) -> Vec<u32> {
        if self.cells.is_empty() {
            return Vec::new();
        }
        let (x, y) = self.cell(feet[a].at);
        let around = (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (x + dx, y + dy)));
        let close = |&b: &u32| b as usize > a && feet[a].at.distance_m(feet[b as usize].at) < self.cell_m;
        let found = around.filter_map(|key| self.cells.get(&key)).flatten().copied();
        let mut after: Vec<u32> = found.filter(close).collect();
        after.sort_unstable();
        after
    }
}
