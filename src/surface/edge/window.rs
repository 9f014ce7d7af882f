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
        let merged = match polygons.0.len() {
            // Merging snaps to a fine lattice; one polygon is taken as it is.
            0 | 1 => polygons.clone(),
            _ => geo::unary_union(&polygons.0),
        }
        .orient(Direction::Default);
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
