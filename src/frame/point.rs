//! The two kinds of coordinate, as types that cannot be mixed up.

use std::fmt;

use super::FrameError;

/// A place on the WGS84 ellipsoid: longitude and latitude in degrees.
///
/// Longitude lies in −180..=180, latitude in −90..=90; both are finite. That is
/// checked once, here, so nothing downstream needs to ask again.
///
/// ```
/// use stakeline::frame::LonLat;
/// let gate = LonLat::new(148.2, -35.4).unwrap();
/// assert_eq!(gate.lat_deg(), -35.4);
/// assert!(LonLat::new(-35.4, 148.2).is_err()); // swapped axes
/// ```
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LonLat {
    lon_deg: f64,
    lat_deg: f64,
}

impl LonLat {
    /// A checked place from longitude and latitude in degrees.
    ///
    /// # Errors
    /// [`FrameError::Coordinate`] with the likely mistake: not a number, metres
    /// given as degrees, swapped axes, or simply out of range.
    pub fn new(lon_deg: f64, lat_deg: f64) -> Result<Self, FrameError> {
        let fault = if !lon_deg.is_finite() || !lat_deg.is_finite() {
            Some("is not a number")
        } else if lon_deg.abs() <= 180.0 && lat_deg.abs() <= 90.0 {
            None
        } else if lon_deg.abs() <= 90.0 && lat_deg.abs() <= 180.0 {
            Some("has latitude and longitude swapped (GeoJSON wants longitude first)")
        } else if lon_deg.abs() > 1000.0 || lat_deg.abs() > 1000.0 {
            Some("looks like metres, not degrees (GeoJSON wants WGS84 longitude and latitude)")
        } else {
            Some("is outside longitude ±180 and latitude ±90")
        };
        match fault {
            Some(why) => Err(FrameError::Coordinate { x: lon_deg, y: lat_deg, why }),
            None => Ok(Self { lon_deg, lat_deg }),
        }
    }

    /// Longitude in degrees, east positive.
    pub fn lon_deg(self) -> f64 {
        self.lon_deg
    }

    /// Latitude in degrees, north positive.
    pub fn lat_deg(self) -> f64 {
        self.lat_deg
    }
}

impl fmt::Display for LonLat {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:.7}, {:.7}", self.lon_deg, self.lat_deg)
    }
}

/// A place in the job's metric frame: metres east and north of the frame's origin.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct GroundPoint {
    /// Easting in metres.
    pub x_m: f64,
    /// Northing in metres.
    pub y_m: f64,
}

impl GroundPoint {
    /// A point from easting and northing in metres.
    pub const fn new(x_m: f64, y_m: f64) -> Self {
        Self { x_m, y_m }
    }

    /// Straight-line frame distance in metres.
    pub fn distance_m(self, other: Self) -> f64 {
        (self.x_m - other.x_m).hypot(self.y_m - other.y_m)
    }

    /// The point a share `t` of the way from here to `other` (0 is here, 1 is there).
    pub fn lerp(self, other: Self, t: f64) -> Self {
        Self::new(self.x_m + (other.x_m - self.x_m) * t, self.y_m + (other.y_m - self.y_m) * t)
    }

    /// Grid bearing from here to `other`: degrees clockwise from grid north, in 0..360.
    /// Two equal points give 0.
    pub fn grid_bearing_deg(self, other: Self) -> f64 {
        (other.x_m - self.x_m).atan2(other.y_m - self.y_m).to_degrees().rem_euclid(360.0)
    }
}

/// Length of a polyline in frame metres.
pub fn path_length_m(path: &[GroundPoint]) -> f64 {
    path.iter().zip(path.iter().skip(1)).map(|(a, &b)| a.distance_m(b)).sum()
}

/// A thing with its place, in both coordinates. The frame point is computed once, when
/// the job is built.
#[derive(Clone, PartialEq, Debug)]
pub struct Placed<T> {
    /// The thing.
    pub what: T,
    /// Its place on the ellipsoid.
    pub at: LonLat,
    /// Its place in the job's frame.
    pub ground: GroundPoint,
}

/// A thing with its way, in both coordinates: two vectors of equal length, at least two
/// places.
#[derive(Clone, PartialEq, Debug)]
pub struct Traced<T> {
    /// The thing.
    pub what: T,
    /// Its way on the ellipsoid.
    pub path: Vec<LonLat>,
    /// Its way in the job's frame.
    pub ground: Vec<GroundPoint>,
}
