//! Rasters: GeoTIFF with one band of numbers, whole or the part that a place needs.
//!
//! Strips and tiles, classic and BigTIFF, either byte order; uncompressed, deflate, LZW,
//! PackBits, Zstandard and LERC; integer and floating samples of 8 to 64 bits; predictors 1, 2
//! and 3. After the OGC GeoTIFF Standard 1.1 (19-008r4). With the cargo feature `gdal`, whatever
//! else GDAL reads.

mod cells;
mod georeference;
#[cfg(feature = "gdal")]
mod other;
mod sample;
#[cfg(test)]
mod tests;

use std::fs::File;
use std::io::{self, BufRead, BufReader, Read};
use std::path::Path;

use sha2::{Digest, Sha256};
use tiff_reader::{Ifd, OpenOptions, TiffFile};

use super::{FileError, hex};
use crate::frame::LonLat;
pub use georeference::{Placement, RasterSystem};

/// Most cells that are taken into memory at once: 1 GB of values.
pub const MAX_CELLS: usize = 1 << 28;

/// How TIFF and BigTIFF begin, in either byte order.
const TIFF_MARKS: [&[u8; 4]; 4] = [b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"];

#[cfg(not(feature = "gdal"))]
const NO_TIFF: &str = "is no GeoTIFF, the one raster format that is read here; save it as one, or build the program \
                       with --features gdal";
#[cfg(feature = "gdal")]
const NO_TIFF: &str = "is no GeoTIFF, and GDAL does not take it for a raster either";

/// A box in degrees on WGS84, edges included.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct LonLatBox {
    /// The south-western corner.
    pub south_west: LonLat,
    /// The north-eastern corner.
    pub north_east: LonLat,
}

/// A raster of one band, or the part of it that was asked for.
#[derive(Debug)]
pub struct RasterFile {
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
    /// The cells, row by row from the north-west; NaN where there is no value. Scale and
    /// offset of the band are applied. Numbers are rounded to 24 significant bits.
    pub values: Vec<f32>,
    /// Where the cells lie, in the numbers of the coordinate system.
    pub placement: Placement,
    /// The coordinate system.
    pub system: RasterSystem,
    /// Metres in one unit of height, where the file names a unit of height.
    pub height_unit_m: Option<f64>,
    /// SHA-256 of the file's bytes, in hexadecimal.
    pub sha256: String,
}

/// Reads a raster (a GeoTIFF; with the cargo feature `gdal` any that GDAL reads) that lies at `place` and is called `path` in messages.
///
/// With `within`, only the cells that cover the box and two more on every side are read, so
/// that a raster of a whole state costs no more than the property in it. Time and memory go
/// with the cells read (7 bytes each at most on the way), but for the SHA-256, which goes over the
/// whole file.
///
/// # Errors
/// [`FileError`] for a file that is missing or no TIFF, has several bands, samples or a
/// compression that are not read, keeps missing cells in a mask, does not say where its cells
/// lie or in which coordinate system, is turned or sheared, is larger than [`MAX_CELLS`], or
/// does not meet the box.
pub fn read_raster(place: &Path, path: &Path, within: Option<&LonLatBox>) -> Result<RasterFile, FileError> {
    let (hash, cells) = rayon::join(|| hash_of(place, path), || read_cells(place, path, within));
    let sha256 = hash?;
    Ok(RasterFile { sha256, ..cells? })
}

fn hash_of(place: &Path, path: &Path) -> Result<String, FileError> {
    let fail = |e: io::Error| FileError::open(path, &e);
    let mut file = BufReader::with_capacity(1 << 18, File::open(place).map_err(fail)?);
    let mut hash = Sha256::new();
    loop {
        let bytes = file.fill_buf().map_err(fail)?;
        if bytes.is_empty() {
            return Ok(hex(&hash.finalize()));
        }
        hash.update(bytes);
        let used = bytes.len();
        file.consume(used);
    }
}

