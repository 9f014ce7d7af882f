//! `[nodes]`.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{NonNegative, Positive};

/// How the network is built. Absent keys take the defaults of the network room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct NodesTable {
    /// Gaps up to this many metres are closed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub snap_m: Option<NonNegative>,
    /// Repeated GPS passes of one track whose offsets are within this many metres become one
    /// line; 0 turns merging off. The snap distance if left out.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub merge_m: Option<NonNegative>,
    /// Distance in metres at which the bearings of ways are taken, and within which nodes
    /// form one place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reach_m: Option<Positive>,
    /// The kinds of line that people and animals travel along; track and road if left out.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub travel: Vec<String>,
    /// How convergence is scored, by animal; the table `any` serves where the run is about an animal
    /// that has none, or about several.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub convergence: BTreeMap<String, ConvergenceTable>,
}

/// `[nodes.convergence.ANIMAL]`. Absent keys take the defaults of the network room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ConvergenceTable {
    /// Weight of the number of ways.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ways: Option<NonNegative>,
    /// Weight of the variety of kinds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub variety: Option<NonNegative>,
    /// Weight of the sign along the ways.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sign: Option<NonNegative>,
    /// This many ways or more count in full.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub full_ways: Option<Positive>,
    /// Sign counts up to this many metres along a way.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sign_reach_m: Option<Positive>,
    /// After this many days a record counts half.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub sign_half_life_days: Option<Positive>,
    /// What each kind of line adds to the variety, 0 to 1, such as `creek = 1`.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub kinds: BTreeMap<String, NonNegative>,
}
