//! Files in and out. Every reader yields one [`RawFeature`]; every writer writes into an
//! [`OutputSet`], which appears whole or not at all.

mod output_set;
mod properties;
mod raw;
pub mod read;
pub mod write;

pub use output_set::{Committed, MANIFEST, OutputError, OutputSet};
pub use properties::Properties;
pub use raw::{RawFeature, RawShape};
pub(crate) use read::pointed_feature;
pub use read::{
    FileError, LonLatBox, MAX_CELLS, Placement, RasterFile, RasterSystem, ReadAs, ReadOptions, ReadReport,
    read_features, read_raster, read_text,
};
