//! `[nodes]`.

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
}
