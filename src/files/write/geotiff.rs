//! GeoTIFF: one float32 band, north up, tiled, deflate, NaN as no-data, after the OGC
//! GeoTIFF Standard 1.1 (19-008r4). The band's description and unit go into the metadata
//! tag that GDAL reads.

use std::io::{self, Seek, Write};

use tiff_core::{Compression, Predictor, Tag, TagValue};
use tiff_writer::{ImageBuilder, TiffWriter, WriteOptions};

/// Side of a tile in cells.
const TILE: usize = 256;

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

/// Writes the raster.
///
/// # Errors
/// Those of the underlying writer; a size that does not agree with the values is
/// [`io::ErrorKind::InvalidInput`].
pub fn write_geotiff(out: impl Write + Seek, raster: &Raster) -> io::Result<()> {
    if raster.values.len() != raster.columns * raster.rows {
        return Err(io::Error::new(io::ErrorKind::InvalidInput, "raster size and values disagree"));
    }
    let mut tiff = TiffWriter::new(out, WriteOptions::auto()).map_err(io::Error::other)?;
    let image = tiff.add_image(image_of(raster)?).map_err(io::Error::other)?;
    let mut tile = vec![f32::NAN; TILE * TILE];
    let across = raster.columns.div_ceil(TILE);
    for block in 0..across * raster.rows.div_ceil(TILE) {
        fill_tile(raster, block / across * TILE, block % across * TILE, &mut tile);
        tiff.write_block(&image, block, &tile).map_err(io::Error::other)?;
    }
    tiff.finish().map_err(io::Error::other)?.flush()
}

fn image_of(raster: &Raster) -> io::Result<ImageBuilder> {
    let size = |n: usize| {
        u32::try_from(n).map_err(|_| io::Error::new(io::ErrorKind::InvalidInput, "raster has too many cells"))
    };
    let epsg = u16::try_from(raster.epsg)
        .map_err(|_| io::Error::new(io::ErrorKind::InvalidInput, "EPSG code does not fit a GeoTIFF key"))?;
    // Header, then model type projected (1024 = 1), raster type area (1025 = 1), system (3072).
    let keys = vec![1, 1, 0, 3, 1024, 0, 1, 1, 1025, 0, 1, 1, 3072, 0, 1, epsg];
    let tiepoint = vec![0.0, 0.0, 0.0, raster.west_m, raster.north_m, 0.0];
    let metadata = format!(
        "<GDALMetadata><Item name=\"DESCRIPTION\" sample=\"0\" role=\"description\">{}</Item>\
         <Item name=\"UNITTYPE\" sample=\"0\" role=\"unittype\">{}</Item></GDALMetadata>",
        escape(raster.description),
        escape(raster.unit)
    );
    Ok(ImageBuilder::new(size(raster.columns)?, size(raster.rows)?)
        .sample_type::<f32>()
        .tiles(TILE as u32, TILE as u32)
        .compression(Compression::Deflate)
        .deflate_level(1)
        .predictor(Predictor::FloatingPoint)
        .tag(Tag::new(TAG_MODEL_PIXEL_SCALE, TagValue::Double(vec![raster.cell_m, raster.cell_m, 0.0])))
        .tag(Tag::new(TAG_MODEL_TIEPOINT, TagValue::Double(tiepoint)))
        .tag(Tag::new(TAG_GEO_KEY_DIRECTORY, TagValue::Short(keys)))
        .tag(Tag::new(TAG_GDAL_METADATA, TagValue::Ascii(metadata)))
        .tag(Tag::new(TAG_GDAL_NODATA, TagValue::Ascii("nan".into()))))
}

fn fill_tile(raster: &Raster, row_0: usize, column_0: usize, tile: &mut [f32]) {
    tile.fill(f32::NAN);
    let wide = TILE.min(raster.columns - column_0);
    for (i, line) in tile.chunks_exact_mut(TILE).take(raster.rows - row_0).enumerate() {
        let start = (row_0 + i) * raster.columns + column_0;
        line[..wide].copy_from_slice(&raster.values[start..start + wide]);
    }
}

/// Escaped twice, since GDAL takes the escapes off twice.
fn escape(text: &str) -> String {
    let once = |text: &str| text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;");
    once(&once(text))
}
