//! Points sorted into square cells, to find those near a place.

use std::ops::Range;

use crate::frame::GroundPoint;

use super::Extent;

/// Side of the smallest cell in metres, for points that all lie at one place.
const LEAST_CELL_M: f64 = 1e-6;

/// Cells at most this many times the points, however small the cell asked for.
const CELLS_A_POINT: f64 = 4.0;

/// Places that are asked to estimate the cost of asking them all.
const SAMPLED: usize = 200;

/// Places sorted by cells of a fixed size, row by row.
pub(super) struct Neighbours {
    origin: GroundPoint,
    cell_m: f64,
    columns: usize,
    rows: usize,
    /// Where in `order` each cell begins; one more at the end.
    begins: Vec<u32>,
    /// Places in order of their cells, with their positions in the input.
    order: Vec<(GroundPoint, u32)>,
}

impl Neighbours {
    /// Sorts places into cells of about `cell_m` metres: larger where that many cells
    /// would be far more than there are places. Linear in the places.
    pub fn new(places: &[GroundPoint], cell_m: f64) -> Self {
        let origin = GroundPoint::default();
        let extent = Extent::of(places.iter().copied()).unwrap_or(Extent { min: origin, max: origin });
        let (width_m, height_m) = (extent.max.x_m - extent.min.x_m, extent.max.y_m - extent.min.y_m);
        let most = CELLS_A_POINT * places.len() as f64 + 16.0;
        // Along a line of places the number of cells goes with the length, not the area.
        let cell_m = cell_m
            .max((width_m * height_m / most).sqrt())
            .max(width_m.max(height_m) / most)
            .max(LEAST_CELL_M);
        let cells_along = |length_m: f64| (length_m / cell_m).floor() as usize + 1;
        let (columns, rows) = (cells_along(width_m), cells_along(height_m));
        let mut sorted = Self {
            origin: extent.min,
            cell_m,
            columns,
            rows,
            begins: vec![0; columns * rows + 1],
            order: vec![(origin, 0); places.len()],
        };
        let cells: Vec<usize> = places.iter().map(|p| sorted.cell(*p)).collect();
        for &cell in &cells {
            sorted.begins[cell + 1] += 1;
        }
        for cell in 0..columns * rows {
            sorted.begins[cell + 1] += sorted.begins[cell];
        }
        let mut next = sorted.begins.clone();
        for (index, (&cell, &place)) in cells.iter().zip(places).enumerate() {
            sorted.order[next[cell] as usize] = (place, index as u32);
            next[cell] += 1;
        }
        sorted
    }

    fn cell(&self, p: GroundPoint) -> usize {
        let column = ((p.x_m - self.origin.x_m) / self.cell_m) as usize;
        let row = ((p.y_m - self.origin.y_m) / self.cell_m) as usize;
        row.min(self.rows - 1) * self.columns + column.min(self.columns - 1)
    }

    /// Places in order of their cells, with their positions in the input.
    pub fn in_order(&self) -> &[(GroundPoint, u32)] {
        &self.order
    }

