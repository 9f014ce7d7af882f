//! Places where no station may stand, and the area that is under control.

use std::sync::Arc;

use geo_types::{Geometry, MultiPolygon};

use super::SourcePlace;

/// A feature with a distance inside which no station may stand. The distance is the
/// user's own, from permit and label; the project supplies none.
#[derive(Clone, PartialEq, Debug)]
pub struct KeepOut {
    /// Point, line or polygon in WGS84 longitude and latitude degrees, already checked.
    pub geometry: Geometry<f64>,
    /// The distance in metres, finite and not negative. Zero keeps out of the feature itself.
    pub distance_m: f64,
    /// Why, in the user's words.
    pub reason: Option<Arc<str>>,
    /// The feature's own name.
    pub name: Option<Arc<str>>,
    /// Where it came from.
    pub source: SourcePlace,
}

/// The ground under control: one or more polygons in WGS84 longitude and latitude degrees.
#[derive(Clone, PartialEq, Debug)]
pub struct Area {
    /// The polygons, holes included.
    pub polygons: MultiPolygon<f64>,
}
