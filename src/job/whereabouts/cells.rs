//! Which things lie near which, by the cells of a lattice: cost linear in the coordinates.

use std::collections::{HashMap, HashSet};

use crate::frame::LonLat;
use crate::job::extent::Extent;

/// Metres that a degree of latitude measures, near enough to tell near from far.
pub(super) const DEGREE_M: f64 = 111_200.0;

/// The least cosine of a latitude that is reckoned with, so that cells near a pole stay finite.
const LEAST_COSINE: f64 = 0.05;

/// A segment marks at most this many cells; a longer one is no way on the ground.
const MOST_STEPS: f64 = 20_000.0;

/// A place with its longitude in the turn about another longitude, so that things on both sides
/// of the antimeridian lie beside each other.
pub(super) fn turned(at: LonLat, about_deg: f64) -> (f64, f64) {
    let off = (at.lon_deg() - about_deg + 180.0).rem_euclid(360.0) - 180.0;
    (about_deg + off, at.lat_deg())
}

/// A lattice of square cells about a place.
#[derive(Clone, Copy)]
pub(super) struct Lattice {
    about: LonLat,
    /// Cells a degree of longitude and of latitude.
    per_degree: (f64, f64),
}

pub(super) type Cell = (i64, i64);

impl Lattice {
    pub fn new(about: LonLat, cell_m: f64) -> Self {
        let cosine = about.lat_deg().to_radians().cos().max(LEAST_COSINE);
        Self { about, per_degree: (DEGREE_M * cosine / cell_m, DEGREE_M / cell_m) }
    }

    fn scaled(&self, at: LonLat) -> (f64, f64) {
        let (lon, lat) = turned(at, self.about.lon_deg());
        ((lon - self.about.lon_deg()) * self.per_degree.0, (lat - self.about.lat_deg()) * self.per_degree.1)
    }

    pub fn cell(&self, at: LonLat) -> Cell {
        let (x, y) = self.scaled(at);
        (x.floor() as i64, y.floor() as i64)
    }

    /// The cells that a way goes through, near enough: none is farther from it than its size.
    pub fn along(&self, way: &[LonLat], mut mark: impl FnMut(Cell)) {
        way.first().into_iter().for_each(|&at| mark(self.cell(at)));
        for (&a, &b) in way.iter().zip(way.iter().skip(1)) {
            let ((ax, ay), (bx, by)) = (self.scaled(a), self.scaled(b));
            let steps = ((bx - ax).abs().max((by - ay).abs())).ceil();
            if steps > 1.0 && steps < MOST_STEPS {
                for k in 1..steps as i64 {
                    let t = k as f64 / steps;
                    mark(((ax + (bx - ax) * t).floor() as i64, (ay + (by - ay) * t).floor() as i64));
                }
            }
            mark(self.cell(b));
        }
    }
}

/// The cells that hang together with some of them, cells at most `reach` apart being linked.
pub(super) fn reached(cells: &HashSet<Cell>, from: impl Iterator<Item = Cell>, reach: i64) -> HashSet<Cell> {
    let mut found: HashSet<Cell> = HashSet::new();
    let mut open: Vec<Cell> = from.collect();
    let mut done: HashSet<Cell> = open.iter().copied().collect();
    while let Some((x, y)) = open.pop() {
        for dx in -reach..=reach {
            for dy in -reach..=reach {
                let next = (x + dx, y + dy);
                if cells.contains(&next) {
                    found.insert(next);
                    if done.insert(next) {
                        open.push(next);
                    }
                }
            }
        }
    }
    found
}

/// What lies in a group of cells that hang together.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Group {
    /// A box round it, in the turn of the lattice.
    pub extent: Extent,
    /// How many things of each kind.
    pub counts: [usize; KINDS],
}

/// Kinds of thing that say where a job is.
pub(super) const KINDS: usize = 5;

/// Everything that says where a job is, by cell.
#[derive(Default)]
pub(super) struct Crowd(HashMap<Cell, Group>);

impl Crowd {
    pub fn add(&mut self, cell: Cell, at: Option<(f64, f64)>, kind: usize) {
        let here = at.map(Extent::at);
        let group = self.0.entry(cell).or_insert(Group { extent: Extent::NOTHING, counts: [0; KINDS] });
        if let Some(count) = group.counts.get_mut(kind) {
            *count += 1;
        }
        if let Some(here) = here {
            group.extent = group.extent.and(&here);
        }
    }

    /// The groups of cells that hang together, in a fixed order.
    pub fn groups(&self, reach: i64) -> Vec<Group> {
        let cells: HashSet<Cell> = self.0.keys().copied().collect();
        let mut order: Vec<Cell> = cells.iter().copied().collect();
        order.sort_unstable();
        let mut taken: HashSet<Cell> = HashSet::new();
        let mut groups = Vec::new();
        for start in order {
            if taken.contains(&start) {
                continue;
            }
            let of_one = reached(&cells, std::iter::once(start), reach);
            let mut whole = Group { extent: Extent::NOTHING, counts: [0; KINDS] };
            for group in of_one.iter().filter_map(|cell| self.0.get(cell)) {
                whole.extent = whole.extent.and(&group.extent);
                whole.counts.iter_mut().zip(group.counts).for_each(|(sum, n)| *sum += n);
            }
            taken.extend(of_one);
            groups.push(whole);
        }
        groups
    }
}
