//! The tables that name the place and the input files.

use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::values::{DayText, NonNegative};

/// `[place]`.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Place {
    /// What the place is called, for the titles of map, field sheet and report.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub name: Option<String>,
    /// EPSG code of the projected system in metres to compute in. It does not say what the
    /// inputs are in: those are WGS84 longitude and latitude.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub epsg: Option<u32>,
    /// File with the polygons under control.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub area: Option<PathBuf>,
    /// IANA time zone of the place, for times without an offset.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_zone: Option<String>,
}

/// `[select]`: which of the sign is used.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct Select {
    /// Animals to use; all if empty.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub animals: Vec<String>,
    /// First day to use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub from: Option<DayText>,
    /// Last day to use.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub to: Option<DayText>,
    /// A time of the year from `[periods]`: only sign of those days is used, in every year,
    /// with that period's half-life and weights.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<String>,
}

/// A file, as in `[[station]]`.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct Layer {
    /// The file.
    pub file: PathBuf,
}

/// `[[sign]]` and `[[survey]]`.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct SignLayer {
    /// The file.
    pub file: PathBuf,
    /// Season of every feature that does not carry one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub season: Option<String>,
}

/// `[[line]]`.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct LineLayer {
    /// Kind of every line whose own `kind` does not say otherwise.
    pub kind: String,
    /// The file.
    pub file: PathBuf,
}

/// `[[keep_out]]`.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct KeepOutLayer {
    /// The file.
    pub file: PathBuf,
    /// Distance of every feature that does not carry its own `distance_m`, from your
    /// permit and label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance_m: Option<NonNegative>,
    /// Reason of every feature that does not carry its own.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
}

/// `[[parcel]]`: neighbouring land.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
pub struct ParcelLayer {
    /// The file.
    pub file: PathBuf,
    /// Distance in metres from a station within which the holder is told, from your permit
    /// and label. Without it every parcel is listed: none is supplied here.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notify_m: Option<NonNegative>,
}

/// One entry of `[seasons]`.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
pub struct Season {
    /// First day.
    pub from: DayText,
    /// Last day.
    pub to: DayText,
    /// Years in which the same days recur, each the year of the first day; left out, the
    /// range is meant once, as written.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub years: Vec<i16>,
}
