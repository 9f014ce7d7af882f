//! The metric frame of a job: a projected system in metres.

use proj4rs::Proj;
use proj4rs::transform::transform;

use super::system::{definition, wgs84_proj};
use super::{FrameError, GroundPoint, LonLat, destination, distance_m};

/// By how much a unit may differ from a metre as it is written in definitions.
const ROUNDING: f64 = 1e-12;

/// A projected system in metres, and the way to it from WGS84 longitude and latitude.
///
/// Distances in it differ from distances on the ground by the frame's scale, which
/// [`Frame::scale_error`] measures. Keep-out distances are therefore verified on the
/// ellipsoid and never in the frame.
pub struct Frame {
    epsg: u32,
    lonlat: Proj,
    projected: Proj,
}

/// How far the frame's metres are from metres on the ground, over the places given.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ScaleError {
    /// The largest relative difference, as a share (0.001 is one in a thousand).
    pub worst: f64,
}

impl Frame {
    /// The frame of an EPSG code.
    ///
    /// # Errors
    /// [`FrameError::UnknownEpsg`]; [`FrameError::NotMetric`] for a system that is geographic
    /// or not in metres; [`FrameError::NeedsGrid`] and [`FrameError::UnknownDatum`] for one
    /// whose datum cannot be converted here.
    pub fn from_epsg(epsg: u32) -> Result<Self, FrameError> {
        let refuse = |why| FrameError::NotMetric { epsg, why };
        let definition = definition(epsg)?;
        if definition.contains("+nadgrids") {
            return Err(refuse("is a map of the web, whose metres are none"));
        }
        let projected = Proj::from_proj_string(&definition).map_err(|_| FrameError::UnknownEpsg(epsg))?;
        if projected.is_latlong() {
            return Err(refuse("is geographic: its units are degrees"));
        }
        if projected.is_geocent() {
            return Err(refuse("is geocentric"));
        }
        if (projected.to_meter() - 1.0).abs() > ROUNDING {
            return Err(refuse("is not in metres"));
        }
        let lonlat = wgs84_proj()?;
        Ok(Self { epsg, lonlat, projected })
    }

    /// The WGS84 UTM zone that holds a place.
    ///
    /// # Errors
    /// As [`Frame::from_epsg`]; none of these codes should ever fail.
    pub fn utm_for(centre: LonLat) -> Result<Self, FrameError> {
        Self::from_epsg(utm_epsg_of(centre))
    }

    /// The EPSG code.
    pub fn epsg(&self) -> u32 {
        self.epsg
    }

    /// From the ellipsoid to the frame.
    ///
    /// # Errors
    /// [`FrameError::OutOfReach`] where the projection gives no finite value.
    pub fn to_ground(&self, at: LonLat) -> Result<GroundPoint, FrameError> {
        let mut p = (at.lon_deg().to_radians(), at.lat_deg().to_radians(), 0.0);
        match transform(&self.lonlat, &self.projected, &mut p) {
            Ok(()) if p.0.is_finite() && p.1.is_finite() => Ok(GroundPoint::new(p.0, p.1)),
            _ => Err(FrameError::OutOfReach { at, epsg: self.epsg }),
        }
    }

    /// A whole way from the ellipsoid to the frame.
    ///
    /// # Errors
    /// [`FrameError::OutOfReach`] for the first place that fails.
    pub fn path_to_ground(&self, path: &[LonLat]) -> Result<Vec<GroundPoint>, FrameError> {
        path.iter().map(|&at| self.to_ground(at)).collect()
    }

    /// From the frame to the ellipsoid.
    ///
    /// # Errors
    /// [`FrameError::Coordinate`] where the point is outside the projected system.
    pub fn to_lonlat(&self, at: GroundPoint) -> Result<LonLat, FrameError> {
        let mut p = (at.x_m, at.y_m, 0.0);
        match transform(&self.projected, &self.lonlat, &mut p) {
            Ok(()) => LonLat::new(p.0.to_degrees(), p.1.to_degrees()),
            Err(_) => {
                Err(FrameError::Coordinate { x: at.x_m, y: at.y_m, why: "lies outside the projected system" })
            }
        }
    }

    /// The largest scale error over some places: frame metres against metres on the
    /// ellipsoid, along and across, over 100 m.
    ///
    /// # Errors
    /// [`FrameError::OutOfReach`] if a place cannot be projected.
    pub fn scale_error(&self, places: &[LonLat]) -> Result<ScaleError, FrameError> {
        let mut worst = 0.0_f64;
        for &at in places {
            for azimuth_deg in [0.0, 90.0] {
                let other = destination(at, azimuth_deg, 100.0);
                let frame_m = self.to_ground(at)?.distance_m(self.to_ground(other)?);
                worst = worst.max((frame_m / distance_m(at, other) - 1.0).abs());
            }
        }
        Ok(ScaleError { worst })
    }

    /// Meridian convergence at a place: the true azimuth of grid north, in degrees
    /// clockwise, in −180..180. True bearing = grid bearing + convergence.
    ///
    /// # Errors
    /// As the projections.
    pub fn convergence_deg(&self, at: GroundPoint) -> Result<f64, FrameError> {
        let here = self.to_lonlat(at)?;
        let north = self.to_lonlat(GroundPoint::new(at.x_m, at.y_m + 100.0))?;
        let azimuth = super::azimuth_deg(here, north);
        Ok(if azimuth > 180.0 { azimuth - 360.0 } else { azimuth })
    }
}

/// EPSG code of the WGS84 UTM zone that holds a place, with the usual exceptions for
/// south-west Norway and Svalbard; beyond 84° N and 80° S the polar stereographic system.
pub fn utm_epsg_of(centre: LonLat) -> u32 {
    let (lon, lat) = (centre.lon_deg(), centre.lat_deg());
    if lat > 84.0 {
        return 32661;
    }
    if lat < -80.0 {
        return 32761;
    }
    let mut zone = ((lon + 180.0) / 6.0).floor() as u32 % 60 + 1;
    if (56.0..64.0).contains(&lat) && (3.0..12.0).contains(&lon) {
        zone = 32;
    }
    if lat >= 72.0 && (0.0..42.0).contains(&lon) {
        zone = match lon {
            l if l < 9.0 => 31,
            l if l < 21.0 => 33,
            l if l < 33.0 => 35,
            _ => 37,
        };
    }
    zone + if lat >= 0.0 { 32600 } else { 32700 }
}
