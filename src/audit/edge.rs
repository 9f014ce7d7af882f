//! How far a place is from an edge, on the ellipsoid, with a bound of the error that is kept.
//!
//! An edge is straight in longitude and latitude (RFC 7946, section 3.1.1), which is no geodesic, so
//! that methods for geodesic segments (Baselga & Martínez-Llario 2018) do not apply. It is cut
//! in halves until a piece is nearer to its chord in space than [`SETTLED_M`], or too far away to
//! matter. A piece is nowhere nearer than its chord less its bulge (see `space`), so that the least
//! of that over all pieces bounds the distance from below; the geodesic (Karney 2013) to the nearest
//! point found bounds it from above. Nothing is iterated that could stop early: both bounds hold.

use geo_types::Coord;

use super::space::{
    Position, Spot, chord_m, longest_way_m, most_bulge_m, nearest_on, position, short_way_deg,
};
use crate::frame::{LonLat, distance_m};

/// Pieces whose bulge is less than this are not cut further, in metres: a twentieth of the
/// centimetre to which places are written. Pieces are then up to 160 m long.
const SETTLED_M: f64 = 5e-4;

/// A distance on the ellipsoid that was measured.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Measured {
    /// The distance to the nearest point found, in metres: not less than the true one.
    pub distance_m: f64,
    /// The true distance is less by no more than this, in metres.
    pub error_m: f64,
}

impl Measured {
    /// Nothing lies between: the place is inside, or the same.
    pub const NOTHING: Measured = Measured { distance_m: 0.0, error_m: 0.0 };
}

/// The nearest point found so far on some edges.
#[derive(Clone, Copy, Debug)]
pub(super) struct Near {
    from: Spot,
    /// The nearest point, longitude and latitude in degrees.
    point: Option<(f64, f64)>,
    /// No edge looked at is nearer than this.
    lower_m: f64,
    /// Some edge is no farther than this.
    upper_m: f64,
}

impl Near {
    /// Nothing looked at, and nothing wanted from beyond `within_m`.
    pub fn new(from: Spot, within_m: f64) -> Self {
        Self { from, point: None, lower_m: f64::INFINITY, upper_m: within_m }
    }

    /// What lies farther than this in a straight line cannot be nearer.
    pub fn upper_m(&self) -> f64 {
        self.upper_m
    }

    /// Looks at one edge and says whether it holds the nearest point so far.
    pub fn look(&mut self, a: Coord<f64>, b: Coord<f64>) -> bool {
        let edge = Edge { a, lon_deg: short_way_deg(b.x - a.x), lat_deg: b.y - a.y };
        let before_m = self.upper_m;
        let had = self.point.is_some();
        self.halve(&edge, (0.0, position(a.x, a.y)), (1.0, edge.at(1.0).1));
        self.upper_m < before_m || (self.point.is_some() && !had)
    }

    fn halve(&mut self, edge: &Edge, start: (f64, Position), end: (f64, Position)) {
        let span = end.0 - start.0;
        let (share, straight_m) = nearest_on(self.from.position, start.1, end.1);
        let bulge_m = most_bulge_m(edge.lon_deg * span, edge.lat_deg * span);
        let least_m = (straight_m - bulge_m).max(0.0);
        if least_m > self.upper_m {
            return;
        }
        let t = start.0 + share * span;
        let (point, there) = edge.at(t);
        let most_m = longest_way_m(chord_m(self.from.position, there));
        if most_m < self.upper_m || (self.point.is_none() && most_m <= self.upper_m) {
            (self.upper_m, self.point) = (most_m, Some(point));
        }
        if bulge_m <= SETTLED_M {
            self.lower_m = self.lower_m.min(least_m);
            return;
        }
        let middle = start.0 + span / 2.0;
        let middle = (middle, edge.at(middle).1);
        if share < 0.5 {
            self.halve(edge, start, middle);
            self.halve(edge, middle, end);
        } else {
            self.halve(edge, middle, end);
            self.halve(edge, start, middle);
        }
    }

