//! `[sites]`.

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
}
