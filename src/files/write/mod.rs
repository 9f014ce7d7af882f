//! Writers: each fills one file of an [`OutputSet`](super::OutputSet).

mod csv;
mod geojson;
mod geotiff;
mod gpx;
mod provenance;

pub use csv::write_csv;
pub use geojson::{GeoJsonWriter, oriented, round_to};
pub use geotiff::{Raster, write_geotiff};
pub use gpx::{GpxPoint, GpxTrack, write_gpx};
pub use provenance::{InputFile, Provenance};