fn read_cells(place: &Path, path: &Path, within: Option<&LonLatBox>) -> Result<RasterFile, FileError> {
    let fail = |what: String| FileError::format(path, what);
    let broken = |e: tiff_reader::TiffError| fail(format!("cannot be read as a TIFF: {e}"));
    let mut head = [0; 4];
    let mut file = File::open(place).map_err(|e| FileError::open(path, &e))?;
    let is_tiff = file.read_exact(&mut head).is_ok() && TIFF_MARKS.contains(&&head);
    #[cfg(feature = "gdal")]
    if let Some(dataset) = Some(place).filter(|_| !is_tiff).and_then(other::open) {
        return other::read(&dataset, path, within);
    }
    if !is_tiff {
        return Err(fail(NO_TIFF.into()));
    }
    let options =
        OpenOptions { block_cache_bytes: 0, decode_output_bytes: MAX_CELLS * 8, ..OpenOptions::default() };
    let tiff = TiffFile::open_with_options(place, options).map_err(broken)?;
    let image = tiff.ifd(0).map_err(broken)?;
    refuse_what_is_not_one_band(&tiff, image).map_err(fail)?;
    let (columns, rows) = (image.width() as usize, image.height() as usize);
    let (placement, system) = georeference::of(image, rows).map_err(fail)?;
    let part = part_of(&placement, &system, within, rows, columns).map_err(fail)?;
    let values = cells::read(&tiff, image, &part, &placement).map_err(fail)?;
    Ok(RasterFile {
        columns: part.columns,
        rows: part.rows,
        values,
        placement: placement.starting_at(part.row, part.column),
        height_unit_m: georeference::height_unit_m(image),
        system,
        sha256: String::new(),
    })
}

/// The part of an image that is read, counted from the north-west.
struct Part {
    row: usize,
    column: usize,
    rows: usize,
    columns: usize,
}

/// The part that is to be read.
fn part_of(
    placement: &Placement,
    system: &RasterSystem,
    within: Option<&LonLatBox>,
    rows: usize,
    columns: usize,
) -> Result<Part, String> {
    let part = match within {
        None => Part { row: 0, column: 0, rows, columns },
        Some(within) => part_within(placement, system, within, rows, columns).ok_or_else(|| {
            format!("covers none of the place: it holds {}", placement.words(rows, columns))
        })?,
    };
    match part.rows.saturating_mul(part.columns) > MAX_CELLS {
        true => Err(format!(
            "has {} by {} cells where {MAX_CELLS} in all are read; cut out the part that is needed, \
             or make its cells larger",
            part.columns, part.rows
        )),
        false => Ok(part),
    }
}

/// The cells that cover a box and two more on every side; nothing where they do not meet.
fn part_within(
    placement: &Placement,
    system: &RasterSystem,
    within: &LonLatBox,
    rows: usize,
    columns: usize,
) -> Option<Part> {
    const EDGE_STEPS: usize = 8;
    const SPARE: f64 = 2.0;
    let (sw, ne) = (within.south_west, within.north_east);
    let at = |i: usize, from: f64, to: f64| from + (to - from) * i as f64 / EDGE_STEPS as f64;
    let mut bounds: Option<[f64; 4]> = None;
    for i in 0..=EDGE_STEPS {
        for j in 0..=EDGE_STEPS {
            let lon = at(i, sw.lon_deg(), ne.lon_deg());
            let lat = at(j, sw.lat_deg(), ne.lat_deg());
            let Some((x, y)) = LonLat::new(lon, lat).ok().and_then(|p| system.of(p)) else { continue };
            let (column, row) = placement.cell_of(x, y);
            let [c0, c1, r0, r1] = bounds.unwrap_or([column, column, row, row]);
            bounds = Some([c0.min(column), c1.max(column), r0.min(row), r1.max(row)]);
        }
    }
    let [c0, c1, r0, r1] = bounds?;
    let span = |low: f64, high: f64, size: usize| {
        let first = (low.floor() - SPARE).max(0.0);
        let end = (high.floor() + 1.0 + SPARE).min(size as f64);
        (end > first).then_some((first as usize, (end - first) as usize))
    };
    let (column, columns) = span(c0, c1, columns)?;
    let (row, rows) = span(r0, r1, rows)?;
    Some(Part { row, column, rows, columns })
}

fn refuse_what_is_not_one_band(tiff: &TiffFile, image: &Ifd) -> Result<(), String> {
    const TAG_SUBFILE: u16 = 254;
    const MASK: u64 = 4;
    let bands = image.samples_per_pixel();
    if bands != 1 {
        return Err(format!(
            "has {bands} bands; only rasters of one band are read, so save the one that is meant"
        ));
    }
    let is_mask =
        |ifd: &Ifd| ifd.tag(TAG_SUBFILE).and_then(|t| t.value.as_u64()).is_some_and(|k| k & MASK != 0);
    if tiff.ifds().iter().any(is_mask) {
        return Err(
            "keeps its missing cells in a mask, which is not read; save it with a no-data value".into()
        );
    }
    Ok(())
}
