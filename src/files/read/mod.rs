//! Readers. The format is told by content first and by the file's ending second; every
//! reader yields coordinates in WGS84 longitude and latitude, converted where the file or its
//! layer in the plan names another system.

mod camtrap;
mod csv;
mod error;
mod format;
mod geojson;
mod geopackage;
mod gpx;
mod input;
mod kml;
mod locate;
#[cfg(feature = "gdal")]
mod other;
#[cfg(feature = "parquet")]
mod parquet;
mod raster;
mod shapefile;
mod sqlite;
mod system;
mod wkb;

use std::cell::RefCell;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::RawFeature;
pub use error::FileError;
use format::Format;
use input::Input;
pub(crate) use locate::pointed_feature;
pub use raster::{LonLatBox, MAX_CELLS, Placement, RasterFile, RasterSystem, read_raster};

/// Which features of a file that holds several kinds are wanted.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ReadAs {
    /// Points: GPX waypoints, the records of a camera data package.
    Points,
    /// Lines: GPX tracks, then routes.
    Lines,
    /// Polygons: of a GPX, tracks and routes.
    Areas,
    /// All of them: of a GPX waypoints, tracks and routes; of a file of several layers the one
    /// that is named, and none by its kind.
    All,
    /// Rows: a CSV file needs no columns for a place; otherwise as points.
    Rows,
}

/// How a file is to be read.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ReadOptions {
    /// Which features of a file that holds several kinds are wanted.
    pub read_as: ReadAs,
    /// EPSG code of the system that the coordinates are in, for a file that does not say.
    pub epsg: Option<u32>,
    /// The layer wanted of a file that holds several.
    pub layer: Option<String>,
    /// EPSG code to name as the likely one where a file does not say its own.
    pub likely_epsg: Option<u32>,
    /// Whether people's safety hangs on the file: what is not understood then spoils its feature
    /// or the file, where it is otherwise set aside and noted.
    pub strict: bool,
}

impl From<ReadAs> for ReadOptions {
    fn from(read_as: ReadAs) -> Self {
        Self { read_as, epsg: None, layer: None, likely_epsg: None, strict: false }
    }
}

/// What a reader says of a file when it has read it to the end.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ReadReport {
    /// Features passed on.
    pub features: usize,
    /// SHA-256 of the file's bytes, in hexadecimal; of a format of several files, of their
    /// bytes one after the other.
    pub sha256: String,
    /// What was odd in the file, in words, each once.
    pub notes: Vec<String>,
}

/// One reading: where the file lies, what it is called, how it is read.
struct Request<'a> {
    place: &'a Path,
    path: &'a Path,
    options: &'a ReadOptions,
    /// What is odd about the file's coordinate systems, each once.
    notes: RefCell<Vec<String>>,
}

impl<'a> Request<'a> {
    fn new(place: &'a Path, path: &'a Path, options: &'a ReadOptions) -> Self {
        Self { place, path, options, notes: RefCell::default() }
    }

    fn wrong(&self, what: impl Into<String>) -> FileError {
        FileError::format(self.path, what)
    }
}

/// Where features go.
type Take<'t> = &'t mut dyn FnMut(RawFeature);

/// Reads the file that lies at `place` and passes each feature on as it comes, so that memory
/// does not grow with the file. `path` is the name by which messages and features call it.
/// A folder is read as the camera data package that it holds.
///
/// Formats: GeoJSON and its newline-delimited form, CSV, GPX, KML, KMZ, Shapefile,
/// GeoPackage, Camtrap DP; with the cargo feature `parquet`, GeoParquet; with the cargo feature
/// `gdal`, whatever else GDAL reads.
///
/// # Errors
/// [`FileError`] for the whole file: missing, not text, not the format it seems to be, cut
/// short, in a coordinate system that is not said or cannot be converted. Faults of single
/// features are left to the one who takes them.
pub fn read_features(
    place: &Path,
    path: &Path,
    options: impl Into<ReadOptions>,
    take: Take,
) -> Result<ReadReport, FileError> {
    let options = options.into();
    let package = place.join(camtrap::DESCRIPTOR);
    let place: PathBuf = if package.is_file() { package } else { place.to_path_buf() };
    let request = Request::new(&place, path, &options);
    let mut input = Input::open(&place, path)?;
    let mut notes = Vec::new();
    let format = format::of(&request, input.head());
    #[cfg(feature = "gdal")]
    let format = format.or_else(|why| if other::opens(&request) { Ok(Format::Other) } else { Err(why) });
    let format = format?;
    if format.is_text() {
        input.expect_text(path)?;
    }
    let features = match format {
        Format::GeoJson => geojson::read(&request, &mut input, take)?,
        Format::Csv => csv::read(&request, &mut input, take, &mut notes)?,
        Format::Gpx => gpx::read(&request, &mut input, take, &mut notes)?,
        Format::Kml => kml::read(&request, &mut input, take)?,
        Format::Kmz => kml::read_zipped(&request, take)?,
        Format::Shapefile => shapefile::read(&request, &mut input, take, &mut notes)?,
        Format::GeoPackage => geopackage::read(&request, &mut input, take, &mut notes)?,
        #[cfg(feature = "parquet")]
        Format::GeoParquet => parquet::read(&request, take)?,
        #[cfg(feature = "gdal")]
        Format::Other => other::read(&request, take, &mut notes)?,
        Format::Camtrap => camtrap::read(&request, &mut input, take, &mut notes)?,
    };
    notes.extend(request.notes.into_inner());
    Ok(ReadReport { features, sha256: input.finish(path)?, notes })
}

/// Reads a small text file (a plan, a table) whole, with its SHA-256 in hexadecimal. A
/// byte-order mark is taken off.
///
/// # Errors
/// [`FileError::Open`] and [`FileError::Encoding`].
pub fn read_text(path: &Path) -> Result<(String, String), FileError> {
    let bytes = std::fs::read(path).map_err(|e| FileError::open(path, &e))?;
    let sha256 = hex(&Sha256::digest(&bytes));
    let text = String::from_utf8(bytes).map_err(|e| {
        FileError::encoding(path, format!("byte {} is not valid", e.utf8_error().valid_up_to() + 1))
    })?;
    Ok((text.strip_prefix('\u{feff}').map(str::to_string).unwrap_or(text), sha256))
}

pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