    /// The distance; `None` if no edge came within what was wanted.
    pub fn measured(&self) -> Option<Measured> {
        let (lon, lat) = self.point?;
        let there = LonLat::new(short_way_deg(lon), lat.clamp(-90.0, 90.0)).ok()?;
        let distance_m = distance_m(self.from.at, there);
        Some(Measured { distance_m, error_m: (distance_m - self.lower_m).max(0.0) })
    }
}

struct Edge {
    a: Coord<f64>,
    lon_deg: f64,
    lat_deg: f64,
}

impl Edge {
    /// The place at a share of the edge, in degrees and in space.
    fn at(&self, t: f64) -> ((f64, f64), Position) {
        let (lon, lat) = (self.a.x + self.lon_deg * t, self.a.y + self.lat_deg * t);
        ((lon, lat), position(lon, lat))
    }
}

/// Distance from a place to an edge that is straight in longitude and latitude.
///
/// ```
/// use geo_types::Coord;
/// use stakeline::audit::distance_to_edge;
/// use stakeline::frame::LonLat;
/// let hut = LonLat::new(148.2, -35.4).unwrap();
/// let found = distance_to_edge(hut, Coord { x: 148.1, y: -35.401 }, Coord { x: 148.3, y: -35.401 });
/// assert!((found.distance_m - 110.95).abs() < 0.1 && found.error_m < 0.001);
/// ```
pub fn distance_to_edge(from: LonLat, a: Coord<f64>, b: Coord<f64>) -> Measured {
    let mut near = Near::new(Spot::new(from), f64::INFINITY);
    near.look(a, b);
    near.measured().unwrap_or(Measured { distance_m: f64::INFINITY, error_m: 0.0 })
}

#[cfg(test)]
mod tests {
    use serde_json::Value;

    use super::*;

    fn place(v: &Value) -> (f64, f64) {
        (v[0].as_f64().unwrap(), v[1].as_f64().unwrap())
    }

    /// `tests/golden/audit/edges.py` says how they were made: sampling and pyproj's geodesics.
    #[test]
    fn distances_are_those_of_an_independent_search_within_their_own_bound() {
        let golden: Value =
            serde_json::from_str(include_str!("../../tests/golden/audit/edges.json")).unwrap();
        let cases = golden["cases"].as_array().unwrap();
        assert_eq!(cases.len(), 304);
        let mut worst_near_m = 0.0_f64;
        for case in cases {
            let [from, a, b] = ["place", "a", "b"].map(|key| place(&case[key]));
            let wanted_m = case["distance_m"].as_f64().unwrap();
            let coord = |(x, y)| Coord { x, y };
            let from = LonLat::new(from.0, from.1).unwrap();
            for (a, b) in [(a, b), (b, a)] {
                let found = distance_to_edge(from, coord(a), coord(b));
                // Not less than the truth, and by no more above it than is said.
                assert!(found.distance_m >= wanted_m - 1e-5, "{case} {found:?}");
                assert!(found.distance_m - found.error_m <= wanted_m + 1e-5, "{case} {found:?}");
                assert!(found.distance_m - wanted_m < 2e-3, "{case} {found:?}");
                if wanted_m < 5000.0 {
                    worst_near_m = worst_near_m.max(found.error_m);
                }
            }
        }
        // The bound is of use at the distances that are asked for.
        assert!(worst_near_m < 0.002, "{worst_near_m}");
    }

    #[test]
    fn what_lies_farther_than_wanted_is_not_measured() {
        let hut = Spot::new(LonLat::new(148.2, -35.4).unwrap());
        let mut near = Near::new(hut, 100.0);
        assert!(!near.look(Coord { x: 148.1, y: -35.401 }, Coord { x: 148.3, y: -35.401 }));
        assert_eq!(near.measured(), None);
        assert!(near.look(Coord { x: 148.1, y: -35.4005 }, Coord { x: 148.3, y: -35.4005 }));
        assert!((near.measured().unwrap().distance_m - 55.5).abs() < 0.1);
    }
}
