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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::surface::{DensitySettings, ErrorBound, Grid, Kernel};

    /// A surface of given values on cells of 10 m, its north-western corner at (200, 900).
    fn surface(columns: usize, values: &[f32]) -> Surface {
        let rows = values.len() / columns;
        Surface {
            grid: Grid { west_m: 200.0, north_m: 900.0, cell_m: 10.0, columns, rows },
            values: values.to_vec(),
            settings: DensitySettings::plain(Kernel::Gaussian, 100.0),
            spread: None,
            sum_of_weights: 1.0,
            outside: 0,
            integral: 1.0,
            peak_per_km2: 1.0,
            error_bound: ErrorBound { relative: 0.0, absolute_per_km2: 0.0 },
        }
    }

    fn corners(ring: &LineString<f64>) -> Vec<(f64, f64)> {
        ring.0.iter().map(|c| ((c.x - 200.0) / 10.0, (900.0 - c.y) / 10.0)).collect()
    }

    /// Around one cell the rim crosses the sides to its four neighbours where linear interpolation
    /// between centres meets the level; in columns and rows, that of the centre being (1.5, 2.5).
    #[test]
    fn one_cell_has_a_rim_of_four_corners() {
        // Level 4 between 10 and 2, 0, 1, 3: shares 6/8, 6/10, 6/9, 6/7 of a cell.
        let values = [0., 0., 0., 0., 2., 0., 1., 10., 3., 0., 0., 0.];
        let found = above(&surface(3, &values), 4.0);
        assert_eq!((found.0.len(), found.0[0].interiors().len()), (1, 0));
        let mut found = corners(found.0[0].exterior());
        assert_eq!(found.pop(), Some(found[0]), "closed");
        let expected = [(1.5, 2.5 - 0.75), (1.5 - 2.0 / 3.0, 2.5), (1.5, 2.5 + 0.6), (1.5 + 6.0 / 7.0, 2.5)];
        assert_eq!(found.len(), 4);
        for (x, y) in expected {
            assert!(
                found.iter().any(|f| (f.0 - x).abs() < 1e-9 && (f.1 - y).abs() < 1e-9),
                "{x} {y} {found:?}"
            );
        }
        assert!(above(&surface(3, &values), 4.0).signed_area() > 0.0);
    }

    /// On the grid's edge what lies beyond counts as zero, and so does a cell without value; a rim so
    /// near a centre keeps off it.
    #[test]
    fn beyond_the_grid_is_zero() {
        let found = above(&surface(2, &[8.0, f32::NAN]), 2.0);
        let mut found = corners(found.0[0].exterior());
        found.pop();
        for (x, y) in [(0.5, -0.25), (-0.25, 0.5), (0.5, 1.25), (1.25, 0.5)] {
            assert!(
                found.iter().any(|f| (f.0 - x).abs() < 1e-9 && (f.1 - y).abs() < 1e-9),
                "{x} {y} {found:?}"
            );
        }
        let near = above(&surface(1, &[8.0]), 7.9999);
        let width = corners(near.0[0].exterior()).iter().map(|c| (c.0 - 0.5).abs()).fold(0.0, f64::max);
        assert!((width - 0.02).abs() < 1e-9, "{width}");
        let far = above(&surface(1, &[8.0]), 1e-9);
        let width = corners(far.0[0].exterior()).iter().map(|c| (c.0 - 0.5).abs()).fold(0.0, f64::max);
        assert!((width - 0.98).abs() < 1e-9, "{width}");
    }

    /// Every pattern of 3 × 3 cells in and out: the rim's area by counting. A square between four
    /// centres holds 0, 1/8, 1/2, 7/8 or all of a cell; with corners across, 1/4 apart or 3/4 joined.
    #[test]
    fn areas_of_all_patterns_are_those_of_their_squares() {
        for pattern in 0..512_u32 {
            for (high, level, joined) in [(1.0_f32, 0.5 - 1e-9, true), (1.0, 0.5 + 1e-9, false)] {
                let values: Vec<f32> =
                    (0..9).map(|k| if pattern >> k & 1 == 1 { high } else { 0.0 }).collect();
                let at = |row: i32, column: i32| -> u32 {
                    let on = (0..3).contains(&row) && (0..3).contains(&column);
                    if on { pattern >> (3 * row + column) & 1 } else { 0 }
                };
                let mut expected = 0.0;
                for row in -1..3 {
                    for column in -1..3 {
                        let [nw, ne] = [at(row, column), at(row, column + 1)];
                        let [sw, se] = [at(row + 1, column), at(row + 1, column + 1)];
                        expected += match nw + ne + sw + se {
                            0 => 0.0,
                            1 => 0.125,
                            2 if nw == se => {
                                if joined {
                                    0.75
                                } else {
                                    0.25
                                }
                            }
                            2 => 0.5,
                            3 => 0.875,
                            _ => 1.0,
                        };
                    }
                }
                let found = above(&surface(3, &values), level);
                let area = found.signed_area() / 100.0;
                assert!((area - expected).abs() < 1e-6, "{pattern:b}: {area} {expected}");
                for polygon in &found {
                    assert!(Polygon::new(polygon.exterior().clone(), vec![]).signed_area() > 0.0);
                    for hole in polygon.interiors() {
                        assert!(Polygon::new(hole.clone(), vec![]).signed_area() < 0.0);
                    }
                }
            }
        }
    }

    /// A ring of cells, in its hole another, and a cell in that one's: holes go to the ring around them.
    #[test]
    fn holes_go_to_the_smallest_ring_around_them() {
        let side = 9;
        let value = |k: usize| {
            let (row, column) = (k / side, k % side);
            let ring = row.min(column).min(side - 1 - row).min(side - 1 - column);
            if ring % 2 == 0 { 1.0 } else { 0.0 }
        };
        let values: Vec<f32> = (0..side * side).map(value).collect();
        let found = above(&surface(side, &values), 0.5);
        let holes: Vec<usize> = found.0.iter().map(|p| p.interiors().len()).collect();
        assert_eq!(holes, [1, 1, 0]);
        let areas: Vec<f64> = found.0.iter().map(|p| p.unsigned_area() / 100.0).collect();
        // Octagons of 9, 7, 5 and 3 cells less an eighth at each corner, and a lone cell's half.
        for (area, expected) in
            areas.iter().zip([(81.0 - 0.5) - (49.0 - 0.5), (25.0 - 0.5) - (9.0 - 0.5), 0.5])
        {
            assert!((area - expected).abs() < 1e-6, "{areas:?}");
        }
    }
}
