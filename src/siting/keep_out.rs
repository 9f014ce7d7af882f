//! How far a place is from the keep-outs, on the ellipsoid.

use geo::{Contains, CoordsIter, LinesIter};
use geo_types::{Coord, Geometry, Point, Polygon};
use rstar::primitives::{GeomWithData, Line, Rectangle};
use rstar::{AABB, RTree};

use crate::frame::{LonLat, azimuth_deg, distance_m};
use crate::record::KeepOut;

/// Keeps the scale of longitudes off zero at the poles.
const LEAST_SCALE: f64 = 1e-6;

/// WGS84: semi-major axis in metres and first eccentricity squared.
const AXIS_M: f64 = 6_378_137.0;
const ECCENTRICITY_2: f64 = 0.006_694_379_990_141_316;

/// The nearest point of an edge is settled when it moves less than this along the edge.
const CONVERGED_M: f64 = 1e-4;

/// How near one keep-out is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Near {
    /// Index of the keep-out.
    pub keep_out: usize,
    /// Distance in metres on the ellipsoid; 0 inside a polygon.
    pub distance_m: f64,
    /// The keep-out's own distance in metres.
    pub limit_m: f64,
}

/// An edge in scaled metres, with its keep-out and its ends in degrees.
type IndexedEdge = GeomWithData<Line<[f64; 2]>, (u32, Coord<f64>, Coord<f64>)>;
/// A box in scaled metres, with the polygon it holds.
type IndexedBox = GeomWithData<Rectangle<[f64; 2]>, u32>;

/// The keep-outs, indexed.
///
/// An edge between two positions is straight in longitude and latitude (RFC 7946,
/// section 3.1.1). Distances are geodesic (Karney 2013), to a tenth of a millimetre for
/// edges up to some tens of kilometres. An index in degrees, scaled roughly to metres and
/// with a margin for that, finds what may be near; only that is measured.
pub struct KeepOuts {
    names: Vec<String>,
    limits_m: Vec<f64>,
    widest_m: f64,
    origin: Coord<f64>,
    /// Scaled distances may be short by this factor.
    margin: f64,
    edges: RTree<IndexedEdge>,
    inner: RTree<IndexedBox>,
    polygons: Vec<(u32, Polygon<f64>)>,
}

impl KeepOuts {
    /// Indexes keep-outs.
    pub fn new(keep_outs: &[KeepOut]) -> Self {
        let features: Vec<(&Geometry<f64>, f64)> =
            keep_outs.iter().map(|k| (&k.geometry, k.distance_m)).collect();
        let name = |k: &KeepOut| {
            let own = k.name.as_ref().or(k.reason.as_ref());
            own.map_or_else(|| k.source.to_string(), ToString::to_string)
        };
        Self { names: keep_outs.iter().map(name).collect(), ..Self::of(&features) }
    }

    /// Indexes features without names, each with its distance in metres.
    pub fn of(features: &[(&Geometry<f64>, f64)]) -> Self {
        let corners: Vec<Coord<f64>> = features.iter().flat_map(|(g, _)| g.coords_iter()).collect();
        let (low, high) = corners.iter().fold((90.0_f64, -90.0_f64), |(l, h), c| (l.min(c.y), h.max(c.y)));
        let lon = corners.first().map_or(0.0, |c| c.x);
        let origin = Coord { x: lon, y: (low + high) / 2.0 };
        // One degree beyond on both sides, for the places that are measured from.
        let (low, high) = ((low - 1.0).max(-89.0).to_radians(), (high + 1.0).min(89.0).to_radians());
        let scales = [low.cos(), high.cos(), origin.y.to_radians().cos()];
        let widest = scales.iter().copied().fold(0.0, f64::max).max(LEAST_SCALE);
        let narrowest = scales.iter().copied().fold(1.0, f64::min).max(LEAST_SCALE);
        let mut index = Self {
            names: Vec::new(),
            limits_m: features.iter().map(|(_, m)| *m).collect(),
            widest_m: features.iter().map(|(_, m)| *m).fold(0.0, f64::max),
            origin,
            margin: 1.02 * widest / narrowest,
            edges: RTree::new(),
            inner: RTree::new(),
            polygons: Vec::new(),
        };
        let (mut edges, mut inner) = (Vec::new(), Vec::new());
        for (i, (geometry, _)) in features.iter().enumerate() {
            index.take_apart(geometry, i as u32, &mut edges, &mut inner);
        }
        index.edges = RTree::bulk_load(edges);
        index.inner = RTree::bulk_load(inner);
        index
    }

