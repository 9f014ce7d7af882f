//! Areas of change: where the family-wise test claims one.

use contour::ContourBuilder;
use geo::orient::{Direction as Winding, Orient};
use geo::{Contains, MapCoords};
use geo_types::{Coord, Polygon};

use super::CellTests;
use super::cells::LEVEL;
use crate::surface::Grid;

/// Which way sign changed.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Direction {
    /// More after than before.
    Increase,
    /// Less after than before.
    Decrease,
}

impl Direction {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Direction::Increase => "increase",
            Direction::Decrease => "decrease",
        }
    }
}

/// One area in which a change is claimed.
#[derive(Clone, PartialEq, Debug)]
pub struct ChangeArea {
    /// Its outline in the frame, in metres; exterior counterclockwise.
    pub outline: Polygon<f64>,
    /// More or less sign than before.
    pub direction: Direction,
    /// Smallest p of a cell in it, taken by itself.
    pub p_min: f64,
    /// Family-wise p of its strongest cell: the chance of a difference as strong anywhere.
    pub p_max: f64,
    /// Whether any of its cells survives the false discovery rate at 0.05.
    pub survives_fdr: bool,
}

/// The areas whose every cell is claimed by the maximum statistic at 0.05, increases first.
///
/// Outlines run where the studentised difference, interpolated between cell centres,
/// reaches the claim. An area so small that it holds no cell centre is left out.
pub fn change_areas(cells: &CellTests, grid: &Grid) -> Vec<ChangeArea> {
    let mut areas = Vec::new();
    for (direction, sign) in [(Direction::Increase, 1.0), (Direction::Decrease, -1.0)] {
        for outline in outlines(cells, grid, sign) {
            let inside = cells_inside(&outline, grid, |i| sign * cells.z[i] > cells.claim_above);
            let least = |values: &[f64]| inside.iter().fold(1.0, |m: f64, &i| m.min(values[i]));
            if !inside.is_empty() {
                areas.push(ChangeArea {
                    direction,
                    p_min: least(&cells.p),
                    p_max: least(&cells.p_family),
                    survives_fdr: least(&cells.p_fdr) <= LEVEL,
                    outline,
                });
            }
        }
    }
    areas
}

/// Outlines where `sign` · z is above the claim.
fn outlines(cells: &CellTests, grid: &Grid, sign: f64) -> Vec<Polygon<f64>> {
    let strength: Vec<f64> = cells.z.iter().map(|z| if z.is_nan() { 0.0 } else { sign * z }).collect();
    if !strength.iter().any(|&z| z > cells.claim_above) {
        return Vec::new();
    }
    let contours =
        ContourBuilder::new(grid.columns, grid.rows, true).contours(&strength, &[cells.claim_above]);
    let to_frame =
        |c: Coord<f64>| Coord { x: grid.west_m + c.x * grid.cell_m, y: grid.north_m - c.y * grid.cell_m };
    contours
        .unwrap_or_default()
        .into_iter()
        .flat_map(|contour| contour.into_inner().0.0)
        .map(|polygon| polygon.map_coords(to_frame).orient(Winding::Default))
        .collect()
}

/// Claimed cells with their centre inside an outline.
fn cells_inside(outline: &Polygon<f64>, grid: &Grid, claimed: impl Fn(usize) -> bool) -> Vec<usize> {
    (0..grid.cells())
        .filter(|&i| claimed(i))
        .filter(|&i| {
            let centre = grid.centre(i / grid.columns, i % grid.columns);
            outline.contains(&Coord { x: centre.x_m, y: centre.y_m })
        })
        .collect()
}
