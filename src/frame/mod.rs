//! Places and the metric frame: [`LonLat`] on the ellipsoid, [`GroundPoint`] in metres,
//! the [`Frame`] that turns one into the other, and distances that do not depend on it.

mod ellipsoid;
mod ground;
mod point;

pub use ellipsoid::{azimuth_deg, destination, distance_m, path_length_geodesic_m, polygons_area_m2};
pub use ground::{Frame, ScaleError, utm_epsg_of};
pub use point::{GroundPoint, LonLat, Placed, Traced, path_length_m};

/// What can be wrong with a coordinate or a projected system.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum FrameError {
    /// A coordinate pair that is no place on the WGS84 ellipsoid.
    #[error("coordinate ({x}, {y}) {why}")]
    Coordinate {
        /// First number of the pair, meant as longitude.
        x: f64,
        /// Second number of the pair, meant as latitude.
        y: f64,
        /// The likely mistake.
        why: &'static str,
    },
    /// The EPSG code is not in the built-in table.
    #[error("EPSG:{0} is not a coordinate system known here")]
    UnknownEpsg(u32),
    /// The EPSG code is known, but is not projected in metres or needs a grid file.
    #[error(
        "EPSG:{epsg} {why}; choose a projected system in metres, or leave it out for the UTM zone of the place"
    )]
    NotMetric {
        /// The code asked for.
        epsg: u32,
        /// What it is instead.
        why: &'static str,
    },
    /// A place that the projected system cannot hold.
    #[error("({at}) lies outside what EPSG:{epsg} can hold")]
    OutOfReach {
        /// The place.
        at: LonLat,
        /// The code of the frame.
        epsg: u32,
    },
}
