//! Which polygons hold a place: the count of edges that a ray to the east crosses.

use geo_types::Polygon;
use rstar::primitives::{GeomWithData, Rectangle};
use rstar::{AABB, RTree};

use super::space::short_way_deg;
use crate::frame::LonLat;

/// Edges in one band of latitude, about.
const EDGES_A_BAND: usize = 8;
/// Most bands of one polygon.
const MOST_BANDS: usize = 4096;

/// Polygons in longitude and latitude. A place is inside where a ray crosses the rings an odd number
/// of times, whichever way they run; holes are rings like any other.
///
/// Longitudes of a ring are followed the short way from corner to corner, so that one may pass the
/// antimeridian. Cost a question: the polygons whose boxes hold the place, and of each the edges in
/// one band of latitude.
pub(super) struct Inside {
    boxes: RTree<GeomWithData<Rectangle<[f64; 2]>, u32>>,
    polygons: Vec<Banded>,
}

struct Banded {
    feature: u32,
    south_deg: f64,
    /// Height of a band.
    step_deg: f64,
    edges: Vec<[f64; 4]>,
    bands: Vec<Vec<u32>>,
}

impl Inside {
    pub fn new(polygons: &[(u32, Polygon<f64>)]) -> Self {
        let mut boxes = Vec::with_capacity(polygons.len());
        let mut banded = Vec::with_capacity(polygons.len());
        for (feature, polygon) in polygons {
            let edges = unrolled(polygon);
            let ends = || edges.iter().flat_map(|&[x0, y0, x1, y1]| [[x0, y0], [x1, y1]]);
            let Some(first) = ends().next() else { continue };
            let (low, high) = ends().fold((first, first), |(low, high), [x, y]| {
                ([low[0].min(x), low[1].min(y)], [high[0].max(x), high[1].max(y)])
            });
            let area = Rectangle::from(AABB::from_corners(low, high));
            boxes.push(GeomWithData::new(area, banded.len() as u32));
            banded.push(Banded::new(*feature, edges, low[1], high[1]));
        }
        Self { boxes: RTree::bulk_load(boxes), polygons: banded }
    }

    /// The features of the polygons that hold a place, ascending, each once.
    pub fn holding(&self, at: LonLat) -> Vec<usize> {
        let mut found = Vec::new();
        for turn in [-360.0, 0.0, 360.0] {
            let here = [at.lon_deg() + turn, at.lat_deg()];
            let near = self.boxes.locate_all_at_point(&here).map(|b| &self.polygons[b.data as usize]);
            found.extend(near.filter(|p| p.holds(here)).map(|p| p.feature as usize));
        }
        found.sort_unstable();
        found.dedup();
        found
    }
}

impl Banded {
    fn new(feature: u32, edges: Vec<[f64; 4]>, south_deg: f64, north_deg: f64) -> Self {
        let count = (edges.len() / EDGES_A_BAND).clamp(1, MOST_BANDS);
        let mut banded = Self {
            feature,
            south_deg,
            step_deg: (north_deg - south_deg) / count as f64,
            edges,
            bands: vec![Vec::new(); count],
        };
        for k in 0..banded.edges.len() {
            let [_, y0, _, y1] = banded.edges[k];
            for band in banded.band(y0.min(y1))..=banded.band(y0.max(y1)) {
                banded.bands[band].push(k as u32);
            }
        }
        banded
    }

    fn band(&self, lat_deg: f64) -> usize {
        let share = if self.step_deg > 0.0 { (lat_deg - self.south_deg) / self.step_deg } else { 0.0 };
        (share.max(0.0) as usize).min(self.bands.len() - 1)
    }

    fn holds(&self, [x, y]: [f64; 2]) -> bool {
        let crosses = |&&k: &&u32| {
            let [x0, y0, x1, y1] = self.edges[k as usize];
            (y0 > y) != (y1 > y) && x < x0 + (y - y0) / (y1 - y0) * (x1 - x0)
        };
        self.bands[self.band(y)].iter().filter(crosses).count() % 2 == 1
    }
}

