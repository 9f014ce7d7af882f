//! Features indexed in space: the nearest of them, and those within their own distances.

use geo_types::{Coord, Geometry, LineString, Polygon};
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

use super::edge::{Measured, Near};
use super::inside::Inside;
use super::space::{Spot, most_bulge_m, position, short_way_deg};
use crate::frame::LonLat;

/// So many edges in a row share a box: an eighth of the boxes, and most are passed by unseen.
const EDGES_A_RUN: usize = 8;

/// Some edges in a row of one feature: `coords[first..=last]`; a point if both are the same.
#[derive(Clone, Copy, Debug)]
struct Run {
    feature: u32,
    first: u32,
    last: u32,
}

type Boxed = GeomWithData<Rectangle<[f64; 3]>, Run>;

/// Features by their edges. Polygons hold what lies in them, holes left out.
///
/// Boxes are those of the positions in space, widened by what edges may bulge out of them, so that no
/// box is farther than what it holds. Cost: e log e to build for e edges; log e a question, and
/// the edges that are as near as the answer.
pub(super) struct Shapes {
    coords: Vec<Coord<f64>>,
    tree: RTree<Boxed>,
    inside: Inside,
}

/// A feature and how far it is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Found {
    /// Its number among those that were indexed.
    pub feature: usize,
    /// How far.
    pub measured: Measured,
}

impl Shapes {
    /// Indexes features; with `reach_m` their boxes are widened by so many metres, for
    /// [`Shapes::in_reach`].
    pub fn new<'g>(features: impl IntoIterator<Item = (&'g Geometry<f64>, f64)>) -> Self {
        let (mut coords, mut boxes, mut polygons) = (Vec::new(), Vec::new(), Vec::new());
        for (feature, (geometry, reach_m)) in features.into_iter().enumerate() {
            let mut take = |path: &[Coord<f64>]| {
                let first = coords.len();
                coords.extend_from_slice(path);
                boxes.extend(runs(&coords, first, feature as u32, reach_m));
            };
            take_apart(geometry, &mut take, &mut |p| polygons.push((feature as u32, p.clone())));
        }
        Self { coords, tree: RTree::bulk_load(boxes), inside: Inside::new(&polygons) }
    }

    /// The polygons that hold a place, by the numbers of their features, ascending.
    pub fn holding(&self, at: LonLat) -> Vec<usize> {
        self.inside.holding(at)
    }

    /// The nearest feature other than those that `skip` names.
    pub fn nearest(&self, from: &Spot, skip: impl Fn(usize) -> bool) -> Option<Found> {
        if let Some(feature) = self.holding(from.at).into_iter().find(|&f| !skip(f)) {
            return Some(Found { feature, measured: Measured::NOTHING });
        }
        self.nearest_edge(from, skip)
    }

    /// As [`Shapes::nearest`], but to the edge of a polygon also from within.
    pub fn nearest_edge(&self, from: &Spot, skip: impl Fn(usize) -> bool) -> Option<Found> {
        let mut near = Near::new(*from, f64::INFINITY);
        let mut feature = None;
        for (found, distance_2) in self.tree.nearest_neighbor_iter_with_distance_2(&from.position) {
            if distance_2.sqrt() > near.upper_m() {
                break;
            }
            let run = found.data;
            if !skip(run.feature as usize) && self.look(&mut near, run) {
                feature = Some(run.feature as usize);
            }
        }
        Some(Found { feature: feature?, measured: near.measured()? })
    }

    /// Every feature that holds the place or whose own reach does, ascending; some that are farther
    /// may be among them, with a distance that is too great.
    pub fn in_reach(&self, from: &Spot) -> Vec<Found> {
        let mut runs: Vec<Run> = self.tree.locate_all_at_point(&from.position).map(|b| b.data).collect();
        runs.sort_by_key(|run| (run.feature, run.first));
        let mut found: Vec<Found> = self
            .holding(from.at)
            .into_iter()
            .map(|feature| Found { feature, measured: Measured::NOTHING })
            .collect();
        for of_one in runs.chunk_by(|a, b| a.feature == b.feature) {
            let mut near = Near::new(*from, f64::INFINITY);
            for &run in of_one {
                self.look(&mut near, run);
            }
            let Some(feature) = of_one.first().map(|run| run.feature as usize) else { continue };
            if let Some(measured) = near.measured().filter(|_| found.iter().all(|f| f.feature != feature)) {
                found.push(Found { feature, measured });
            }
        }
        found.sort_by_key(|f| f.feature);
        found
    }

    fn look(&self, near: &mut Near, run: Run) -> bool {
        let coords = &self.coords[run.first as usize..=run.last as usize];
        match coords {
            [only] => near.look(*only, *only),
            // Every edge is looked at, also after one that is nearer was found.
            path => path.windows(2).filter(|edge| near.look(edge[0], edge[1])).count() > 0,
        }
    }
}

/// The boxes over the coordinates from `first` on, which are one path.
fn runs(coords: &[Coord<f64>], first: usize, feature: u32, reach_m: f64) -> Vec<Boxed> {
    let last = coords.len() - 1;
    let mut boxes = Vec::new();
    let mut start = first;
    loop {
        let end = (start + EDGES_A_RUN).min(last);
        let path = &coords[start..=end];
        let bulge = |w: &[Coord<f64>]| most_bulge_m(short_way_deg(w[1].x - w[0].x), w[1].y - w[0].y);
        let wide_m = reach_m + path.windows(2).map(bulge).fold(0.0, f64::max);
        let (mut low, mut high) = ([f64::INFINITY; 3], [f64::NEG_INFINITY; 3]);
        for c in path {
            for (axis, value) in position(c.x, c.y).into_iter().enumerate() {
                low[axis] = low[axis].min(value - wide_m);
                high[axis] = high[axis].max(value + wide_m);
            }
        }
        let run = Run { feature, first: start as u32, last: end as u32 };
        boxes.push(GeomWithData::new(Rectangle::from(AABB::from_corners(low, high)), run));
        if end == last {
            return boxes;
        }
        start = end;
    }
}

