//! A uniform grid over the edge segments, to find the nearest foot.

use super::paths::Paths;
use super::rows::Rows;
use super::strand::{nearest_on, way_length_m};
use super::{Edge, Foot};
use crate::frame::GroundPoint;

/// Side of the smallest cell in metres, for segments that all lie at one place.
const LEAST_CELL_M: f64 = 1e-3;
/// How far a computed crossing of a row may lie off its true place, in metres.
const ROUNDING_M: f64 = 1e-6;

/// A segment of an edge.
#[derive(Clone, Copy, Debug)]
struct Piece {
    edge: u32,
    /// Its first vertex in the edge's path.
    vertex: u32,
}

/// Square cells, each with the segments whose bounding boxes meet it. A cell is about two
/// mean segment lengths wide, and there are at most about twice as many cells as segments.
pub(crate) struct SegmentIndex {
    west_m: f64,
    south_m: f64,
    cell_m: f64,
    columns: i64,
    rows: i64,
    pieces: Rows<Piece>,
}

impl SegmentIndex {
    pub(crate) fn new(paths: &Paths) -> Self {
        let (mut west_m, mut south_m, mut east_m, mut north_m) = (f64::MAX, f64::MAX, f64::MIN, f64::MIN);
        let (mut count, mut length_m) = (0_usize, 0.0);
        for edge in 0..paths.len() {
            let path = paths.row(edge);
            count += path.len() - 1;
            length_m += way_length_m(path);
        }
        for p in paths.points() {
            west_m = west_m.min(p.x_m);
            east_m = east_m.max(p.x_m);
            south_m = south_m.min(p.y_m);
            north_m = north_m.max(p.y_m);
        }
        if count == 0 {
            (west_m, south_m, east_m, north_m) = (0.0, 0.0, 0.0, 0.0);
        }
        let (width_m, height_m) = (east_m - west_m, north_m - south_m);
        let n = count.max(1) as f64;
        let cell_m = (2.0 * length_m / n)
            .max((width_m * height_m / (2.0 * n)).sqrt())
            .max(width_m.max(height_m) / (2.0 * n))
            .max(LEAST_CELL_M);
        let mut index = Self {
            west_m,
            south_m,
            cell_m,
            columns: (width_m / cell_m) as i64 + 1,
            rows: (height_m / cell_m) as i64 + 1,
            pieces: Rows::with_capacity(0, 0),
        };
        index.fill(paths);
        index
    }

    fn fill(&mut self, paths: &Paths) {
        let blank = Piece { edge: 0, vertex: 0 };
        let cells = (self.columns * self.rows) as usize;
        self.pieces = Rows::sorted(cells, blank, |add| self.each_cell(paths, add));
    }

    /// Calls `f` for every cell that a segment passes, row by row: in each row of cells the
    /// columns between the segment's ends within the row.
    fn each_cell(&self, paths: &Paths, f: &mut dyn FnMut(u32, Piece)) {
        for k in 0..paths.len() {
            for (v, w) in paths.row(k).windows(2).enumerate() {
                let piece = Piece { edge: k as u32, vertex: v as u32 };
                let (low, high) = if w[0].y_m <= w[1].y_m { (w[0], w[1]) } else { (w[1], w[0]) };
                let (first, last) = (self.row(low.y_m), self.row(high.y_m));
                for row in first..=last {
                    let x_at = |y_m: f64| {
                        let t = if high.y_m > low.y_m { (y_m - low.y_m) / (high.y_m - low.y_m) } else { 0.0 };
                        low.x_m + (high.x_m - low.x_m) * t
                    };
                    let bottom_m =
                        if row == first { low.x_m } else { x_at(self.south_m + row as f64 * self.cell_m) };
                    let top_m = if row == last {
                        high.x_m
                    } else {
                        x_at(self.south_m + (row + 1) as f64 * self.cell_m)
                    };
                    // A level segment has both ends in one row.
                    for column in self.column(bottom_m.min(top_m) - ROUNDING_M)
                        ..=self.column(bottom_m.max(top_m) + ROUNDING_M)
                    {
                        f((row * self.columns + column) as u32, piece);
                    }
                }
            }
        }
    }

    fn column(&self, x_m: f64) -> i64 {
        (((x_m - self.west_m) / self.cell_m).floor() as i64).clamp(0, self.columns - 1)
    }

    fn row(&self, y_m: f64) -> i64 {
        (((y_m - self.south_m) / self.cell_m).floor() as i64).clamp(0, self.rows - 1)
    }

