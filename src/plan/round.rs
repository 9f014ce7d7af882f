//! `[round]` and `[checks]`.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{DayText, NonNegative, Positive};

/// How the check round is planned. Absent keys take the defaults of the round room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct RoundTable {
    /// Where every day starts: longitude and latitude in degrees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub start: Option<[f64; 2]>,
    /// Where the round ends, if not at the start: longitude and latitude in degrees.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub end: Option<[f64; 2]>,
    /// The round ends at its last station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub open: Option<bool>,
    /// Hours of a day; left out, the round is one day however long.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub hours_per_day: Option<Positive>,
    /// Minutes at each station, the walk not counted.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub minutes_per_station: Option<NonNegative>,
    /// Speed on roads in kilometres an hour.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub road_km_h: Option<Positive>,
    /// Speed on other travel lines in kilometres an hour.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub track_km_h: Option<Positive>,
    /// Speed on foot in kilometres an hour.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub walk_km_h: Option<Positive>,
    /// Farthest walk off the lines in metres.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub walk_limit_m: Option<NonNegative>,
    /// Names of lines and gates that cannot be passed, besides those that say so themselves.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub closed: Vec<String>,
    /// Names of locked lines and gates to which the crew has the key.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub keys: Vec<String>,
    /// Days between checks where no rule holds, from your permit and label.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub every_days: Option<u32>,
    /// The day the list is made for; left out, the last day that stations and log name.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub on: Option<DayText>,
    /// Seed of the search for the tour.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
    /// Check intervals of some stations.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub rule: Vec<RuleTable>,
    /// What to carry.
    #[serde(skip_serializing_if = "super::is_default")]
    pub kit: KitTable,
}

/// `[[round.rule]]`: a check interval of your own for some stations.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct RuleTable {
    /// Ids of the stations it holds for; all if left out.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub stations: Vec<String>,
    /// The batch it holds for; all if left out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub batch: Option<String>,
    /// Days between checks.
    pub every_days: u32,
    /// Why: a permit, a label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// `[round.kit]`: what one station takes, and what the crew takes.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct KitTable {
    /// Heads a station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub heads_per_station: Option<NonNegative>,
    /// Capsules a station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capsules_per_station: Option<NonNegative>,
    /// Spare heads and capsules as a share of those needed.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spare_rate: Option<NonNegative>,
    /// Millilitres of oil or lure a station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub oil_ml_per_station: Option<NonNegative>,
    /// Tags a station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub tags_per_station: Option<NonNegative>,
    /// People in the crew.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub crew: Option<u32>,
}

/// `[checks]`: how the check log is read. Absent keys take the defaults of the checks room.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct ChecksTable {
    /// The animals that the stations are meant for; a take by another puts a station first.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub targets: Vec<String>,
    /// Capsules that a working station holds.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub capsules_per_station: Option<u32>,
    /// Working nights without a visit by an animal after which to refresh a station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub refresh_after_nights: Option<NonNegative>,
    /// Working nights without a visit by an animal after which to move a station.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub move_after_nights: Option<NonNegative>,
    /// Strength of the ridge in the regression on the score parts.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub ridge: Option<Positive>,
    /// Bootstrap draws.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub runs: Option<usize>,
    /// Seed of the draws.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub seed: Option<u64>,
}
