//! Which feet are too near each other.

use std::collections::HashMap;

use super::select::{Conflicts, Later};
use crate::frame::GroundPoint;
use crate::network::{Foot, TravelGraph};

/// How far apart a foot and its site keep from others, in frame metres. Of two, the one that keeps
/// further apart decides.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Apart {
    /// Least travel distance between feet.
    pub travel_m: f64,
    /// Least straight-line distance between the sites themselves; 0 for no such rule.
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

    /// Whether two are too near each other. `travel_m` is the way between their feet, if there is
    /// one that matters; `straight_m` the straight line between the places of the sites.
    pub fn forbids(self, travel_m: Option<f64>, straight_m: f64) -> bool {
        travel_m.is_some_and(|distance_m| distance_m < self.travel_m) || straight_m < self.straight_m
    }
}

/// The least straight-line distance between any two of some places, in frame metres. A site that
/// may come to stand on either side of its line has two, and keeps clear with both.
pub fn straight_m(a: &[GroundPoint], b: &[GroundPoint]) -> f64 {
    a.iter().flat_map(|p| b.iter().map(|q| p.distance_m(*q))).fold(f64::INFINITY, f64::min)
}

/// Which feet are too near each other. `sites` says for each foot where its site may stand, for the
/// straight line; `apart` how far it keeps.
///
/// Cost: one search a foot, bounded by the greatest travel distance, and a look at the places in
/// the neighbouring cells of a lattice as wide as the greatest straight-line distance. What is
/// reached is judged search by search, since all distances together would take many times the
/// memory of the conflicts.
pub fn conflicts(
    graph: &TravelGraph,
    feet: &[Foot],
    sites: &[Vec<GroundPoint>],
    apart: &[Apart],
) -> Conflicts {
    let Some(widest) = apart.iter().copied().reduce(Apart::wider) else { return Conflicts::default() };
    let between = |a: u32, b: u32| apart[a as usize].wider(apart[b as usize]);
    let lattice = Lattice::new(sites, widest.straight_m);
    let later = graph.each_row(feet, feet, widest.travel_m, |a, row| {
        let after = &row[row.partition_point(|&(b, _)| b as usize <= a)..];
        let is_near = |&&(b, d): &&(u32, f64)| d < between(a as u32, b).travel_m;
        let mut near = lattice.after(a as u32);
        near.retain(|&(b, straight_m)| straight_m < between(a as u32, b).straight_m);
        let mut near: Vec<u32> = near.into_iter().map(|(b, _)| b).collect();
        near.extend(after.iter().filter(is_near).map(|&(b, _)| b));
        near.sort_unstable();
        near.dedup();
        Later::new(near)
    });
    Conflicts::from_later(&later)
}

/// Places by the cell of a lattice that they lie in.
struct Lattice<'a> {
    sites: &'a [Vec<GroundPoint>],
    cell_m: f64,
    cells: HashMap<(i64, i64), Vec<(u32, GroundPoint)>>,
}

impl<'a> Lattice<'a> {
    /// With cells as wide as the distance asked for later; of no width, it finds nothing.
    fn new(sites: &'a [Vec<GroundPoint>], cell_m: f64) -> Self {
        let mut lattice = Self { sites, cell_m, cells: HashMap::new() };
        if cell_m > 0.0 {
            for (i, places) in (0..).zip(sites) {
                for &place in places {
                    lattice.cells.entry(lattice.cell(place)).or_default().push((i, place));
                }
            }
        }
        lattice
    }

    fn cell(&self, at: GroundPoint) -> (i64, i64) {
        ((at.x_m / self.cell_m).floor() as i64, (at.y_m / self.cell_m).floor() as i64)
    }

    /// Those of a greater number than `a` that have a place closer to one of its own than a cell is
    /// wide, with the least distance, ascending. Cost grows with the places in neighbouring cells.
    fn after(&self, a: u32) -> Vec<(u32, f64)> {
        if self.cells.is_empty() {
            return Vec::new();
        }
        let mut found: Vec<(u32, f64)> = Vec::new();
        for &own in self.sites.get(a as usize).into_iter().flatten() {
            let (x, y) = self.cell(own);
            let around = (-1..=1).flat_map(|dx| (-1..=1).map(move |dy| (x + dx, y + dy)));
            let others = around.filter_map(|key| self.cells.get(&key)).flatten().filter(|(b, _)| *b > a);
            let far = others.map(|&(b, place)| (b, own.distance_m(place)));
            found.extend(far.filter(|&(_, distance_m)| distance_m < self.cell_m));
        }
        found.sort_by(|p, q| p.0.cmp(&q.0).then(p.1.total_cmp(&q.1)));
        found.dedup_by_key(|f| f.0);
        found
    }
}
