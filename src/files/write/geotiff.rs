//! GeoTIFF: one float32 band, north up, tiled, deflate, NaN as no-data, after the OGC
//! GeoTIFF Standard 1.1 (19-008r4), laid out as a cloud-optimised one (OGC 21-026): the
//! directories stand first, smaller versions of the raster go ahead of the full one. The band's
//! description and unit go into the metadata tag that GDAL reads.

use std::io::{self, Seek, SeekFrom, Write};
use std::ops::Range;

use rayon::prelude::*;
use tiff_core::{ByteOrder, Compression, Predictor};
use tiff_writer::compress::{BlockEncodingOptions, compress_block};

use super::tiff::{Directory, MOST_BYTES, Tag, head_bytes, write_head};

/// Side of a tile in cells.
const TILE: usize = 256;
/// Tiles packed at a time.
const TILES: usize = 32;

const TAG_MODEL_PIXEL_SCALE: u16 = 33550;
const TAG_MODEL_TIEPOINT: u16 = 33922;
const TAG_GEO_KEY_DIRECTORY: u16 = 34735;
const TAG_GDAL_METADATA: u16 = 42112;
const TAG_GDAL_NODATA: u16 = 42113;

/// A raster to write.
#[derive(Clone, Copy, Debug)]
pub struct Raster<'a> {
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
    pub values: &'a [f32],
    /// The projected system, in metres.
    pub epsg: u32,
    /// What the band holds, with its unit in words.
    pub description: &'a str,
    /// The unit.
    pub unit: &'a str,
}

/// Writes the raster. A raster wider or higher than a tile gets smaller versions, each half the
/// one before, down to one tile; a cell of them is the mean of the values under it. Tiles are
/// packed on all threads; the bytes do not depend on how many there are.
///
/// # Errors
/// Those of the underlying writer; a size that does not agree with the values is
/// [`io::ErrorKind::InvalidInput`].
pub fn write_geotiff(mut out: impl Write + Seek, raster: &Raster) -> io::Result<()> {
    if raster.values.len() != raster.columns * raster.rows {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "raster size and values disagree"));
    }
    let mut smaller: Vec<Cells<Vec<f32>>> = Vec::new();
    let whole = Cells { columns: raster.columns, rows: raster.rows, values: raster.values };
    loop {
        let next = match smaller.last() {
            None if whole.is_one_tile() => break,
            None => whole.halved(),
            Some(last) if last.is_one_tile() => break,
            Some(last) => last.halved(),
        };
        smaller.push(next);
    }
    let mut images = vec![Directory::of(tags_of(raster)?, whole.tile_count())];
    for cells in &smaller {
        let tags = [vec![Tag::long(254, 1)], layout_of(cells.columns, cells.rows)?].concat();
        images.push(Directory::of(tags, cells.tile_count()));
    }
    let tiles: usize = images.iter().map(|image| image.lengths.len()).sum();
    // Packing makes no tile much larger than it was.
    let big = (tiles * (4 * TILE * TILE + 4096)) as u64 > MOST_BYTES;
    // Room for header and directories, which are written when the lengths of all tiles are known.
    let begin = out.stream_position()?;
    out.seek(SeekFrom::Start(begin + head_bytes(&images, big)))?;
    for (k, image) in images.iter_mut().enumerate().rev() {
        image.lengths = match k.checked_sub(1) {
            // A smaller raster is let go when it is written.
            Some(_) => {
                smaller.pop().map(|cells| cells.write_tiles(&mut out)).transpose()?.unwrap_or_default()
            }
            None => whole.write_tiles(&mut out)?,
        };
    }
    let end = out.stream_position()?;
    out.seek(SeekFrom::Start(begin))?;
    write_head(&mut out, &images, big)?;
    out.seek(SeekFrom::Start(end))?;
    out.flush()
}

/// Cells row by row from the north-west.
struct Cells<V> {
    columns: usize,
    rows: usize,
    values: V,
}

impl<V: AsRef<[f32]> + Sync> Cells<V> {
    fn is_one_tile(&self) -> bool {
        self.columns <= TILE && self.rows <= TILE
    }

    /// Half as many cells each way, rounded up: means of the values under each.
    fn halved(&self) -> Cells<Vec<f32>> {
        let (columns, rows) = (self.columns.div_ceil(2), self.rows.div_ceil(2));
        let values = self.values.as_ref();
        let mut half = vec![f32::NAN; columns * rows];
        half.par_chunks_mut(columns).zip(values.par_chunks(2 * self.columns)).for_each(|(line, pair)| {
            let (upper, lower) = pair.split_at(self.columns);
            for (i, cell) in line.iter_mut().enumerate() {
                let under = [upper.get(2 * i), upper.get(2 * i + 1), lower.get(2 * i), lower.get(2 * i + 1)];
                let (sum, count) = under
                    .into_iter()
                    .flatten()
                    .filter(|value| !value.is_nan())
                    .fold((0.0, 0.0), |(sum, count), &value| (sum + f64::from(value), count + 1.0));
                *cell = (sum / count) as f32;
            }
        });
        Cells { columns, rows, values: half }
    }