    /// Runs of places that hold all those within a distance of a place, and others nearby:
    /// one run for each row of cells that the disc meets.
    pub fn runs(&self, at: GroundPoint, radius_m: f64) -> impl Iterator<Item = &[(GroundPoint, u32)]> + '_ {
        self.spans(at, radius_m).map(|run| &self.order[run])
    }

    /// [`Neighbours::runs`] as positions in the order of the cells.
    pub fn spans(&self, at: GroundPoint, radius_m: f64) -> impl Iterator<Item = Range<usize>> + '_ {
        let span = |from_m: f64, cells: usize| {
            let first = ((from_m - radius_m) / self.cell_m).floor().max(0.0);
            let last = ((from_m + radius_m) / self.cell_m).floor().min(cells as f64 - 1.0);
            (first <= last).then_some((first as usize, last as usize))
        };
        let columns = span(at.x_m - self.origin.x_m, self.columns);
        let rows = span(at.y_m - self.origin.y_m, self.rows);
        columns.zip(rows).into_iter().flat_map(move |((west, east), (south, north))| {
            (south..=north).map(move |row| {
                let first = self.begins[row * self.columns + west] as usize;
                let end = self.begins[row * self.columns + east + 1] as usize;
                first..end
            })
        })
    }

    /// About how many places searches within a distance of some places look at: `of` is asked for
    /// every k-th, with how many its search finds nearby.
    pub fn looked_at(
        &self,
        places: impl ExactSizeIterator<Item = GroundPoint>,
        radius_m: f64,
        of: impl Fn(usize) -> usize,
    ) -> f64 {
        let all = places.len() as f64;
        let every = (places.len() / SAMPLED).max(1);
        let (mut sampled, mut found) = (0.0, 0.0);
        for at in places.step_by(every) {
            sampled += 1.0;
            found += of(self.runs(at, radius_m).map(<[_]>::len).sum::<usize>()) as f64;
        }
        if sampled > 0.0 { found * all / sampled } else { 0.0 }
    }

    /// Calls `found` with the position in the input and the squared distance in m² of every
    /// place within a distance, the rim included.
    pub fn within(&self, at: GroundPoint, radius_m: f64, mut found: impl FnMut(usize, f64)) {
        let square_m2 = radius_m * radius_m;
        for (p, index) in self.runs(at, radius_m).flatten() {
            let distance_squared_m2 = super::exact::square_distance_m2(*p, at);
            if distance_squared_m2 <= square_m2 {
                found(*index as usize, distance_squared_m2);
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn finds_what_a_direct_search_finds() {
        let places: Vec<GroundPoint> = (0..400)
            .map(|k| GroundPoint::new(f64::from(k * 37 % 101) * 1.7, f64::from(k * 53 % 89) * 2.3))
            .collect();
        for cell_m in [1e-9, 3.0, 1e9] {
            let sorted = Neighbours::new(&places, cell_m);
            for (&at, radius_m) in places.iter().zip([0.0, 5.0, 20.0, 1e6].into_iter().cycle()) {
                let mut found = Vec::new();
                sorted.within(at, radius_m, |index, _| found.push(index));
                found.sort_unstable();
                let direct: Vec<usize> =
                    (0..places.len()).filter(|&k| places[k].distance_m(at) <= radius_m).collect();
                assert_eq!(found, direct, "cell {cell_m}, radius {radius_m}");
            }
        }
    }

    #[test]
    fn no_places_one_place_and_places_on_a_line() {
        Neighbours::new(&[], 1.0).within(GroundPoint::new(1.0, 1.0), 1e3, |_, _| panic!("found"));
        let line: Vec<GroundPoint> = (0..100).map(|k| GroundPoint::new(f64::from(k) * 1e5, 7.0)).collect();
        let sorted = Neighbours::new(&line, 1e-3);
        let mut found = 0;
        sorted.within(line[50], 1.5e5, |_, _| found += 1);
        assert_eq!(found, 3);
    }

    /// Places are asked at even steps, some 200 of them, and stand for all; cells so wide that every
    /// search looks at all places tell how many were asked.
    #[test]
    fn what_searches_look_at_is_estimated() {
        for (count, asked) in [(1, 1), (150, 150), (399, 399), (400, 200), (1000, 200), (1010, 202)] {
            let places: Vec<GroundPoint> =
                (0..count).map(|k| GroundPoint::new(f64::from(k) * 10.0, 0.0)).collect();
            let sorted = Neighbours::new(&places, 1e9);
            let times = std::cell::Cell::new(0);
            let looked_at = sorted.looked_at(places.iter().copied(), 4.0, |found| {
                assert_eq!(found, places.len());
                times.set(times.get() + 1);
                3
            });
            assert_eq!(times.get(), asked, "{count}");
            assert!((looked_at - 3.0 * f64::from(count)).abs() < 1e-9);
        }
        let none = Neighbours::new(&[], 10.0);
        assert_eq!(none.looked_at(std::iter::empty(), 1.0, |found| found), 0.0);
        assert!(none.in_order().is_empty());
    }

    /// Cells of 10 m from the westernmost and southernmost place: a search looks at those that its
    /// square meets and no others.
    #[test]
    fn searches_look_at_the_cells_they_meet() {
        let places: Vec<GroundPoint> = (0..12)
            .flat_map(|row| (0..12).map(move |column| (column, row)))
            .map(|(column, row)| {
                GroundPoint::new(100.0 + 5.0 * f64::from(column), 7.0 + 5.0 * f64::from(row))
            })
            .collect();
        let sorted = Neighbours::new(&places, 10.0);
        // Four places to a cell, six by six cells; west and south of the middle of the second.
        for ((x_m, y_m), radius_m, runs, found) in [
            ((115.0, 22.0), 4.0, 1, 4),
            ((115.0, 22.0), 6.0, 3, 9 * 4),
            ((112.0, 22.0), 3.0, 1, 2 * 4),
            ((115.0, 19.0), 3.0, 2, 2 * 4),
            ((80.0, 22.0), 19.0, 0, 0),
            ((80.0, 22.0), 21.0, 4, 4 * 4),
            ((130.0, 200.0), 50.0, 0, 0),
            ((130.0, 37.0), 1e4, 6, 144),
        ] {
            let seen: Vec<usize> =
                sorted.runs(GroundPoint::new(x_m, y_m), radius_m).map(<[_]>::len).collect();
            assert_eq!((seen.len(), seen.iter().sum()), (runs, found), "{x_m}, {y_m}: {radius_m}");
        }
    }
}
