//! The coordinate system of an input, and the way from it to WGS84 longitude and latitude.

use proj4rs::Proj;
use proj4rs::transform::transform;

use super::FrameError;
use super::datum::{self, Datum};

/// A coordinate system that coordinates of an input are in.
///
/// WGS84, GDA2020, NZGD2000, ETRS89 and NAD83 are taken as one datum, as receivers and maps
/// do; GDA94 is turned to GDA2020 with the seven published parameters (1.5 to 1.8 m). A datum
/// that needs a grid file is refused.
///
/// ```
/// use stakeline::frame::System;
/// let mga = System::from_epsg(7855).unwrap();
/// let (lon, lat) = mga.to_lonlat_deg(500_000.0, 6_126_956.935_571_456).unwrap();
/// assert!((lon - 147.0).abs() < 1e-9 && (lat + 35.0).abs() < 1e-9);
/// assert!(System::from_epsg(20255).is_err()); // AGD66 needs a grid file
/// ```
pub struct System {
    name: String,
    way: Way,
    step: Option<String>,
}

/// How coordinates come to WGS84.
enum Way {
    /// They are there.
    Same,
    /// Through a projection, a change of datum, or both.
    Through { from: Box<Proj>, lonlat: Box<Proj> },
}

impl System {
    /// WGS84 longitude and latitude in degrees.
    pub fn wgs84() -> Self {
        Self { name: "WGS84".into(), way: Way::Same, step: None }
    }

    /// The system of an EPSG code, geographic (degrees) or projected (any linear unit).
    ///
    /// # Errors
    /// [`FrameError::UnknownEpsg`]; [`FrameError::NeedsGrid`] and
    /// [`FrameError::UnknownDatum`] for a datum that cannot be converted here.
    pub fn from_epsg(epsg: u32) -> Result<Self, FrameError> {
        Self::from_definition(format!("EPSG:{epsg}"), &definition(epsg)?)
    }

    /// The system that a text in WKT 1, WKT 2 or the dialect of `.prj` files describes.
    /// An EPSG code of the whole system goes before its parameters.
    ///
    /// # Errors
    /// As [`System::from_epsg`]; [`FrameError::Definition`] for a text that cannot be used.
    pub fn from_wkt(wkt: &str) -> Result<Self, FrameError> {
        let wkt = wkt.trim().trim_start_matches('\u{feff}');
        if let Some(system) = datum::epsg_of_wkt(wkt).and_then(|code| Self::from_epsg(code).ok()) {
            return Ok(system);
        }
        let name = datum::first_name(wkt).unwrap_or_else(|| "the system described".into());
        let datum_name = datum::datum_of_wkt(wkt);
        let fail = |why: String| FrameError::Definition { name: name.clone(), why };
        let plain = proj4wkt::wkt_to_projstring(wkt).map_err(|e| fail(e.to_string()))?;
        let definition = match datum::known(datum_name.as_deref().unwrap_or_default()) {
            Some(Datum::NeedsGrid { datum, grid }) => {
                return Err(FrameError::NeedsGrid { system: name, datum, grid });
            }
            Some(Datum::Gda94) => datum::with_gda94(&plain),
            None if plain.contains("+towgs84") => plain,
            None => {
                let datum = datum_name.unwrap_or_else(|| "unnamed".into());
                return Err(FrameError::UnknownDatum { system: name, datum });
            }
        };
        Self::from_definition(name, &definition)
    }

    fn from_definition(name: String, definition: &str) -> Result<Self, FrameError> {
        let fail = |name: &str, why: String| FrameError::Definition { name: name.to_string(), why };
        let from = Proj::from_proj_string(definition).map_err(|e| fail(&name, e.to_string()))?;
        if from.is_geocent() {
            return Err(fail(&name, "it is geocentric".into()));
        }
        if from.is_latlong() && datum::is_wgs84(definition) {
            return Ok(Self { name, way: Way::Same, step: None });
        }
        let lonlat = wgs84_proj()?;
        let way = Way::Through { from: Box::new(from), lonlat: Box::new(lonlat) };
        Ok(Self { name, way, step: datum::coarse_step(definition) })
    }

    /// What the system is called: `EPSG:7855`, or the name in its description.
    pub fn name(&self) -> &str {
        &self.name
    }

    /// The step from the datum of the system to WGS84, where it is one of few parameters that is
    /// good to some metres only; as a definition of the PROJ kind writes it.
    pub fn coarse_step(&self) -> Option<&str> {
        self.step.as_deref()
    }

    /// Whether coordinates are WGS84 longitude and latitude as they stand.
    pub fn is_lonlat(&self) -> bool {
        matches!(self.way, Way::Same)
    }

    /// WGS84 longitude and latitude in degrees of a coordinate pair, east (or longitude)
    /// first. Nothing is checked where the pair is longitude and latitude already.
    ///
    /// # Errors
    /// [`FrameError::Coordinate`] for a pair that the system cannot hold.
    pub fn to_lonlat_deg(&self, x: f64, y: f64) -> Result<(f64, f64), FrameError> {
        let Way::Through { from, lonlat } = &self.way else { return Ok((x, y)) };
        let outside = FrameError::Coordinate { x, y, why: "lies outside its coordinate system" };
        let mut p = if from.is_latlong() { (x.to_radians(), y.to_radians(), 0.0) } else { (x, y, 0.0) };
        match transform(from, lonlat, &mut p) {
            Ok(()) if p.0.is_finite() && p.1.is_finite() => Ok((p.0.to_degrees(), p.1.to_degrees())),
            _ => Err(outside),
        }
    }
}

/// The definition of an EPSG code with the datum's way to WGS84 in it.
pub(super) fn definition(epsg: u32) -> Result<String, FrameError> {
    let code = u16::try_from(epsg).map_err(|_| FrameError::UnknownEpsg(epsg))?;
    let found = crs_definitions::from_code(code).ok_or(FrameError::UnknownEpsg(epsg))?;
    datum::completed(epsg, found.proj4)
}

pub(super) fn wgs84_proj() -> Result<Proj, FrameError> {
    Proj::from_proj_string("+proj=longlat +datum=WGS84 +no_defs").map_err(|_| FrameError::UnknownEpsg(4326))
}
