//! What every reader yields.

use super::Properties;
use crate::record::SourcePlace;
use geo_types::Geometry;

/// The shape of a feature as the file has it: coordinates are meant as WGS84 longitude and
/// latitude in degrees, but nothing is checked yet.
#[derive(Clone, PartialEq, Debug)]
pub enum RawShape {
    /// A geometry of the right structure.
    Shape(Geometry<f64>),
    /// No geometry, which RFC 7946 allows.
    Null,
    /// A geometry that is not one; the text says why.
    Broken(String),
}

/// One feature, row or waypoint of an input file.
#[derive(Clone, PartialEq, Debug)]
pub struct RawFeature {
    /// Its shape.
    pub shape: RawShape,
    /// Its properties.
    pub properties: Properties,
    /// Where it came from.
    pub source: SourcePlace,
}
