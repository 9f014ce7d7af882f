//! Readers. The format is told by content first and by the file's ending second.

mod csv;
mod geojson;
mod gpx;
mod input;
mod raster;

use std::io;
use std::path::{Path, PathBuf};

use sha2::{Digest, Sha256};

use super::RawFeature;
use input::Input;
pub use raster::{LonLatBox, MAX_CELLS, Placement, RasterFile, RasterSystem, read_raster};

/// Why a file could not be read.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum FileError {
    /// The file is missing, a folder, or not readable.
    #[error("{}: cannot be read: {why}", path.display())]
    Open {
        /// The file.
        path: PathBuf,
        /// What the system says.
        why: String,
    },
    /// The text is not in an encoding that this format allows.
    #[error("{}: is not UTF-8 text ({why}); save it as UTF-8", path.display())]
    Encoding {
        /// The file.
        path: PathBuf,
        /// What was found.
        why: String,
    },
    /// The content breaks the rules of its format.
    #[error("{}: {what}", path.display())]
    Format {
        /// The file.
        path: PathBuf,
        /// What is wrong, where, and what to do.
        what: String,
    },
}

impl FileError {
    fn format(path: &Path, what: impl Into<String>) -> Self {
        FileError::Format { path: path.to_path_buf(), what: what.into() }
    }

    fn encoding(path: &Path, why: impl Into<String>) -> Self {
        FileError::Encoding { path: path.to_path_buf(), why: why.into() }
    }

    fn open(path: &Path, error: &io::Error) -> Self {
        let why = match error.kind() {
            io::ErrorKind::NotFound => "no such file".to_string(),
            io::ErrorKind::PermissionDenied => "permission denied".to_string(),
            io::ErrorKind::IsADirectory => "it is a folder".to_string(),
            _ => error.to_string(),
        };
        FileError::Open { path: path.to_path_buf(), why }
    }
}

/// Which features of a file that holds several kinds are wanted. Only GPX does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ReadAs {
    /// Points: GPX waypoints.
    Points,
    /// Lines: GPX tracks, then routes.
    Lines,
    /// Rows: a CSV file needs no columns for a place; otherwise as points.
    Rows,
}

/// What a reader says of a file when it has read it to the end.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct ReadReport {
    /// Features passed on.
    pub features: usize,
    /// SHA-256 of the file's bytes, in hexadecimal.
    pub sha256: String,
}

/// Reads the file that lies at `place` and passes each feature on as it comes, so that memory
/// does not grow with the file. Byte-order marks are skipped. `path` is the name by which
/// messages and features call the file.
///
/// # Errors
/// [`FileError`] for the whole file: missing, not text, not the format it seems to be, cut
/// short. Faults of single features are left to the one who takes them.
pub fn read_features(
    place: &Path,
    path: &Path,
    read_as: ReadAs,
    take: &mut dyn FnMut(RawFeature),
) -> Result<ReadReport, FileError> {
    let mut input = Input::open(place, path)?;
    let features = match sniff(path, input.head()) {
        Some(Format::GeoJson) => geojson::read(path, &mut input, take)?,
        Some(Format::Csv) => csv::read(path, &mut input, read_as, take)?,
        Some(Format::Gpx) => gpx::read(path, &mut input, read_as, take)?,
        None => {
            return Err(FileError::format(
                path,
                "is not GeoJSON, CSV or GPX, as far as its content and its ending tell",
            ));
        }
    };
    Ok(ReadReport { features, sha256: input.finish(path)? })
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

enum Format {
    GeoJson,
    Csv,
    Gpx,
}

fn sniff(path: &Path, head: &[u8]) -> Option<Format> {
    let ending = path.extension().and_then(|e| e.to_str()).unwrap_or("").to_lowercase();
    let text = String::from_utf8_lossy(head);
    match text.trim_start().as_bytes().first() {
        Some(b'{' | b'[') => Some(Format::GeoJson),
        Some(b'<') if text.contains("<gpx") => Some(Format::Gpx),
        _ => match ending.as_str() {
            "json" | "geojson" => Some(Format::GeoJson),
            "gpx" => Some(Format::Gpx),
            "csv" | "tsv" | "txt" => Some(Format::Csv),
            _ => None,
        },
    }
}

pub(super) fn hex(bytes: &[u8]) -> String {
    bytes.iter().map(|b| format!("{b:02x}")).collect()
}
