//! Polygons as the window of a density.

use geo::orient::{Direction, Orient};
use geo_types::{LineString, MultiPolygon};

use crate::frame::GroundPoint;

use super::super::{Extent, Grid, SurfaceError};

/// The ground that was looked at: polygons with holes, in the frame.
#[derive(Clone, Debug)]
pub struct Window {
    /// Sides of all rings, the inside on their left.
    sides: Vec<(GroundPoint, GroundPoint)>,
    extent: Extent,
    area_m2: f64,
}

impl Window {
    /// A window from polygons in frame metres, in any ring direction. Polygons that touch or
    /// overlap are merged first.
    ///
    /// # Errors
    /// [`SurfaceError::NoWindow`] if they have no area.
    pub fn new(polygons: &MultiPolygon<f64>) -> Result<Self, SurfaceError> {
        // Merging fills holes that run the same way round as their outer ring.
        let mut merged = polygons.orient(Direction::Default);
        // It snaps to a fine lattice; one polygon is taken as it is.
        if merged.0.len() > 1 {
            merged = geo::unary_union(&merged.0).orient(Direction::Default);
        }
        let rings = || merged.0.iter().flat_map(|p| std::iter::once(p.exterior()).chain(p.interiors()));
        let sides: Vec<_> = rings().flat_map(sides_of).collect();
        let area_m2 = 0.5 * sides.iter().map(|(a, b)| a.x_m * b.y_m - a.y_m * b.x_m).sum::<f64>();
        let extent = Extent::of(sides.iter().map(|(a, _)| *a)).filter(|_| area_m2 > 0.0);
        let extent = extent.ok_or(SurfaceError::NoWindow)?;
        // Areas from corners near the origin keep their digits.
        let from = extent.min;
        let area_m2 = 0.5
            * sides
                .iter()
                .map(|(a, b)| {
                    (a.x_m - from.x_m) * (b.y_m - from.y_m) - (a.y_m - from.y_m) * (b.x_m - from.x_m)
                })
                .sum::<f64>();
        Ok(Self { sides, extent, area_m2 })
    }

    /// Sides of all rings, the inside on their left.
    pub(super) fn sides(&self) -> &[(GroundPoint, GroundPoint)] {
        &self.sides
    }

    /// The smallest box that holds it.
    pub fn extent(&self) -> Extent {
        self.extent
    }

    /// Its area in square metres of the frame.
    pub fn area_m2(&self) -> f64 {
        self.area_m2
    }

    /// Whether a place lies inside. Of places on the edge itself, some do.
    pub fn contains(&self, at: GroundPoint) -> bool {
        let turns = self.sides.iter().map(|&(a, b)| turn(relative(a, at), relative(b, at))).sum::<i32>();
        turns != 0
    }

    /// Whether each cell centre of a grid lies inside, row by row.
    pub(in super::super) fn cells_inside(&self, grid: &Grid) -> Vec<bool> {
        let mut inside = vec![false; grid.cells()];
        for (row, inside) in inside.chunks_mut(grid.columns).enumerate() {
            let y_m = grid.centre(row, 0).y_m;
            let mut crossings: Vec<f64> = self
                .sides
                .iter()
                .filter(|(a, b)| (a.y_m > y_m) != (b.y_m > y_m))
                .map(|(a, b)| a.x_m + (y_m - a.y_m) / (b.y_m - a.y_m) * (b.x_m - a.x_m))
                .collect();
            crossings.sort_unstable_by(f64::total_cmp);
            let column = |x_m: f64| ((x_m - grid.west_m) / grid.cell_m - 0.5).ceil().max(0.0) as usize;
            for pair in crossings.chunks_exact(2) {
                let (from, to) = (column(pair[0]).min(grid.columns), column(pair[1]).min(grid.columns));
                inside[from..to].fill(true);
            }
        }
        inside
    }
}

fn sides_of(ring: &LineString<f64>) -> impl Iterator<Item = (GroundPoint, GroundPoint)> {
    ring.lines()
        .map(|l| (GroundPoint::new(l.start.x, l.start.y), GroundPoint::new(l.end.x, l.end.y)))
        .filter(|(a, b)| a != b)
}

/// A place seen from another, in metres.
pub(super) fn relative(p: GroundPoint, from: GroundPoint) -> (f64, f64) {
    (p.x_m - from.x_m, p.y_m - from.y_m)
}

/// What a side adds to the winding number about the origin: it counts where it crosses the
/// eastward axis.
pub(super) fn turn(a: (f64, f64), b: (f64, f64)) -> i32 {
    let cross = a.0 * b.1 - a.1 * b.0;
    match (a.1 <= 0.0, b.1 <= 0.0) {
        (true, false) if cross > 0.0 => 1,
        (false, true) if cross < 0.0 => -1,
        _ => 0,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use geo_types::Polygon;

    /// A square of 100 m with a hole of 40 m, all rings the same way round, and one of 20 m beside it.
    fn window() -> Window {
        let square = |west: f64, side: f64| {
            let east = west + side;
            LineString::from(vec![(west, west), (east, west), (east, east), (west, east), (west, west)])
        };
        let holed = Polygon::new(square(0.0, 100.0), vec![square(30.0, 40.0)]);
        Window::new(&MultiPolygon(vec![holed, Polygon::new(square(110.0, 20.0), vec![])])).unwrap()
    }

    #[test]
    fn inside_is_within_a_ring_and_out_of_its_holes() {
        let window = window();
        let area_m2 = window.area_m2();
        assert!((area_m2 - (10_000.0 - 1600.0 + 400.0)).abs() < 0.01, "{area_m2}");
        for ((x_m, y_m), inside) in [
            ((10.0, 10.0), true),
            ((29.0, 50.0), true),
            ((31.0, 50.0), false),
            ((71.0, 50.0), true),
            ((99.0, 99.0), true),
            ((105.0, 105.0), false),
            ((120.0, 120.0), true),
            ((50.0, -1.0), false),
            ((-1.0, 50.0), false),
        ] {
            assert_eq!(window.contains(GroundPoint::new(x_m, y_m)), inside, "{x_m}, {y_m}");
        }
    }

    #[test]
    fn cells_inside_are_those_whose_centres_are() {
        let window = window();
        let grid = Grid { west_m: -21.0, north_m: 151.0, cell_m: 3.0, columns: 60, rows: 60 };
        let centre = |cell: usize| grid.centre(cell / grid.columns, cell % grid.columns);
        let plain: Vec<bool> = (0..grid.cells()).map(|cell| window.contains(centre(cell))).collect();
        assert_eq!(window.cells_inside(&grid), plain);
    }
}
