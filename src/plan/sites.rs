//! `[sites]`.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{NonNegative, Positive};

/// How sites are chosen. Absent keys take the defaults of the siting room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct SitesTable {
    /// Least travel distance in metres between two feet.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spacing_m: Option<Positive>,
    /// Most sites to propose.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub budget: Option<usize>,
    /// Distance in metres from the line to the site.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub offset_m: Option<Positive>,
    /// Error in metres with which a station is placed, added to every keep-out distance.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub placement_error_m: Option<NonNegative>,
    /// Least straight-line distance in metres between feet that travel lines do not join,
    /// or only by a long way round; 0 turns it off.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub min_straight_m: Option<NonNegative>,
    /// Kinds of line along which candidates stand; `track` if empty. A public road bears
    /// none unless it is listed here.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub along: Vec<String>,
    /// How far a candidate on a line that carries no travel may be from one that does, in
    /// metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub walk_m: Option<NonNegative>,
    /// Kinds of line that may lie between a line and its site.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub across: Vec<String>,
    /// Within how many metres of a site sign is counted for its reason, and records of
    /// non-target animals for its cautions.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reach_m: Option<Positive>,
    /// Most sites at one hot node; 1 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cluster: Option<usize>,
    /// Least straight-line distance in metres between sites of one cluster.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cluster_apart_m: Option<NonNegative>,
    /// Sites that must be: each is taken for the nearest place that may bear one.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub must: Vec<FixedPlace>,
    /// Places where no site may be.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub never: Vec<BarredPlace>,
    /// How much each part of a score counts; only the proportions matter.
    #[serde(skip_serializing_if = "WeightsTable::is_empty")]
    pub weights: WeightsTable,
    /// What each kind of line is worth, 0 to 1.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub line_kinds: BTreeMap<String, NonNegative>,
    /// What is to be made greatest: `score` (default) or `coverage`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub objective: Option<String>,
    /// How many random weightings the stability of sites is measured with; 0 for none.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weightings: Option<u64>,
    /// Seed of the random weightings.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
    /// The gap between total and bound that is good enough, as a share.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tolerance: Option<NonNegative>,
    /// Seconds after which the search for sites ends with the best found. The result then
    /// depends on the machine.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seconds: Option<Positive>,
}

/// A place given by hand.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
pub struct FixedPlace {
    /// Longitude and latitude.
    pub at: [f64; 2],
    /// Its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// A place to keep clear, given by hand.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
pub struct BarredPlace {
    /// Longitude and latitude.
    pub at: [f64; 2],
    /// How far around it, in metres.
    pub within_m: Positive,
    /// Its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
}

/// `[sites.weights]`: how much each part counts. Absent keys take the defaults of the siting
/// room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct WeightsTable {
    /// Activity, or the rate where effort is known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub activity: Option<NonNegative>,
    /// Ways that meet nearby.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub convergence: Option<NonNegative>,
    /// The kind of line.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub line_kind: Option<NonNegative>,
    /// Moving air.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub wind: Option<NonNegative>,
}

impl WeightsTable {
    fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}

/// `[non_target]`: animals that the control is not for.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct NonTargetTable {
    /// Their names, as the records have them.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub animals: Vec<String>,
    /// Records of them within this many metres bar a place; none do if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub keep_out_m: Option<Positive>,
    /// How much it counts for a site that none were recorded near; 0 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weight: Option<NonNegative>,
}
