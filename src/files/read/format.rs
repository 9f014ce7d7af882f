//! Which format a file is in, told by its content first.

use super::{FileError, ReadAs, Request};

/// The formats read here.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Format {
    GeoJson,
    Csv,
    Gpx,
    Kml,
    Kmz,
    Shapefile,
    GeoPackage,
    Camtrap,
    #[cfg(feature = "parquet")]
    GeoParquet,
    /// A format that GDAL reads.
    #[cfg(feature = "gdal")]
    Other,
}

impl Format {
    /// Whether the file is text in UTF-8.
    pub(super) fn is_text(self) -> bool {
        match self {
            Format::Kmz | Format::Shapefile | Format::GeoPackage => false,
            #[cfg(feature = "parquet")]
            Format::GeoParquet => false,
            #[cfg(feature = "gdal")]
            Format::Other => false,
            _ => true,
        }
    }
}

/// The format of a file by its first bytes, by its ending where those leave it open.
pub(super) fn of(request: &Request, head: &[u8]) -> Result<Format, FileError> {
    if let Some(format) = by_mark(head) {
        return Ok(format);
    }
    if let Some(what) = foreign(head) {
        return Err(request.wrong(what));
    }
    let ending = request.place.extension().and_then(|e| e.to_str()).unwrap_or("").to_lowercase();
    let text = String::from_utf8_lossy(head);
    let start = text.trim_start_matches(|c: char| c.is_whitespace() || c == '\u{1e}');
    if request.place.ends_with(super::camtrap::DESCRIPTOR) || is_camtrap(start, &text) {
        return Ok(Format::Camtrap);
    }
    match start.as_bytes().first() {
        Some(b'{' | b'[') => return Ok(Format::GeoJson),
        Some(b'<') if text.contains("<gpx") || text.contains(":gpx") => return Ok(Format::Gpx),
        Some(b'<') if text.contains("<kml") || text.contains(":kml") => return Ok(Format::Kml),
        _ => {}
    }
    match ending.as_str() {
        "json" | "geojson" | "geojsonl" | "geojsons" | "ndjson" | "jsonl" => Ok(Format::GeoJson),
        "gpx" => Ok(Format::Gpx),
        "kml" => Ok(Format::Kml),
        "csv" | "tsv" | "txt" => Ok(Format::Csv),
        "shx" | "dbf" | "prj" | "cpg" => {
            Err(request.wrong("is a part of a Shapefile; name the file that ends in .shp"))
        }
        "shp" => Err(request.wrong("is no Shapefile: its first bytes are not 0000270a; copy it again")),
        "gpkg" => Err(request.wrong("is no GeoPackage: it is not an SQLite file; copy it again")),
        _ if super::csv::looks_like_a_table(head, request.options.read_as == ReadAs::Rows) => Ok(Format::Csv),
        _ => Err(request.wrong(
            "is in no format that is read here, as far as its content and its ending tell; known are \
             GeoJSON, CSV, GPX, KML, KMZ, Shapefile, GeoPackage and Camtrap DP",
        )),
    }
}

fn by_mark(head: &[u8]) -> Option<Format> {
    #[cfg(feature = "parquet")]
    if head.starts_with(b"PAR1") {
        return Some(Format::GeoParquet);
    }
    if head.starts_with(b"SQLite format 3\0") {
        Some(Format::GeoPackage)
    } else if head.starts_with(&[0, 0, 0x27, 0x0a]) {
        Some(Format::Shapefile)
    } else if head.starts_with(b"PK\x03\x04") {
        Some(Format::Kmz)
    } else {
        None
    }
}

/// What a file of a format that is not read here is, and what to do with it.
fn foreign(head: &[u8]) -> Option<&'static str> {
    if head.starts_with(b"II*\0") || head.starts_with(b"MM\0*") || head.starts_with(b"II+\0") {
        Some("is a raster (TIFF), where points, lines or polygons are wanted")
    } else if head.starts_with(b"PAR1") {
        Some(
            "is a Parquet file, which this program reads only when built with --features parquet; export it as \
              GeoPackage, or build it so",
        )
    } else if head.starts_with(&[0xd0, 0xcf, 0x11, 0xe0]) {
        Some("is an old spreadsheet or document; save the table as CSV (UTF-8)")
    } else if head.starts_with(b"%PDF") {
        Some("is a PDF; export the layer as GeoJSON, GeoPackage or KML")
    } else {
        None
    }
}

fn is_camtrap(start: &str, text: &str) -> bool {
    start.starts_with('{') && text.contains("\"resources\"") && text.contains("camtrap-dp")
}
