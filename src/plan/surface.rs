//! `[surface]`.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{MetresOrRule, Positive};

/// How the activity surface is made. Absent keys take the defaults of the surface room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct SurfaceTable {
    /// Kernel: `gaussian` or `quartic`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kernel: Option<String>,
    /// Bandwidth in metres (per-axis standard deviation), or the rule that finds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bandwidth: Option<MetresOrRule>,
    /// Cell size in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cell_m: Option<Positive>,
    /// File of points at which the surface is evaluated exactly.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<PathBuf>,
}
