//! `[periods]`: times of the year that the plan names.

use std::collections::BTreeMap;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::sites::WeightsTable;
use super::values::{DayOfYear, Positive};

/// A time of the year, such as whelping or the dispersal of the young. None is built in: the
/// dates depend on the animal and the country.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct PeriodTable {
    /// First and last day for each animal. Animals that are not named are not limited.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub dates: BTreeMap<String, DaysOfYear>,
    /// Days after which a record counts half, instead of `[surface] half_life_days`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub half_life_days: Option<Positive>,
    /// How much each part of a score counts, instead of `[sites.weights]`.
    #[serde(skip_serializing_if = "WeightsTable::is_empty")]
    pub weights: WeightsTable,
}

/// Days that recur every year; a range that ends before it begins runs over new year.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
pub struct DaysOfYear {
    /// First day, such as "06-15".
    pub from: DayOfYear,
    /// Last day.
    pub to: DayOfYear,
}