    fn tile_count(&self) -> usize {
        self.columns.div_ceil(TILE) * self.rows.div_ceil(TILE)
    }

    /// Writes the packed tiles, row by row, and gives their lengths. Some are packed at a time,
    /// so that few are held.
    fn write_tiles(&self, out: &mut impl Write) -> io::Result<Vec<u64>> {
        let mut lengths = Vec::with_capacity(self.tile_count());
        for from in (0..self.tile_count()).step_by(TILES) {
            for tile in self.tiles(from..self.tile_count().min(from + TILES))? {
                out.write_all(&tile)?;
                lengths.push(tile.len() as u64);
            }
        }
        Ok(lengths)
    }

    /// Some packed tiles, in order.
    fn tiles(&self, some: Range<usize>) -> io::Result<Vec<Vec<u8>>> {
        let across = self.columns.div_ceil(TILE);
        let options = BlockEncodingOptions {
            byte_order: ByteOrder::LittleEndian,
            compression: Compression::Deflate,
            predictor: Predictor::FloatingPoint,
            samples_per_pixel: 1,
            row_width_pixels: TILE,
            jpeg_options: None,
            jpeg_sampling: None,
            deflate_level: Some(1),
        };
        some.into_par_iter()
            .map_init(
                || vec![f32::NAN; TILE * TILE],
                |tile, block| {
                    self.fill(block / across * TILE, block % across * TILE, tile);
                    compress_block(tile, options, block).map_err(io::Error::other)
                },
            )
            .collect()
    }

    fn fill(&self, row_0: usize, column_0: usize, tile: &mut [f32]) {
        tile.fill(f32::NAN);
        let wide = TILE.min(self.columns - column_0);
        for (i, line) in tile.chunks_exact_mut(TILE).take(self.rows - row_0).enumerate() {
            let start = (row_0 + i) * self.columns + column_0;
            line[..wide].copy_from_slice(&self.values.as_ref()[start..start + wide]);
        }
    }
}

/// Tags of size, tiles and encoding.
fn layout_of(columns: usize, rows: usize) -> io::Result<Vec<Tag>> {
    let size = |n: usize| {
        u32::try_from(n).map_err(|_| io::Error::new(io::ErrorKind::InvalidInput, "raster has too many cells"))
    };
    Ok(vec![
        Tag::long(256, size(columns)?),
        Tag::long(257, size(rows)?),
        Tag::short(258, &[32]),          // bits of a sample
        Tag::short(259, &[8]),           // deflate
        Tag::short(262, &[1]),           // black is zero
        Tag::short(277, &[1]),           // one band
        Tag::short(284, &[1]),           // in one plane
        Tag::short(317, &[3]),           // predictor of floating point numbers
        Tag::short(322, &[TILE as u16]), // width of a tile
        Tag::short(323, &[TILE as u16]),
        Tag::short(339, &[3]), // floating point
        Tag::ascii(TAG_GDAL_NODATA, "nan"),
    ])
}

/// All tags of the full raster.
fn tags_of(raster: &Raster) -> io::Result<Vec<Tag>> {
    let epsg = u16::try_from(raster.epsg)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidInput, "EPSG code does not fit a GeoTIFF key"))?;
    // Header, then model type projected (1024 = 1), raster type area (1025 = 1), system (3072).
    let keys = [1, 1, 0, 3, 1024, 0, 1, 1, 1025, 0, 1, 1, 3072, 0, 1, epsg];
    let metadata = format!(
        "<GDALMetadata><Item name=\"DESCRIPTION\" sample=\"0\" role=\"description\">{}</Item>\
         <Item name=\"UNITTYPE\" sample=\"0\" role=\"unittype\">{}</Item></GDALMetadata>",
        escape(raster.description),
        escape(raster.unit)
    );
    let mut tags = layout_of(raster.columns, raster.rows)?;
    tags.extend([
        Tag::double(TAG_MODEL_PIXEL_SCALE, &[raster.cell_m, raster.cell_m, 0.0]),
        Tag::double(TAG_MODEL_TIEPOINT, &[0.0, 0.0, 0.0, raster.west_m, raster.north_m, 0.0]),
        Tag::short(TAG_GEO_KEY_DIRECTORY, &keys),
        Tag::ascii(TAG_GDAL_METADATA, &metadata),
    ]);
    Ok(tags)
}

/// Escaped twice, since GDAL takes the escapes off twice.
fn escape(text: &str) -> String {
    let once = |text: &str| text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    once(&once(text))
}