    pub(crate) fn nearest(
        &self,
        paths: &Paths,
        edges: &[Edge],
        point: GroundPoint,
        within_m: f64,
        accept: impl Fn(u32) -> bool,
    ) -> Option<Foot> {
        let mut best: Option<(f64, Piece, GroundPoint)> = None;
        let (column, row) = (self.column(point.x_m), self.row(point.y_m));
        // How far the point lies outside the grid: rings start at the nearest cell.
        let edge_m =
            |v: f64, low: f64, cells: i64| (low - v).max(v - low - cells as f64 * self.cell_m).max(0.0);
        let outside_m =
            edge_m(point.x_m, self.west_m, self.columns).max(edge_m(point.y_m, self.south_m, self.rows));
        if outside_m > within_m || within_m.is_nan() {
            return None;
        }
        for ring in 0..=self.columns.max(self.rows) {
            // Everything in this ring is at least this far away.
            let least_m =
                ((ring - 1).max(0) as f64 * self.cell_m).max(if ring == 0 { 0.0 } else { outside_m });
            let limit_m = best.as_ref().map_or(within_m, |b| b.0);
            if least_m > limit_m {
                break;
            }
            self.each_in_ring(column, row, ring, |piece| {
                if !accept(piece.edge) {
                    return;
                }
                let path = paths.row(piece.edge as usize);
                let foot = nearest_on(path[piece.vertex as usize], path[piece.vertex as usize + 1], point);
                let offset_m = foot.distance_m(point);
                let better = match &best {
                    None => offset_m <= within_m,
                    Some((d, p, _)) => (offset_m, piece.edge, piece.vertex) < (*d, p.edge, p.vertex),
                };
                if better {
                    best = Some((offset_m, piece, foot));
                }
            });
        }
        best.map(|(offset_m, piece, at)| {
            let path = paths.row(piece.edge as usize);
            let vertex = piece.vertex as usize;
            let along_m = way_length_m(&path[..=vertex]) + path[vertex].distance_m(at);
            let length_m = edges[piece.edge as usize].length_m;
            Foot { edge: piece.edge, along_m: along_m.min(length_m), at, offset_m }
        })
    }

