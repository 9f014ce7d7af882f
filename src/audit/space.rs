//! Places as positions in space. Between two places of the ellipsoid a straight line through the
//! ground is never longer than the way over it, and shorter by very little: that bounds distances
//! from below without solving for geodesics, anywhere on earth, poles and antimeridian included.

use crate::frame::LonLat;

/// WGS84: semi-major axis in metres and first eccentricity squared (NGA.STND.0036).
const AXIS_M: f64 = 6_378_137.0;
const ECCENTRICITY_2: f64 = 0.006_694_379_990_141_316;

/// The least radius of curvature of the ellipsoid, that of the meridian at the equator, rounded down,
/// in metres.
const LEAST_RADIUS_M: f64 = 6_335_439.0;

/// The second derivatives of a position by longitude and latitude in radians are no longer than
/// this, in metres: N cos φ, M sin φ and √(M² + M′²), with M at most a²/b = 6,399,594 m and M′ at
/// most 3 e² M / 2.
const MOST_BEND_M: f64 = 6_400_100.0;

/// A position in metres from the centre of the ellipsoid.
pub(super) type Position = [f64; 3];

/// A place with its position.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Spot {
    pub at: LonLat,
    pub position: Position,
}

impl Spot {
    pub fn new(at: LonLat) -> Self {
        Self { at, position: position(at.lon_deg(), at.lat_deg()) }
    }
}

/// The position of a place on the ellipsoid.
pub(super) fn position(lon_deg: f64, lat_deg: f64) -> Position {
    let (sin_lon, cos_lon) = lon_deg.to_radians().sin_cos();
    let (sin_lat, cos_lat) = lat_deg.to_radians().sin_cos();
    let normal_m = AXIS_M / (1.0 - ECCENTRICITY_2 * sin_lat * sin_lat).sqrt();
    [normal_m * cos_lat * cos_lon, normal_m * cos_lat * sin_lon, normal_m * (1.0 - ECCENTRICITY_2) * sin_lat]
}

/// The straight line between two positions, in metres.
pub(super) fn chord_m(a: Position, b: Position) -> f64 {
    let [x, y, z] = [a[0] - b[0], a[1] - b[1], a[2] - b[2]];
    (x * x + y * y + z * z).sqrt()
}

/// The most that the way over the ground can measure where the straight line is `chord_m`: the arc
/// over that chord of the most curved circle. No geodesic is more curved, so none is longer (Schur's
/// theorem on arcs). The excess is chord³ / (24 r²): a hundredth of a millimetre at 2 km, 1 mm at
/// 10 km.
pub(super) fn longest_way_m(chord_m: f64) -> f64 {
    let half = chord_m / (2.0 * LEAST_RADIUS_M);
    if half < 1.0 { 2.0 * LEAST_RADIUS_M * half.asin() } else { f64::INFINITY }
}

/// The most by which an edge that is straight in longitude and latitude leaves its chord in space,
/// in metres, by the differences of its ends in degrees: an eighth of the greatest second
/// derivative.
pub(super) fn most_bulge_m(lon_deg: f64, lat_deg: f64) -> f64 {
    let whole = (lon_deg.abs() + lat_deg.abs()).to_radians();
    MOST_BEND_M * whole * whole / 8.0
}

/// The share of a segment in space at which it is nearest to a position, and how near, in metres.
pub(super) fn nearest_on(from: Position, a: Position, b: Position) -> (f64, f64) {
    let along = [b[0] - a[0], b[1] - a[1], b[2] - a[2]];
    let off = [from[0] - a[0], from[1] - a[1], from[2] - a[2]];
    let dot = |p: Position, q: Position| p[0] * q[0] + p[1] * q[1] + p[2] * q[2];
    let length_2 = dot(along, along);
    let t = if length_2 > 0.0 { (dot(off, along) / length_2).clamp(0.0, 1.0) } else { 0.0 };
    let at = [a[0] + along[0] * t, a[1] + along[1] * t, a[2] + along[2] * t];
    (t, chord_m(from, at))
}

/// A difference of longitudes the short way round, in −180..180.
pub(super) fn short_way_deg(degrees: f64) -> f64 {
    (degrees + 180.0).rem_euclid(360.0) - 180.0
}
