//! `[terrain]`.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{NonNegative, Positive};

/// A raster of heights and what is taken from it. Absent keys take the defaults of the terrain
/// room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct TerrainTable {
    /// GeoTIFF of heights in metres (a digital elevation model).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dem: Option<PathBuf>,
    /// Kinds of line that are taken from it: `ridge`, `creek`, both or none. Left out, those
    /// that no `[[line]]` has.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub lines: Option<Vec<String>>,
    /// Hectares that drain through a place where a creek begins.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub creek_ha: Option<Positive>,
    /// Hectares that fall away from a place where a ridge begins.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ridge_ha: Option<Positive>,
    /// Metres that a ridge stands at least above the creek that its ground drains to.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ridge_height_m: Option<NonNegative>,
    /// Metres that the lesser of two summits stands at least above the saddle between them.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub prominence_m: Option<Positive>,
    /// Creeks and ridges that begin on their own and are shorter than this many metres are left
    /// out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub shortest_m: Option<NonNegative>,
    /// Metres by which lines may be simplified; a cell of the raster if left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub simplify_m: Option<NonNegative>,
}
