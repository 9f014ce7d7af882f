//! `[wind]`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{NonNegative, Positive};

/// What is known of the wind and how it is read. Absent keys take the defaults of the siting
/// room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct WindTable {
    /// CSV with `time`, `from_deg` and `speed_m_s`; or with `from_deg`, `day` and `night`,
    /// how often the wind came from equal sectors, clockwise from north, and a row `calm`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub file: Option<PathBuf>,
    /// Longitude and latitude of the instrument.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub at: Option<[f64; 2]>,
    /// Height of the instrument above the sea in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub height_m: Option<f64>,
    /// Height of the property above the sea in metres, to set against the instrument's.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub place_height_m: Option<f64>,
    /// Below this speed, in metres per second, an hour is calm.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub calm_m_s: Option<NonNegative>,
    /// How far scent carries, in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub scent_reach_m: Option<Positive>,
    /// The weight of the night against the day, 0 to 1.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub night_share: Option<NonNegative>,
    /// Where night air drains to along lines, by the line's name: degrees clockwise from true
    /// north.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub drains_to_deg: BTreeMap<String, f64>,
}