    fn take_apart(
        &mut self,
        geometry: &Geometry<f64>,
        of: u32,
        edges: &mut Vec<IndexedEdge>,
        inner: &mut Vec<IndexedBox>,
    ) {
        let mut edge = |a: Coord<f64>, b: Coord<f64>| {
            let line = Line::new(self.scaled(a), self.scaled(b));
            edges.push(GeomWithData::new(line, (of, a, b)));
        };
        match geometry {
            Geometry::Point(p) => edge(p.0, p.0),
            Geometry::MultiPoint(points) => points.iter().for_each(|p| edge(p.0, p.0)),
            Geometry::Line(l) => edge(l.start, l.end),
            Geometry::LineString(path) => path.lines().for_each(|l| edge(l.start, l.end)),
            Geometry::MultiLineString(paths) => {
                paths.lines_iter().for_each(|l| edge(l.start, l.end));
            }
            Geometry::Polygon(polygon) => {
                polygon.lines_iter().for_each(|l| edge(l.start, l.end));
                let corners = polygon.exterior().coords().map(|&c| self.scaled(c));
                let envelope = corners.fold(None, |e: Option<AABB<[f64; 2]>>, c| match e {
                    None => Some(AABB::from_point(c)),
                    Some(e) => Some(AABB::from_corners(
                        [e.lower()[0].min(c[0]), e.lower()[1].min(c[1])],
                        [e.upper()[0].max(c[0]), e.upper()[1].max(c[1])],
                    )),
                });
                if let Some(envelope) = envelope {
                    inner.push(GeomWithData::new(Rectangle::from(envelope), self.polygons.len() as u32));
                    self.polygons.push((of, polygon.clone()));
                }
            }
            Geometry::MultiPolygon(polygons) => {
                for polygon in polygons {
                    self.take_apart(&Geometry::Polygon(polygon.clone()), of, edges, inner);
                }
            }
            Geometry::GeometryCollection(parts) => {
                for part in parts {
                    self.take_apart(part, of, edges, inner);
                }
            }
            Geometry::Rect(rect) => {
                self.take_apart(&Geometry::Polygon(rect.to_polygon()), of, edges, inner);
            }
            Geometry::Triangle(triangle) => {
                self.take_apart(&Geometry::Polygon(triangle.to_polygon()), of, edges, inner);
            }
        }
    }

    /// Roughly metres east and north of the origin; longitudes are taken the short way.
    fn scaled(&self, c: Coord<f64>) -> [f64; 2] {
        let (east_m, north_m) = metres_per_degree(self.origin.y);
        [short_way(c.x - self.origin.x) * east_m, (c.y - self.origin.y) * north_m]
    }

    /// What a keep-out is called in messages: its name, its reason, or where it came from.
    pub fn name(&self, keep_out: usize) -> &str {
        self.names.get(keep_out).map_or("without a name", String::as_str)
    }

    /// The keep-out that a place violates most: the one with the greatest lack of distance
    /// among those nearer than their limit plus `error_m`, and those that hold it. `None` if
    /// all are far enough.
    pub fn violated(&self, place: LonLat, error_m: f64) -> Option<Near> {
        self.violations(place, error_m).into_iter().max_by(|a, b| {
            let lack = |n: &Near| n.limit_m - n.distance_m;
            lack(a).total_cmp(&lack(b)).then(b.keep_out.cmp(&a.keep_out))
        })
    }

    /// Every keep-out that a place violates, by number.
    pub fn violations(&self, place: LonLat, error_m: f64) -> Vec<Near> {
        let mut near = self.within(place, self.widest_m + error_m);
        near.retain(|near| near.distance_m < near.limit_m + error_m || near.distance_m == 0.0);
        near
    }

    /// Every keep-out within a distance in metres, each once, by number.
    pub fn within(&self, place: LonLat, reach_m: f64) -> Vec<Near> {
        let at = self.scaled(coord(place));
        let wide = reach_m * self.margin + 1.0;
        let mut found: Vec<(u32, f64)> = self
            .edges
            .locate_within_distance(at, wide * wide)
            .map(|edge| (edge.data.0, distance_to_edge_m(place, edge.data.1, edge.data.2)))
            .chain(self.holding(place).map(|of| (of, 0.0)))
            .collect();
        found.sort_by(|a, b| a.0.cmp(&b.0).then(a.1.total_cmp(&b.1)));
        found.dedup_by_key(|(of, _)| *of);
        found.into_iter().filter(|&(_, d)| d <= reach_m).map(|(of, d)| self.near(of, d)).collect()
    }

