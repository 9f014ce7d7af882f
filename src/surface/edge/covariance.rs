//! How much of a window and of the same window moved have in common.

use super::super::fft::Plane;
use super::super::{Extent, Grid};
use super::Window;

/// An area that lacks no more than this share of its box is the box.
const ROUNDING: f64 = 1e-12;

/// Cells along the longer side of the box in which a window is drawn to be moved.
const CELLS: f64 = 512.0;

/// The set covariance of a window: the area of its common part with itself moved by an
/// offset. Ripley's translation correction divides by it (Ohser 1983).
pub(in super::super) struct SetCovariance {
    extent: Extent,
    area_m2: f64,
    moved: Option<Moved>,
}

/// Common areas at whole cells' offsets.
struct Moved {
    cell_m: f64,
    columns: usize,
    rows: usize,
    areas_m2: Vec<f64>,
}

impl SetCovariance {
    /// That of a box: a product of two lengths.
    pub fn of_box(extent: Extent) -> Self {
        let area_m2 = (extent.max.x_m - extent.min.x_m) * (extent.max.y_m - extent.min.y_m);
        Self { extent, area_m2, moved: None }
    }

    /// That of any window: of its cells on a raster of 512 along the longer side, by their
    /// autocorrelation, brought to the exact area; exact for a box.
    pub fn of(window: &Window) -> Self {
        let area_m2 = window.area_m2();
        let boxed = Self::of_box(window.extent());
        if area_m2 >= boxed.area_m2 * (1.0 - ROUNDING) {
            return boxed;
        }
        let Extent { min, max } = window.extent();
        let cell_m = (max.x_m - min.x_m).max(max.y_m - min.y_m) / CELLS;
        let cells = |length_m: f64| (length_m / cell_m).ceil().max(1.0) as usize;
        let (columns, rows) = (cells(max.x_m - min.x_m), cells(max.y_m - min.y_m));
        let inside = window.cells_inside(&Grid { west_m: min.x_m, north_m: max.y_m, cell_m, columns, rows });
        // Twice as wide and high, so that the window and its periodic images do not meet.
        let plane = Plane::<f64>::at_least(2 * columns, 2 * rows);
        let mut drawn = vec![0.0; plane.columns * plane.rows];
        for (drawn, inside) in drawn.chunks_mut(plane.columns).zip(inside.chunks(columns)) {
            drawn.iter_mut().zip(inside).for_each(|(drawn, &inside)| *drawn = f64::from(u8::from(inside)));
        }
        let mut transform = plane.forward(drawn);
        transform.iter_mut().for_each(|v| *v = v.norm_sqr().into());
        let mut areas_m2 = plane.inverse(transform);
        let scale = area_m2 / areas_m2[0].max(1.0);
        areas_m2.iter_mut().for_each(|a| *a *= scale);
        let moved = Moved { cell_m, columns: plane.columns, rows: plane.rows, areas_m2 };
        Self { extent: window.extent(), area_m2, moved: Some(moved) }
    }

    /// Area of the window in m².
    pub fn area_m2(&self) -> f64 {
        self.area_m2
    }

    /// Shorter side of the window's box in metres.
    pub fn shorter_side_m(&self) -> f64 {
        let Extent { min, max } = self.extent;
        (max.x_m - min.x_m).min(max.y_m - min.y_m)
    }

    /// Width and height in metres of a window that is a box: what it has in common with itself
    /// moved is then a product.
    pub fn sides_of_box_m(&self) -> Option<[f64; 2]> {
        let Extent { min, max } = self.extent;
        self.moved.is_none().then_some([max.x_m - min.x_m, max.y_m - min.y_m])
    }

    /// Common area in m² with the window moved by an offset. Never less than that of one
    /// cell of the raster, so that one may divide by it for two places of the window.
    pub fn common_m2(&self, east_m: f64, north_m: f64) -> f64 {
        let Extent { min, max } = self.extent;
        match &self.moved {
            None => (max.x_m - min.x_m - east_m.abs()) * (max.y_m - min.y_m - north_m.abs()),
            // Rows run southward; the common part is the same for the opposite offset.
            Some(moved) => {
                moved.between(east_m / moved.cell_m, -north_m / moved.cell_m).max(moved.cell_m * moved.cell_m)
            }
        }
    }
}