    fn each_in_ring(&self, column: i64, row: i64, ring: i64, mut f: impl FnMut(Piece)) {
        let rows = (row - ring).max(0)..=(row + ring).min(self.rows - 1);
        for r in rows {
            let whole = (r - row).abs() == ring;
            let step = if whole || ring == 0 { 1 } else { 2 * ring };
            let mut c = column - ring;
            while c <= column + ring {
                if (0..self.columns).contains(&c) {
                    let cell = (r * self.columns + c) as usize;
                    self.pieces.row(cell).iter().for_each(|&p| f(p));
                }
                c += step;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use rand::{RngExt, SeedableRng};

    use super::{SegmentIndex, nearest_on};
    use crate::frame::{Frame, GroundPoint, Traced};
    use crate::network::tests::{built, noding_only, tracks};
    use crate::network::{Network, NetworkSettings};
    use crate::record::{Line, LineKind, SourcePlace};

    /// Inside the lines' extent and far outside of it, near and far: as by measuring every segment.
    #[test]
    fn the_nearest_foot_is_that_of_measuring_every_segment() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(4);
        let frame = Frame::from_epsg(32755).unwrap();
        let mut at = |wide: f64| {
            GroundPoint::new(
                500_000.0 + rng.random_range(-wide..wide),
                6_100_000.0 + rng.random_range(-wide..wide),
            )
        };
        let lines: Vec<Traced<Line>> = (0..12)
            .map(|_| {
                let ground: Vec<GroundPoint> = (0..4).map(|_| at(900.0)).collect();
                let source = SourcePlace { file: Path::new("l.geojson").into(), index: 0, id: None };
                let what = Line {
                    kind: LineKind::Track,
                    name: None,
                    bridge: false,
                    tunnel: false,
                    layer: 0,
                    source,
                };
                Traced { what, path: ground.iter().map(|&p| frame.to_lonlat(p).unwrap()).collect(), ground }
            })
            .collect();
        let network = Network::build(&lines, &[], &NetworkSettings::default()).unwrap();
        let paths: Vec<Vec<GroundPoint>> =
            (0..network.edges().len() as u32).map(|e| network.path(e).to_vec()).collect();
        for k in 0..400 {
            let point = at([400.0, 1500.0, 20_000.0][k % 3]);
            let feet = paths.iter().flat_map(|path| path.windows(2).map(|w| nearest_on(w[0], w[1], point)));
            let least_m = feet.map(|foot| foot.distance_m(point)).fold(f64::INFINITY, f64::min);
            let found = |within_m: f64| network.nearest_foot(point, within_m, |_| true);
            for wide in [1e-6, 0.5, 1e5] {
                let foot = found(least_m + wide).unwrap();
                assert!((foot.offset_m - least_m).abs() < 1e-9, "{point:?}");
                assert!((foot.at.distance_m(point) - least_m).abs() < 1e-9);
                // On the line itself a narrow look is enough.
                assert!(network.nearest_foot(foot.at, 0.01, |_| true).is_some(), "{point:?}");
            }
            assert!(found(least_m - 1e-6).is_none() && found(f64::NAN).is_none());
        }
    }

    /// What a segment passes: every place of it lies in a cell that holds it, and no cell that holds it lies
    /// apart from it.
    #[test]
    fn a_segment_is_in_the_cells_that_it_passes_and_no_others() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(9);
        let mut at =
            |wide: f64| (rng.random_range(-wide..wide) + 400.0, rng.random_range(-wide..wide) - 70.0);
        let mut paths: Vec<Vec<(f64, f64)>> = (0..40).map(|_| vec![at(300.0), at(300.0)]).collect();
        paths.extend([vec![(100.0, 7.0), (700.0, 7.0)], vec![(640.0, -370.0), (640.0, 230.0)]]);
        let network = built(&tracks(&paths), &noding_only());
        let index = SegmentIndex::new(&network.paths);
        let mut held = std::collections::HashSet::new();
        index.each_cell(&network.paths, &mut |cell, piece| {
            assert!(held.insert((cell, piece.edge, piece.vertex)), "once a cell");
        });
        assert!(index.columns > 3 && index.rows > 3);
        for edge in 0..network.edges().len() as u32 {
            for (vertex, w) in (0..).zip(network.path(edge).windows(2)) {
                for k in 0..=500 {
                    let p = w[0].lerp(w[1], f64::from(k) / 500.0);
                    let cell = (index.row(p.y_m) * index.columns + index.column(p.x_m)) as u32;
                    assert!(held.contains(&(cell, edge, vertex)), "{p:?}");
                }
            }
        }
        for &(cell, edge, vertex) in &held {
            let path = network.path(edge);
            let (a, b) = (path[vertex as usize], path[vertex as usize + 1]);
            let (row, column) = (i64::from(cell) / index.columns, i64::from(cell) % index.columns);
            let half_m = index.cell_m / 2.0;
            let middle = GroundPoint::new(
                index.west_m + column as f64 * index.cell_m + half_m,
                index.south_m + row as f64 * index.cell_m + half_m,
            );
            // Within the box of the segment, and on its line by the widest half of a cell across it.
            let length_m = a.distance_m(b);
            let (dx, dy) = ((b.x_m - a.x_m) / length_m, (b.y_m - a.y_m) / length_m);
            let off_m = (dx * (middle.y_m - a.y_m) - dy * (middle.x_m - a.x_m)).abs();
            assert!(off_m <= half_m * (dx.abs() + dy.abs()) + 1e-5, "{off_m} m off");
            let along_m = dx * (middle.x_m - a.x_m) + dy * (middle.y_m - a.y_m);
            assert!((-2.0 * half_m..=length_m + 2.0 * half_m).contains(&along_m));
        }
    }

    /// Short lines far from each other: most cells are empty, and the nearest foot lies rings away.
    #[test]
    fn the_nearest_foot_is_found_over_empty_cells() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(10);
        let paths: Vec<Vec<(f64, f64)>> = (0..70)
            .map(|_| {
                let (x, y) = (rng.random_range(0.0..3000.0), rng.random_range(-4000.0..-1000.0));
                vec![(x, y), (x + rng.random_range(-40.0..40.0), y + rng.random_range(-40.0..40.0))]
            })
            .collect();
        let network = built(&tracks(&paths), &noding_only());
        let index = SegmentIndex::new(&network.paths);
        assert!(index.columns > 8 && index.rows > 8);
        for k in 0..1500 {
            let wide = if k % 3 == 0 { 3000.0 } else { 1600.0 };
            let point = GroundPoint::new(
                1500.0 + rng.random_range(-wide..wide),
                -2500.0 + rng.random_range(-wide..wide),
            );
            let least_m = (0..network.edges().len() as u32)
                .flat_map(|e| network.path(e).windows(2))
                .map(|w| nearest_on(w[0], w[1], point).distance_m(point))
                .fold(f64::INFINITY, f64::min);
            let foot = network.nearest_foot(point, f64::INFINITY, |_| true).unwrap();
            assert!((foot.offset_m - least_m).abs() < 1e-9, "{} m, not {least_m} m", foot.offset_m);
        }
    }
}
