//! Writers: each fills one file of an [`OutputSet`](super::OutputSet).

#![expect(
    clippy::indexing_slicing,
    reason = "pages and lines are written in buffers of its own making, whose sizes it counts"
)]

mod csv;
mod geojson;
mod geopackage;
mod geotiff;
mod gpx;
mod kml;
mod provenance;
mod sqlite;
mod tiff;

pub use csv::{defused, write_csv, write_csv_as_it_is};
pub use geojson::{GeoJsonWriter, oriented, round_to};
pub use geopackage::{ColumnKind, ColumnValue, GeoPackageWriter, LayerWriter};
pub use geotiff::{Raster, write_geotiff};
pub use gpx::{GpxPoint, GpxTrack, write_gpx};
pub use kml::KmlWriter;
pub use provenance::{InputFile, Provenance};
