//! Distances, azimuths and areas on the WGS84 ellipsoid.
//!
//! Geodesics after Karney (2013), J. Geodesy 87:43–55, doi:10.1007/s00190-012-0578-z,
//! through `geographiclib-rs`: better than 15 nanometres for any two places.

use std::sync::LazyLock;

use geo_types::MultiPolygon;
use geographiclib_rs::{DirectGeodesic, Geodesic, InverseGeodesic, PolygonArea, Winding};

use super::LonLat;

static WGS84: LazyLock<Geodesic> = LazyLock::new(Geodesic::wgs84);

/// Shortest distance between two places, in metres on the ellipsoid.
pub fn distance_m(a: LonLat, b: LonLat) -> f64 {
    WGS84.inverse(a.lat_deg(), a.lon_deg(), b.lat_deg(), b.lon_deg())
}

/// Azimuth of the geodesic from `a` to `b` at `a`: degrees clockwise from true north,
/// in 0..360. Two equal places give 0.
pub fn azimuth_deg(a: LonLat, b: LonLat) -> f64 {
    if a == b {
        return 0.0;
    }
    let (azi1, _azi2, _arc): (f64, f64, f64) =
        WGS84.inverse(a.lat_deg(), a.lon_deg(), b.lat_deg(), b.lon_deg());
    azi1.rem_euclid(360.0)
}

/// The place reached from `from` after `distance_m` metres along the geodesic that starts
/// at `azimuth_deg` degrees clockwise from true north.
pub fn destination(from: LonLat, azimuth_deg: f64, distance_m: f64) -> LonLat {
    let (lat, lon): (f64, f64) = WGS84.direct(from.lat_deg(), from.lon_deg(), azimuth_deg, distance_m);
    // The direct problem wraps longitude and bounds latitude itself.
    LonLat::new(lon, lat).unwrap_or(from)
}

/// Length of a way in metres on the ellipsoid.
pub fn path_length_geodesic_m(path: &[LonLat]) -> f64 {
    path.iter().zip(path.iter().skip(1)).map(|(&a, &b)| distance_m(a, b)).sum()
}

/// Area in square metres on the ellipsoid of polygons in longitude and latitude degrees.
/// Ring direction does not matter; holes are taken off.
pub fn polygons_area_m2(polygons: &MultiPolygon<f64>) -> f64 {
    let ring_area = |ring: &geo_types::LineString<f64>| {
        let mut area = PolygonArea::new(&WGS84, Winding::CounterClockwise);
        let open = ring.0.len().saturating_sub(usize::from(ring.is_closed()));
        for c in ring.0.iter().take(open) {
            area.add_point(c.y, c.x);
        }
        area.compute(true).1.abs()
    };
    polygons
        .0
        .iter()
        .map(|p| ring_area(p.exterior()) - p.interiors().iter().map(ring_area).sum::<f64>())
        .sum()
}
