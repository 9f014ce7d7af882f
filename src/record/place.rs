//! Places that a person fixes beforehand, and what is known of the country around.

use std::sync::Arc;

use geo_types::MultiPolygon;

use super::SourcePlace;

/// A place where a site must be. Its position is held beside it, in a
/// [`Placed`](crate::frame::Placed).
#[derive(Clone, PartialEq, Debug)]
pub struct FixedPlace {
    /// What it is called in messages.
    pub name: Arc<str>,
    /// The id that the site there has by now, if it is known.
    pub site_id: Option<Arc<str>>,
    /// Where it came from.
    pub source: SourcePlace,
}

/// Polygons in WGS84 longitude and latitude degrees that share a number.
#[derive(Clone, PartialEq, Debug)]
pub struct NumberedArea {
    /// The polygons, holes included.
    pub polygons: MultiPolygon<f64>,
    /// The number: finite.
    pub number: f64,
}
