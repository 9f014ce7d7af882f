//! The numbers of the cells.

use rayon::prelude::*;
use tiff_reader::{Ifd, TiffFile};

use super::Part;
use super::georeference::Placement;

const TAG_GDAL_METADATA: u16 = 42112;
const TAG_GDAL_NODATA: u16 = 42113;

/// The cells of a part from its north-west, NaN where there is no value.
pub(super) fn read(
    tiff: &TiffFile,
    image: &Ifd,
    part: &Part,
    placement: &Placement,
) -> Result<Vec<f32>, String> {
    let layout = image.raster_layout().map_err(|e| format!("has samples that are not read: {e}"))?;
    let first_row = if placement.south_up { layout.height - part.row - part.rows } else { part.row };
    let bytes = tiff
        .read_window_bytes(0, first_row, part.column, part.rows, part.columns)
        .map_err(|e| format!("is damaged or not read: {e}"))?;
    let meaning = Meaning::of(image);
    let mut values = match (layout.sample_format, layout.bits_per_sample) {
        (1, 8) => meaning.values(&bytes, |[b]: [u8; 1]| f64::from(b)),
        (1, 16) => meaning.values(&bytes, |b| f64::from(u16::from_ne_bytes(b))),
        (1, 32) => meaning.values(&bytes, |b| f64::from(u32::from_ne_bytes(b))),
        (1, 64) => meaning.values(&bytes, |b| u64::from_ne_bytes(b) as f64),
        (2, 8) => meaning.values(&bytes, |b| f64::from(i8::from_ne_bytes(b))),
        (2, 16) => meaning.values(&bytes, |b| f64::from(i16::from_ne_bytes(b))),
        (2, 32) => meaning.values(&bytes, |b| f64::from(i32::from_ne_bytes(b))),
        (2, 64) => meaning.values(&bytes, |b| i64::from_ne_bytes(b) as f64),
        (3, 32) => meaning.values(&bytes, |b| f64::from(f32::from_ne_bytes(b))),
        (3, 64) => meaning.values(&bytes, f64::from_ne_bytes),
        (_, bits) => return Err(format!("has samples of {bits} bits, which are not read")),
    };
    if meaning.no_data.is_some() {
        blank_blocks_never_written(image, first_row, part, &mut values);
    }
    if placement.south_up {
        flip(&mut values, part.columns);
    }
    Ok(values)
}

/// What the numbers of the band mean.
pub(super) struct Meaning {
    pub no_data: Option<f64>,
    pub scale: f64,
    pub offset: f64,
}

impl Meaning {
    fn of(image: &Ifd) -> Self {
        let text = |code: u16| image.tag(code).and_then(|t| t.value.as_str());
        let no_data = text(TAG_GDAL_NODATA).and_then(|t| t.trim_end_matches('\0').trim().parse().ok());
        let metadata = text(TAG_GDAL_METADATA).unwrap_or("");
        let role = |role: &str| item(metadata, role).filter(|n: &f64| n.is_finite());
        Self {
            no_data,
            scale: role("scale").filter(|&n| n != 0.0).unwrap_or(1.0),
            offset: role("offset").unwrap_or(0.0),
        }
    }

    /// A number as a value. A no-data value is compared at the precision of 32 bits, since files
    /// state it in more or fewer digits than their samples have.
    pub fn value(&self, raw: f64) -> f32 {
        let missing = self.no_data.is_some_and(|n| raw == n || raw as f32 == n as f32);
        if missing || !raw.is_finite() { f32::NAN } else { (raw * self.scale + self.offset) as f32 }
    }

    /// Numbers of `N` bytes each as values.
    fn values<const N: usize>(&self, bytes: &[u8], number: impl Fn([u8; N]) -> f64 + Sync) -> Vec<f32> {
        let value = |b: &[u8]| self.value(b.try_into().map_or(f64::NAN, &number));
        bytes.par_chunks_exact(N).with_min_len(1 << 14).map(value).collect()
    }
}

/// The number of the first band's metadata item with a role.
fn item(metadata: &str, role: &str) -> Option<f64> {
    let role = format!("role=\"{role}\"");
    let tag = metadata.split("<Item").find(|tag| tag.contains(&role))?;
    tag.split_once('>')?.1.split('<').next()?.trim().parse().ok()
}

/// A block of no bytes was never written: its cells have no value.
fn blank_blocks_never_written(image: &Ifd, first_row: usize, part: &Part, values: &mut [f32]) {
    let (wide, high) = match (image.tile_width(), image.tile_height()) {
        (Some(wide), Some(high)) => (wide as usize, high as usize),
        _ => (image.width() as usize, image.rows_per_strip() as usize),
    };
    let counts = image.tile_byte_counts().or_else(|| image.strip_byte_counts()).unwrap_or_default();
    if wide == 0 || high == 0 || !counts.contains(&0) {
        return;
    }
    let across = (image.width() as usize).div_ceil(wide);
    for (row, line) in values.chunks_exact_mut(part.columns).enumerate() {
        for (column, value) in line.iter_mut().enumerate() {
            let block = (first_row + row) / high * across + (part.column + column) / wide;
            if counts.get(block) == Some(&0) {
                *value = f32::NAN;
            }
        }
    }
}

/// Turns rows from south to north into rows from north to south.
pub(super) fn flip(values: &mut [f32], columns: usize) {
    let rows = values.len() / columns.max(1);
    for row in 0..rows / 2 {
        let (upper, lower) = values.split_at_mut((rows - 1 - row) * columns);
        if let (Some(a), Some(b)) =
            (upper.get_mut(row * columns..(row + 1) * columns), lower.get_mut(..columns))
        {
            a.swap_with_slice(b);
        }
    }
}