fn take_apart(
    geometry: &Geometry<f64>,
    path: &mut impl FnMut(&[Coord<f64>]),
    polygon: &mut impl FnMut(&Polygon<f64>),
) {
    let mut line = |l: &LineString<f64>| {
        if !l.0.is_empty() {
            path(&l.0);
        }
    };
    match geometry {
        Geometry::Point(p) => path(&[p.0]),
        Geometry::MultiPoint(points) => points.iter().for_each(|p| path(&[p.0])),
        Geometry::Line(l) => path(&[l.start, l.end]),
        Geometry::LineString(l) => line(l),
        Geometry::MultiLineString(lines) => lines.iter().for_each(line),
        Geometry::Polygon(p) => {
            line(p.exterior());
            p.interiors().iter().for_each(line);
            polygon(p);
        }
        Geometry::MultiPolygon(many) => {
            for p in many {
                line(p.exterior());
                p.interiors().iter().for_each(&mut line);
                polygon(p);
            }
        }
        Geometry::GeometryCollection(parts) => {
            for part in parts {
                take_apart(part, path, polygon);
            }
        }
        Geometry::Rect(r) => take_apart(&Geometry::Polygon(r.to_polygon()), path, polygon),
        Geometry::Triangle(t) => take_apart(&Geometry::Polygon(t.to_polygon()), path, polygon),
    }
}

#[cfg(test)]
mod tests {
    use geo_types::{Point, polygon};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::audit::distance_to_edge;

    /// Lines of up to forty corners and points, over the antimeridian.
    fn features(random: &mut ChaCha8Rng) -> Vec<(Geometry<f64>, f64)> {
        let mut near = |by: f64| random.random_range(-by..by);
        (0..60)
            .map(|k| {
                let (lon, lat) = (near(0.3), near(0.3));
                let mut corner = || (short_way_deg(179.95 + lon + near(0.02)), -35.0 + lat + near(0.02));
                let path: Vec<(f64, f64)> = (0..=k % 40).map(|_| corner()).collect();
                let shape = match path[..] {
                    [(x, y)] => Point::new(x, y).into(),
                    _ => LineString::from(path).into(),
                };
                (shape, 10.0 + 50.0 * f64::from(k))
            })
            .collect()
    }

    fn by_hand(from: LonLat, shape: &Geometry<f64>) -> f64 {
        match shape {
            Geometry::Point(p) => distance_to_edge(from, p.0, p.0).distance_m,
            Geometry::LineString(path) => {
                let all = path.lines().map(|l| distance_to_edge(from, l.start, l.end).distance_m);
                all.fold(f64::INFINITY, f64::min)
            }
            _ => unreachable!(),
        }
    }

    #[test]
    fn the_index_finds_what_measuring_every_edge_finds() {
        let mut random = ChaCha8Rng::seed_from_u64(21);
        let features = features(&mut random);
        let shapes = Shapes::new(features.iter().map(|(g, m)| (g, *m)));
        let mut reached = 0;
        for _ in 0..200 {
            let lon = short_way_deg(179.95 + random.random_range(-0.4..0.4));
            let at = LonLat::new(lon, -35.0 + random.random_range(-0.4..0.4)).unwrap();
            let far: Vec<f64> = features.iter().map(|(g, _)| by_hand(at, g)).collect();
            let nearest_m = far.iter().copied().fold(f64::INFINITY, f64::min);
            let found = shapes.nearest(&Spot::new(at), |_| false).unwrap();
            assert!((found.measured.distance_m - nearest_m).abs() < 1e-3, "{at}");
            let skipped = shapes.nearest(&Spot::new(at), |f| f == found.feature).unwrap();
            assert!(skipped.feature != found.feature);
            let wanted: Vec<usize> = (0..features.len()).filter(|&k| far[k] < features[k].1).collect();
            let all = shapes.in_reach(&Spot::new(at));
            let in_reach: Vec<&Found> =
                all.iter().filter(|f| f.measured.distance_m < features[f.feature].1).collect();
            assert_eq!(in_reach.iter().map(|f| f.feature).collect::<Vec<_>>(), wanted);
            for found in in_reach {
                assert!((found.measured.distance_m - far[found.feature]).abs() < 1e-3);
            }
            reached += wanted.len();
        }
        assert!(reached > 50, "{reached}");
    }

    #[test]
    fn inside_a_polygon_nothing_is_between_but_its_edge_is_somewhere() {
        let square: Geometry<f64> = polygon![
            (x: 148.0, y: -35.0), (x: 148.1, y: -35.0), (x: 148.1, y: -34.9), (x: 148.0, y: -34.9),
        ]
        .into();
        let shapes = Shapes::new([(&square, 0.0)]);
        let middle = Spot::new(LonLat::new(148.05, -34.95).unwrap());
        assert_eq!(shapes.nearest(&middle, |_| false).unwrap().measured, Measured::NOTHING);
        assert_eq!(shapes.in_reach(&middle).len(), 1, "far from its edge as well");
        let edge_m = shapes.nearest_edge(&middle, |_| false).unwrap().measured.distance_m;
        assert!((4500.0..4600.0).contains(&edge_m), "{edge_m}");
    }
}
