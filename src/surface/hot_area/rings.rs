//! Polygons where a surface lies above a level.

use std::collections::HashMap;

use geo::{Area, Contains};
use geo_types::{Coord, LineString, MultiPolygon, Point, Polygon, Rect};
use rayon::prelude::*;

use super::super::Surface;

/// A rim keeps this share of a cell's side from the cell centres, so that it never touches
/// itself, not even when coordinates are rounded.
const CLEARANCE: f64 = 0.02;

/// Where a surface lies above a level that is no cell's value, by marching squares between
/// cell centres with linear interpolation; no value and off the grid count as zero.
///
/// Every side between two centres on either side of the level is crossed once, by a segment
/// that has the inside on its left. In a square with two inside corners across from each
/// other the mean of the four decides whether they are joined. Rings are therefore simple,
/// outer ones anticlockwise and holes clockwise.
pub(super) fn above(surface: &Surface, level: f64) -> MultiPolygon<f64> {
    let squares = Squares { surface, level };
    let segments: HashMap<Side, Side> =
        (-1..surface.grid.rows as isize).into_par_iter().flat_map_iter(|row| squares.row(row)).collect();
    let mut starts: Vec<Side> = segments.keys().copied().collect();
    starts.par_sort_unstable();
    let mut rest = segments;
    let mut rings = Vec::new();
    for start in starts {
        let mut ring = Vec::new();
        let mut side = start;
        while let Some(next) = rest.remove(&side) {
            ring.push(squares.crossing(side));
            side = next;
        }
        if let Some(&first) = ring.first() {
            ring.push(first);
            rings.push(LineString(ring));
        }
    }
    nested(rings)
}

/// A side between the centre of a cell and its neighbour to the east or the south. Cells
/// just off the grid count.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
struct Side {
    row: isize,
    column: isize,
    southward: bool,
}

struct Squares<'s> {
    surface: &'s Surface,
    level: f64,
}

impl Squares<'_> {
    fn value(&self, row: isize, column: isize) -> f64 {
        let cell = |k: isize| usize::try_from(k).unwrap_or(usize::MAX);
        self.surface.value(cell(row), cell(column)).unwrap_or(0.0)
    }

    /// Segments through the squares whose north-western corners lie in a row.
    fn row(&self, row: isize) -> Vec<(Side, Side)> {
        let mut segments = Vec::new();
        let inside = |v: f64| v > self.level;
        let column_values = |column: isize| [self.value(row, column), self.value(row + 1, column)];
        let mut west = column_values(-1);
        for column in -1..self.surface.grid.columns as isize {
            let east = column_values(column + 1);
            let [nw, sw, ne, se] = [west[0], west[1], east[0], east[1]];
            west = east;
            let corners = [nw, ne, se, sw].map(inside);
            if corners == [false; 4] || corners == [true; 4] {
                continue;
            }
            let side = |row, column, southward| Side { row, column, southward };
            let (n, s) = (side(row, column, false), side(row + 1, column, false));
            let (w, e) = (side(row, column, true), side(row, column + 1, true));
            let joined = inside(0.25 * (nw + ne + se + sw));
            // From, to: the inside on the left, seen with north up.
            match corners {
                [true, false, false, false] => segments.push((w, n)),
                [false, true, false, false] => segments.push((n, e)),
                [false, false, true, false] => segments.push((e, s)),
                [false, false, false, true] => segments.push((s, w)),
                [false, true, true, true] => segments.push((n, w)),
                [true, false, true, true] => segments.push((e, n)),
                [true, true, false, true] => segments.push((s, e)),
                [true, true, true, false] => segments.push((w, s)),
                [true, true, false, false] => segments.push((w, e)),
                [false, false, true, true] => segments.push((e, w)),
                [true, false, false, true] => segments.push((s, n)),
                [false, true, true, false] => segments.push((n, s)),
                [true, false, true, false] if joined => segments.extend([(e, n), (w, s)]),
                [true, false, true, false] => segments.extend([(w, n), (e, s)]),
                [false, true, false, true] if joined => segments.extend([(n, w), (s, e)]),
                [false, true, false, true] => segments.extend([(n, e), (s, w)]),
                [false, false, false, false] | [true, true, true, true] => {}
            }
        }
        segments
    }

    /// Where the level crosses a side.
    fn crossing(&self, side: Side) -> Coord<f64> {
        let (down, right) = if side.southward { (1, 0) } else { (0, 1) };
        let from = self.value(side.row, side.column);
        let to = self.value(side.row + down, side.column + right);
        let share = ((self.level - from) / (to - from)).clamp(CLEARANCE, 1.0 - CLEARANCE);
        let grid = &self.surface.grid;
        Coord {
            x: grid.west_m + (side.column as f64 + 0.5 + share * right as f64) * grid.cell_m,
            y: grid.north_m - (side.row as f64 + 0.5 + share * down as f64) * grid.cell_m,
        }
    }
}

/// Puts every hole into the smallest outer ring around it.
fn nested(rings: Vec<LineString<f64>>) -> MultiPolygon<f64> {
    let (mut outer, mut holes) = (Vec::new(), Vec::new());
    for ring in rings {
        let polygon = Polygon::new(ring, Vec::new());
        let area_m2 = polygon.signed_area();
        if area_m2 > 0.0 { outer.push((area_m2, polygon)) } else { holes.push(polygon.into_inner().0) }
    }
    // Stable: rings of equal area keep the order of their first sides.
    outer.sort_by(|a, b| a.0.total_cmp(&b.0));
    let boxes: Vec<Option<Rect<f64>>> =
        outer.iter().map(|(_, p)| geo::BoundingRect::bounding_rect(p)).collect();
    let mut holes_of = vec![Vec::new(); outer.len()];
    for hole in holes {
        let Some(&corner) = hole.0.first() else { continue };
        // Rings never touch: one corner tells for all.
        let home = (0..outer.len()).find(|&k| {
            boxes[k].is_some_and(|b| b.contains(&Point(corner))) && outer[k].1.contains(&Point(corner))
        });
        if let Some(home) = home {
            holes_of[home].push(hole);
        }
    }
    let with_holes = |((_, polygon), holes): ((f64, Polygon<f64>), Vec<LineString<f64>>)| {
        Polygon::new(polygon.into_inner().0, holes)
    };
    let mut polygons: Vec<Polygon<f64>> = outer.into_iter().zip(holes_of).map(with_holes).collect();
    polygons.reverse();
    MultiPolygon(polygons)
}