    /// The nearest keep-out; `None` if there is none at all.
    pub fn nearest(&self, place: LonLat) -> Option<Near> {
        let inside = self.holding(place).min().map(|of| (of, 0.0));
        let mut best: Option<(u32, f64)> = inside;
        let at = self.scaled(coord(place));
        for (edge, distance_2) in self.edges.nearest_neighbor_iter_with_distance_2(&at) {
            if best.is_some_and(|(_, d)| distance_2.sqrt() > d * self.margin + 1.0) {
                break;
            }
            let measured = (edge.data.0, distance_to_edge_m(place, edge.data.1, edge.data.2));
            if best.is_none_or(|b| (measured.1, measured.0) < (b.1, b.0)) {
                best = Some(measured);
            }
        }
        best.map(|(of, d)| self.near(of, d))
    }

    fn near(&self, of: u32, distance_m: f64) -> Near {
        Near { keep_out: of as usize, distance_m, limit_m: self.limits_m[of as usize] }
    }

    /// The keep-outs of the polygons that hold a place.
    pub fn holding(&self, place: LonLat) -> impl Iterator<Item = u32> + '_ {
        let at = self.scaled(coord(place));
        self.inner.locate_all_at_point(&at).filter_map(move |envelope| {
            let (of, polygon) = &self.polygons[envelope.data as usize];
            // Into the polygon's own turn of longitude.
            let lon = polygon.exterior().coords().next().map_or(0.0, |c| c.x);
            let here = Point::new(lon + short_way(place.lon_deg() - lon), place.lat_deg());
            polygon.contains(&here).then_some(*of)
        })
    }
}

fn coord(place: LonLat) -> Coord<f64> {
    Coord { x: place.lon_deg(), y: place.lat_deg() }
}

/// A difference of longitudes in −180..180.
fn short_way(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}

/// Metres a degree of longitude and of latitude measure at a latitude on the ellipsoid.
fn metres_per_degree(lat_deg: f64) -> (f64, f64) {
    let (sin, cos) = lat_deg.to_radians().sin_cos();
    let w2 = 1.0 - ECCENTRICITY_2 * sin * sin;
    let prime_vertical = AXIS_M / w2.sqrt();
    let meridional = AXIS_M * (1.0 - ECCENTRICITY_2) / (w2 * w2.sqrt());
    ((prime_vertical * cos).to_radians(), meridional.to_radians())
}

/// Geodesic distance in metres from a place to an edge straight in longitude and latitude.
///
/// The nearest share of the edge is found in the plane tangent at the place, then corrected
/// until the geodesic meets the edge at a right angle or the edge ends.
pub fn distance_to_edge_m(place: LonLat, a: Coord<f64>, b: Coord<f64>) -> f64 {
    let (dx, dy) = (short_way(b.x - a.x), b.y - a.y);
    let at = |t: f64| {
        let lon = short_way(a.x + dx * t);
        LonLat::new(lon, (a.y + dy * t).clamp(-90.0, 90.0)).unwrap_or(place)
    };
    let (east_m, north_m) = metres_per_degree(place.lat_deg());
    let (ex, ey) = (dx * east_m, dy * north_m);
    let (px, py) = (short_way(place.lon_deg() - a.x) * east_m, (place.lat_deg() - a.y) * north_m);
    let length_2 = ex * ex + ey * ey;
    if length_2 == 0.0 {
        return distance_m(place, at(0.0));
    }
    let mut t = ((px * ex + py * ey) / length_2).clamp(0.0, 1.0);
    let mut best = distance_m(place, at(t));
    for _ in 0..8 {
        let here = at(t);
        let (east_m, north_m) = metres_per_degree(here.lat_deg());
        let (ex, ey) = (dx * east_m, dy * north_m);
        let heading = ex.atan2(ey);
        let along_m = best * (azimuth_deg(here, place).to_radians() - heading).cos();
        let next = (t + along_m / ex.hypot(ey)).clamp(0.0, 1.0);
        if (next - t).abs() * ex.hypot(ey) < CONVERGED_M {
            break;
        }
        t = next;
        best = best.min(distance_m(place, at(t)));
    }
    best
}

#[cfg(test)]
mod tests {
    use geo_types::{LineString, polygon};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::record::SourcePlace;

