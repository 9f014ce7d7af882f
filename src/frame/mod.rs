//! Places and the metric frame: [`LonLat`] on the ellipsoid, [`GroundPoint`] in metres,
//! the [`Frame`] that turns one into the other, the [`System`] that an input is in, and distances that do not depend on it.

mod datum;
mod ellipsoid;
mod ground;
mod point;
mod system;
mod unfit;

pub use ellipsoid::{azimuth_deg, destination, distance_m, path_length_geodesic_m, polygons_area_m2};
pub use ground::{Frame, ScaleError, utm_epsg_of};
pub use point::{GroundPoint, LonLat, Placed, Traced, path_length_m};
pub use system::System;

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
    /// The datum of a system needs a grid file; guessing would be metres off.
    #[error(
        "{system} is on {datum}, which needs {grid} to come to WGS84; convert the data in a GIS that has it, to WGS84 or to the national system of today"
    )]
    NeedsGrid {
        /// The system.
        system: String,
        /// The datum.
        datum: &'static str,
        /// The grid file.
        grid: &'static str,
    },
    /// The way from the datum of a system to WGS84 is not known here.
    #[error(
        "{system} has a datum ({datum}) whose way to WGS84 is not known here; convert the data in a GIS, to WGS84"
    )]
    UnknownDatum {
        /// The system.
        system: String,
        /// The datum, or its ellipsoid.
        datum: String,
    },
    /// The definition of a system at hand goes against the EPSG registry.
    #[error(
        "EPSG:{epsg} is not read: its definition here ({step}) lies some {off_m} m from the way of the EPSG registry; convert the data in a GIS, to WGS84"
    )]
    Unfit {
        /// The code.
        epsg: u32,
        /// The datum step and projection of the definition.
        step: String,
        /// How far off it is, in metres.
        off_m: u32,
    },
    /// The description of a system cannot be used.
    #[error("the coordinate system \"{name}\" cannot be used: {why}; convert the data to WGS84")]
    Definition {
        /// What it calls itself.
        name: String,
        /// Why.
        why: String,
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
