//! The coordinate system of a file: what the file says, what its layer in the plan says, and
//! what to ask for where neither does.

use std::path::Path;

use geo::MapCoords;
use geo_types::Coord;

use super::{FileError, Request};
use crate::files::RawShape;
use crate::frame::{FrameError, LonLat, System};

/// A centimetre on the ground in degrees, or a little less.
const CENTIMETRE_DEG: f64 = 1e-7;

/// What a file itself says of its system.
pub(super) enum Said {
    /// A system.
    System(System),
    /// Nothing, and the format does not settle it.
    Nothing,
    /// Nothing, and the format means WGS84 then.
    MeansWgs84,
}

impl Request<'_> {
    /// The system of the file. `sample` is a coordinate pair of it, for the question that is
    /// put where nobody says.
    pub(super) fn system(&self, said: Said, sample: Option<(f64, f64)>) -> Result<System, FileError> {
        let system = self.chosen(said, sample)?;
        if let Some(step) = system.coarse_step() {
            let note = format!(
                "is in {}, whose datum comes to WGS84 by {step}: such a step is good to some metres, in places to \
                 some tens; check a point that you know, or convert the file in a GIS with the grid of the country",
                system.name()
            );
            let mut notes = self.notes.borrow_mut();
            if !notes.contains(&note) {
                notes.push(note);
            }
        }
        Ok(system)
    }

    fn chosen(&self, said: Said, sample: Option<(f64, f64)>) -> Result<System, FileError> {
        let given = self.options.epsg.map(|epsg| self.known(System::from_epsg(epsg))).transpose()?;
        match (said, given) {
            (Said::System(own), Some(given)) if own.name() != given.name() && !same(&own, &given, sample) => {
                Err(self.wrong(format!(
                    "says that it is in {}, and its layer in the plan says {}; take epsg out of the layer",
                    own.name(),
                    given.name()
                )))
            }
            (Said::System(own), _) => Ok(own),
            (_, Some(given)) => Ok(given),
            (Said::MeansWgs84, None) => Ok(System::wgs84()),
            (Said::Nothing, None) => match self.sidecar()? {
                Some(system) => Ok(system),
                None => Err(self.ask(sample)),
            },
        }
    }

    /// The system of the `.prj` file beside the file, if there is one.
    fn sidecar(&self) -> Result<Option<System>, FileError> {
        let Some(prj) = beside(self.place, "prj") else { return Ok(None) };
        let bytes = std::fs::read(prj).map_err(|e| FileError::open(self.path, &e))?;
        let wkt = String::from_utf8_lossy(&bytes);
        if wkt.trim().is_empty() {
            return Ok(None);
        }
        self.known(System::from_wkt(&wkt)).map(Some)
    }

    /// A system, or the file's error.
    pub(super) fn known(&self, system: Result<System, FrameError>) -> Result<System, FileError> {
        system.map_err(|why| self.wrong(why.to_string()))
    }

    /// The question for the system, with the likely answer.
    fn ask(&self, sample: Option<(f64, f64)>) -> FileError {
        let degrees = sample.is_some_and(|(x, y)| LonLat::new(x, y).is_ok());
        let likely = match (degrees, self.options.likely_epsg) {
            (true, _) => {
                "; its coordinates look like WGS84 longitude and latitude, which is epsg = 4326".into()
            }
            (false, Some(epsg)) => {
                format!(
                    "; its coordinates look like metres, and the likely code is that of the job, epsg = {epsg}"
                )
            }
            (false, None) => {
                "; its coordinates look like metres: the code is in the notes of whoever made it \
                              (7849 to 7856 are MGA2020 zones 49 to 56, 28349 to 28356 the same in GDA94, \
                              2193 is NZTM2000, 32601 to 32760 are UTM zones)"
                    .into()
            }
        };
        self.wrong(format!(
            "does not say which coordinate system it is in (no .prj file lies beside it): write epsg = CODE in its \
             layer of the plan, or call with --input-epsg CODE={}{likely}",
            self.path.display()
        ))
    }
}

/// Whether two systems put a pair at the same place, to a centimetre.
fn same(a: &System, b: &System, sample: Option<(f64, f64)>) -> bool {
    let Some((x, y)) = sample else { return false };
    match (a.to_lonlat_deg(x, y), b.to_lonlat_deg(x, y)) {
        (Ok(p), Ok(q)) => (p.0 - q.0).abs() < CENTIMETRE_DEG && (p.1 - q.1).abs() < CENTIMETRE_DEG,
        _ => false,
    }
}

/// A shape brought to longitude and latitude.
pub(super) fn to_lonlat(shape: RawShape, system: &System) -> RawShape {
    if system.is_lonlat() {
        return shape;
    }
    match shape {
        RawShape::Shape(geometry) => {
            let moved = geometry.try_map_coords(|c| {
                let (x, y) = system.to_lonlat_deg(c.x, c.y)?;
                Ok::<_, FrameError>(Coord { x, y })
            });
            moved.map_or_else(|why| RawShape::Broken(format!("{why} ({})", system.name())), RawShape::Shape)
        }
        other => other,
    }
}

/// The file beside another that differs in its ending alone, in either case.
pub(super) fn beside(place: &Path, ending: &str) -> Option<std::path::PathBuf> {
    [ending.to_lowercase(), ending.to_uppercase()]
        .into_iter()
        .map(|e| place.with_extension(e))
        .find(|path| path.is_file())
}
