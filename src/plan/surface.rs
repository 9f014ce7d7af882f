//! `[surface]`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{MetresOrRule, NonNegative, Positive};

/// How the activity surface is made. Absent keys take the defaults of the surface room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct SurfaceTable {
    /// Kernel: `gaussian`, `quartic`, `epanechnikov`, `triangular` or `uniform`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub kernel: Option<String>,
    /// Bandwidth in metres (per-axis standard deviation), or the rule that finds it.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub bandwidth: Option<MetresOrRule>,
    /// Cell size in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cell_m: Option<Positive>,
    /// Most cells that a grid may have; 100 million if absent, which is 400 MB.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_cells: Option<Positive>,
    /// Most kernel values that are summed for adaptive bandwidths, or for the points of `at`, where
    /// one counts as ten; 1e11 if absent, which is about a minute.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub max_values: Option<Positive>,
    /// Whether activity is also computed along lines.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub along_lines: bool,
    /// Kinds of line that carry sign and search effort; `track` and `road` if absent.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub along: Vec<String>,
    /// How weight divides at junctions along lines, for kernels other than the heat
    /// kernel: `continuous` or `discontinuous`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub split: Option<String>,
    /// Longest piece of line in the output, in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub piece_m: Option<Positive>,
    /// A record farther from every line than this, or known less well, is not put on one.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub accuracy_m: Option<Positive>,
    /// What is done about the edge of the area: `none`, `uniform` or `jones-diggle` (default where there
    /// is an area).
    #[serde(skip_serializing_if = "Option::is_none")]
    pub edge: Option<String>,
    /// Every record gets a bandwidth of its own: narrow in a crowd, wide alone.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub adaptive: Option<bool>,
    /// Horizontal accuracy in metres of records that do not carry their own.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub record_accuracy_m: Option<Positive>,
    /// Days after which a record counts half. Left out, all ages count alike.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub half_life_days: Option<Positive>,
    /// Factors for kinds of sign, such as `howl = 0.5`; 1 for kinds that are not named.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub sign_weights: BTreeMap<String, NonNegative>,
    /// The same sign reported twice counts once.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub merge_repeats: Option<bool>,
    /// Shares of the activity for which hot areas are drawn, in percent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hot_areas: Option<Vec<Positive>>,
    /// File of points at which the surface is evaluated exactly.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<PathBuf>,
}