/// The edges of all rings, each ring's longitudes without a jump and holes in the turn of the outer
/// ring.
fn unrolled(polygon: &Polygon<f64>) -> Vec<[f64; 4]> {
    let mut edges = Vec::new();
    let Some(origin) = polygon.exterior().0.first() else { return edges };
    for ring in std::iter::once(polygon.exterior()).chain(polygon.interiors()) {
        let Some(first) = ring.0.first() else { continue };
        let mut x = origin.x + short_way_deg(first.x - origin.x);
        for step in ring.0.windows(2) {
            let next = x + short_way_deg(step[1].x - step[0].x);
            edges.push([x, step[0].y, next, step[1].y]);
            x = next;
        }
    }
    edges
}

#[cfg(test)]
mod tests {
    use geo_types::{LineString, Polygon, polygon};
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn holds(polygon: &Polygon<f64>, lon: f64, lat: f64) -> bool {
        !Inside::new(&[(0, polygon.clone())]).holding(LonLat::new(lon, lat).unwrap()).is_empty()
    }

    fn with_hole(at: f64) -> Polygon<f64> {
        let turn = |x: f64| short_way_deg(at + x);
        polygon![
            exterior: [(x: turn(0.0), y: -35.0), (x: turn(0.1), y: -35.0), (x: turn(0.1), y: -34.9), (x: turn(0.0), y: -34.9)],
            interiors: [[(x: turn(0.04), y: -34.96), (x: turn(0.06), y: -34.96), (x: turn(0.06), y: -34.94), (x: turn(0.04), y: -34.94)]],
        ]
    }

    #[test]
    fn a_hole_is_outside_here_and_over_the_antimeridian() {
        for at in [148.0, 179.97, 179.95, -180.0] {
            let polygon = with_hole(at);
            for (x, y, wanted) in [
                (0.02, -34.95, true),
                (0.05, -34.95, false),
                (0.08, -34.95, true),
                (0.05, -34.97, true),
                (-0.02, -34.95, false),
                (0.12, -34.95, false),
                (0.05, -34.89, false),
            ] {
                assert_eq!(holds(&polygon, short_way_deg(at + x), y), wanted, "{at} {x} {y}");
            }
        }
    }

    #[test]
    fn the_way_that_rings_run_does_not_matter() {
        let mut polygon = with_hole(148.0);
        polygon.exterior_mut(|ring| ring.0.reverse());
        polygon.interiors_mut(|rings| rings.iter_mut().for_each(|r| r.0.reverse()));
        assert!(holds(&polygon, 148.02, -34.95) && !holds(&polygon, 148.05, -34.95));
    }

    /// Against the sum of the angles under which a place sees the ring: a whole turn from inside.
    #[test]
    fn insides_are_those_of_the_winding_angle() {
        let mut random = ChaCha8Rng::seed_from_u64(8);
        let corners = 200;
        let star: Vec<(f64, f64)> = (0..corners)
            .map(|k| {
                let (sin, cos) = (std::f64::consts::TAU * f64::from(k) / f64::from(corners)).sin_cos();
                let r = random.random_range(0.2..1.0);
                (20.0 + r * cos, 10.0 + r * sin)
            })
            .collect();
        let polygon = Polygon::new(LineString::from(star), vec![]);
        let ring = polygon.exterior().0.clone();
        let mut held = 0;
        for _ in 0..2000 {
            let (x, y) = (random.random_range(18.9..21.1), random.random_range(8.9..11.1));
            let angle = |c: &geo_types::Coord<f64>| (c.y - y).atan2(c.x - x);
            let turns: f64 = ring
                .windows(2)
                .map(|w| {
                    let turn = angle(&w[1]) - angle(&w[0]);
                    (turn + std::f64::consts::PI).rem_euclid(std::f64::consts::TAU) - std::f64::consts::PI
                })
                .sum();
            assert_eq!(holds(&polygon, x, y), turns.abs() > 1.0, "{x} {y}");
            held += usize::from(turns.abs() > 1.0);
        }
        assert!((300..1700).contains(&held), "{held}");
    }
}
