//! GeoTIFF: one band of numbers, north up, square cells in metres.

use std::fs::File;
use std::io::BufReader;
use std::path::Path;

use tiff::decoder::{Decoder, DecodingResult, Limits};
use tiff::tags::Tag;

use super::FileError;

const TAG_MODEL_PIXEL_SCALE: u16 = 33550;
const TAG_MODEL_TIEPOINT: u16 = 33922;
const TAG_GEO_KEY_DIRECTORY: u16 = 34735;
const KEY_PROJECTED_SYSTEM: u16 = 3072;

/// A raster as a file holds it.
#[derive(Clone, PartialEq, Debug)]
pub struct RasterFile {
    /// Easting of the western edge in metres.
    pub west_m: f64,
    /// Northing of the northern edge in metres.
    pub north_m: f64,
    /// Side of a cell in metres.
    pub cell_m: f64,
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
    /// The cells, row by row from the north-west; NaN where there is no value.
    pub values: Vec<f32>,
    /// The projected system, where the file names one.
    pub epsg: Option<u32>,
}

/// Reads the first image of a GeoTIFF.
///
/// # Errors
/// [`FileError`] for a file that is missing, is no TIFF, holds no 32 or 64 bit floating
/// point band, or does not say where its cells lie.
pub fn read_geotiff(path: &Path) -> Result<RasterFile, FileError> {
    let file = File::open(path).map_err(|e| FileError::open(path, &e))?;
    let fail = |what: String| FileError::format(path, what);
    let broken = |e: tiff::TiffError| fail(format!("is not a TIFF that can be read: {e}"));
    let mut tiff = Decoder::new(BufReader::new(file)).map_err(broken)?.with_limits(Limits::unlimited());
    let (columns, rows) = tiff.dimensions().map_err(broken)?;
    let scale = tiff.find_tag(Tag::Unknown(TAG_MODEL_PIXEL_SCALE)).map_err(broken)?;
    let tie = tiff.find_tag(Tag::Unknown(TAG_MODEL_TIEPOINT)).map_err(broken)?;
    let (Some(scale), Some(tie)) = (scale, tie) else {
        return Err(fail("does not say where its cells lie (no pixel scale and tie point)".into()));
    };
    let (scale, tie) = (scale.into_f64_vec().map_err(broken)?, tie.into_f64_vec().map_err(broken)?);
    let (&[cell_m, cell_y_m, ..], &[column, row, _, x_m, y_m, ..]) = (scale.as_slice(), tie.as_slice())
    else {
        return Err(fail("has a pixel scale or tie point that is cut short".into()));
    };
    if !(cell_m > 0.0 && (cell_m - cell_y_m).abs() <= 1e-9 * cell_m) {
        return Err(fail(format!("has cells of {cell_m} by {cell_y_m}; only square cells are read")));
    }
    let values = match tiff.read_image().map_err(broken)? {
        DecodingResult::F32(values) => values,
        DecodingResult::F64(values) => values.into_iter().map(|v| v as f32).collect(),
        _ => return Err(fail("does not hold floating point numbers".into())),
    };
    let epsg = tiff.find_tag(Tag::Unknown(TAG_GEO_KEY_DIRECTORY)).map_err(broken)?;
    let epsg = epsg.and_then(|keys| keys.into_u16_vec().ok()).and_then(|keys| {
        keys.chunks_exact(4).skip(1).find(|k| k[0] == KEY_PROJECTED_SYSTEM).map(|k| u32::from(k[3]))
    });
    Ok(RasterFile {
        west_m: x_m - column * cell_m,
        north_m: y_m + row * cell_m,
        cell_m,
        columns: columns as usize,
        rows: rows as usize,
        values,
        epsg,
    })
}