impl Moved {
    /// Linear between the four nearest offsets of whole cells.
    fn between(&self, right: f64, down: f64) -> f64 {
        let (column, row) = (right.floor(), down.floor());
        let (fx, fy) = (right - column, down - row);
        let at = |column: f64, row: f64| {
            let (column, row) = (column as isize, row as isize);
            let (column, row) =
                (column.rem_euclid(self.columns as isize), row.rem_euclid(self.rows as isize));
            self.areas_m2[row as usize * self.columns + column as usize]
        };
        let along = |row: f64| (1.0 - fx) * at(column, row) + fx * at(column + 1.0, row);
        (1.0 - fy) * along(row) + fy * along(row + 1.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::GroundPoint;
    use approx::assert_relative_eq;
    use geo::{Area, BooleanOps, Translate};
    use geo_types::{MultiPolygon, polygon};

    /// Against the areas of polygons cut with each other.
    #[test]
    fn common_areas_are_those_of_the_cut_polygons() {
        let shape = MultiPolygon(vec![polygon![
            exterior: [(x: 0., y: 0.), (x: 900., y: 50.), (x: 1000., y: 800.), (x: 300., y: 600.)],
            interiors: [[(x: 400., y: 300.), (x: 600., y: 300.), (x: 550., y: 420.)]],
        ]]);
        let covariance = SetCovariance::of(&Window::new(&shape).unwrap());
        assert_relative_eq!(covariance.area_m2(), shape.unsigned_area(), max_relative = 1e-12);
        for (x, y) in [(0.0, 0.0), (30.0, 0.0), (0.0, -45.5), (120.0, 77.0), (-200.3, 90.0), (310.0, -15.0)] {
            let cut = shape.intersection(&shape.translate(x, y)).unsigned_area();
            assert_relative_eq!(covariance.common_m2(x, y), cut, max_relative = 0.01);
            assert_relative_eq!(covariance.common_m2(-x, -y), cut, max_relative = 0.01);
        }
    }

    #[test]
    fn a_box_is_exact() {
        let (min, max) = (GroundPoint::new(10.0, 20.0), GroundPoint::new(110.0, 70.0));
        let covariance = SetCovariance::of_box(Extent { min, max });
        assert_eq!(covariance.common_m2(-20.0, 10.0), 80.0 * 40.0);
        assert_eq!(covariance.shorter_side_m(), 50.0);
    }

    /// A box that begins nowhere near the origin, by its sides of 100 and 50 m.
    #[test]
    fn a_box_is_its_sides() {
        let (min, max) = (GroundPoint::new(-30.0, 20.0), GroundPoint::new(70.0, 70.0));
        let covariance = SetCovariance::of_box(Extent { min, max });
        assert_eq!((covariance.area_m2(), covariance.shorter_side_m()), (5000.0, 50.0));
        assert_eq!(covariance.sides_of_box_m(), Some([100.0, 50.0]));
        assert_eq!(covariance.common_m2(0.0, 0.0), 5000.0);
        assert_eq!(covariance.common_m2(99.0, -49.0), 1.0);
        let tall = SetCovariance::of_box(Extent { min, max: GroundPoint::new(-20.0, 70.0) });
        assert_eq!((tall.area_m2(), tall.shorter_side_m()), (500.0, 10.0));
        // A window that is a box is known as one; a triangle is not, and never has less than a cell.
        let square = MultiPolygon(vec![
            polygon![(x: -30., y: 20.), (x: 70., y: 20.), (x: 70., y: 70.), (x: -30., y: 70.)],
        ]);
        let square = SetCovariance::of(&Window::new(&square).unwrap());
        assert_eq!(
            (square.sides_of_box_m(), square.common_m2(10.0, 5.0)),
            (Some([100.0, 50.0]), 90.0 * 45.0)
        );
        let wedge = MultiPolygon(vec![polygon![(x: -30., y: 20.), (x: 70., y: 20.), (x: 70., y: 70.)]]);
        let wedge = SetCovariance::of(&Window::new(&wedge).unwrap());
        assert_eq!(wedge.sides_of_box_m(), None);
        assert_relative_eq!(wedge.area_m2(), 2500.0, max_relative = 1e-12);
        assert_eq!(wedge.common_m2(99.0, -49.0), (100.0_f64 / 512.0).powi(2));
        // Moved by half its width and nothing up: a triangle of half the sides.
        assert_relative_eq!(wedge.common_m2(50.0, 0.0), 625.0, max_relative = 0.01);
    }
}