    fn keep_out(geometry: Geometry<f64>, distance_m: f64) -> KeepOut {
        let source = SourcePlace { file: std::path::Path::new("k.geojson").into(), index: 0, id: None };
        KeepOut { geometry, distance_m, reason: None, name: None, source }
    }

    fn place(lon: f64, lat: f64) -> LonLat {
        LonLat::new(lon, lat).unwrap()
    }

    /// The least geodesic distance over a dense sampling, refined around its minimum.
    fn by_sampling(from: LonLat, a: Coord<f64>, b: Coord<f64>) -> f64 {
        let at = |t: f64| place(short_way(a.x + short_way(b.x - a.x) * t), a.y + (b.y - a.y) * t);
        let (mut low, mut high) = (0.0_f64, 1.0_f64);
        let mut best = f64::INFINITY;
        for _ in 0..12 {
            let step = (high - low) / 20.0;
            let (d, t) = (0..=20)
                .map(|k| low + step * f64::from(k))
                .map(|t| (distance_m(from, at(t)), t))
                .min_by(|p, q| p.0.total_cmp(&q.0))
                .unwrap();
            best = best.min(d);
            (low, high) = ((t - step).max(0.0), (t + step).min(1.0));
        }
        best
    }

    #[test]
    fn distance_to_an_edge_is_that_of_its_nearest_point() {
        let mut rng = ChaCha8Rng::seed_from_u64(3);
        for _ in 0..200 {
            let lat = rng.random_range(-60.0..60.0);
            let lon: f64 = rng.random_range(-180.0..180.0);
            let mut near = |by: f64| Coord {
                x: short_way(lon + rng.random_range(-by..by)),
                y: lat + rng.random_range(-by..by),
            };
            let (a, b) = (near(0.1), near(0.1));
            let from = near(0.05);
            let from = place(from.x, from.y);
            let (ours, sampled) = (distance_to_edge_m(from, a, b), by_sampling(from, a, b));
            assert!((ours - sampled).abs() < 1e-3, "{ours} {sampled}");
        }
    }

    #[test]
    fn inside_a_polygon_is_no_distance_and_a_hole_is_outside() {
        let square = polygon![
            exterior: [(x: 148.0, y: -35.0), (x: 148.01, y: -35.0), (x: 148.01, y: -34.99), (x: 148.0, y: -34.99)],
            interiors: [[(x: 148.004, y: -34.996), (x: 148.006, y: -34.996), (x: 148.006, y: -34.994), (x: 148.004, y: -34.994)]],
        ];
        let keep_outs = KeepOuts::new(&[keep_out(square.into(), 0.0)]);
        assert_eq!(keep_outs.nearest(place(148.002, -34.998)).unwrap().distance_m, 0.0);
        let hole = keep_outs.nearest(place(148.005, -34.995)).unwrap();
        assert!((80.0..120.0).contains(&hole.distance_m), "{hole:?}");
        assert!(keep_outs.violated(place(148.002, -34.998), 0.5).is_some());
    }

    #[test]
    fn the_index_finds_what_measuring_everything_finds() {
        let mut rng = ChaCha8Rng::seed_from_u64(4);
        let mut features = Vec::new();
        for _ in 0..60 {
            let (lon, lat) = (rng.random_range(-0.2..0.2), rng.random_range(-0.2..0.2));
            let mut corner = || {
                let lon: f64 = 179.95 + lon + rng.random_range(-0.01..0.01);
                (short_way(lon), -35.0 + lat + rng.random_range(-0.01..0.01))
            };
            let path = LineString::from(vec![corner(), corner(), corner()]);
            features.push(keep_out(path.into(), rng.random_range(10.0..3000.0)));
        }
        let keep_outs = KeepOuts::new(&features);
        for _ in 0..100 {
            let lon: f64 = 179.95 + rng.random_range(-0.3..0.3);
            let at = place(short_way(lon), -35.0 + rng.random_range(-0.3..0.3));
            let distance_to = |k: &KeepOut| {
                let Geometry::LineString(path) = &k.geometry else { unreachable!() };
                path.lines().map(|l| distance_to_edge_m(at, l.start, l.end)).fold(f64::INFINITY, f64::min)
            };
            let nearest = features.iter().map(distance_to).fold(f64::INFINITY, f64::min);
            assert!((keep_outs.nearest(at).unwrap().distance_m - nearest).abs() < 1e-6);
            let violated = features.iter().any(|k| distance_to(k) < k.distance_m + 10.0);
            assert_eq!(keep_outs.violated(at, 10.0).is_some(), violated);
        }
    }
}
