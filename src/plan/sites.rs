//! `[sites]`.

use std::collections::BTreeMap;
use std::path::PathBuf;

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::places::Places;
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
    /// Least straight-line distance in metres between any two sites; half the spacing if left out,
    /// 0 turns it off.
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
    /// Fixed sites, each on the nearest line that may bear one: a file of points, such as the one
    /// that the map saves after sites were moved on it, or a list of files and places.
    #[serde(skip_serializing_if = "Places::is_empty")]
    pub must: Places<FixedPlace>,
    /// Places where no site may be: a file of points, lines and polygons, each with its
    /// `within_m` (a polygon without one bars what lies in it), or a list of files and places.
    #[serde(skip_serializing_if = "Places::is_empty")]
    pub never: Places<BarredPlace>,
    /// The animals that sites are meant for, each with what it asks for; without them all
    /// sign counts alike.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub targets: BTreeMap<String, TargetTable>,
    /// File with polygons of cover: scrub, timber, long grass.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cover: Option<PathBuf>,
    /// Cover counts in full inside it and falls off evenly to nothing this many metres away.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cover_reach_m: Option<Positive>,
    /// Other numbers about the country that count for a place.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub layer: Vec<NumberLayer>,
    /// How much each part of a score counts; only the proportions matter.
    #[serde(skip_serializing_if = "WeightsTable::is_empty")]
    pub weights: WeightsTable,
    /// What each kind of line is worth, 0 to 1.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub line_kinds: BTreeMap<String, NonNegative>,
    /// What is to be made greatest: `score` (default) or `coverage`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub objective: Option<String>,
    /// How many random weightings the stability of sites is measured with (default 1000, which tells
    /// shares to 0.03); 0 for none.
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

/// `[sites.targets.ANIMAL]`. Absent keys take what `[sites]` says.
#[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(default)]
pub struct TargetTable {
    /// How much this animal's activity counts against that of the others; 1 if absent.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub weight: Option<NonNegative>,
    /// How far a site reaches for this animal, in metres: its sign within is counted for the
    /// reason, and by the objective `coverage`.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reach_m: Option<Positive>,
    /// Least travel distance in metres that a site meant for this animal keeps.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub spacing_m: Option<Positive>,
}

/// `[[sites.layer]]`: a number about the country as a part of the score.
#[derive(Clone, PartialEq, Debug, Serialize, Deserialize, JsonSchema)]
pub struct NumberLayer {
    /// Name of the part.
    pub name: String,
    /// The file: polygons, or a GeoTIFF of one band.
    pub file: PathBuf,
    /// The property of the polygons that holds the number.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub property: Option<String>,
    /// Whether the numbers of a GeoTIFF are classes, which must not be mixed with those of
    /// the cells around.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub classes: bool,
    /// How much it counts; only the proportions matter.
    pub weight: NonNegative,
    /// The number that is worth nothing; the least where a site may stand if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub worst: Option<f64>,
    /// The number that is worth most; the greatest where a site may stand if absent. It may
    /// be less than `worst`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub best: Option<f64>,
    /// What stands for the number where the file says nothing; such places are worth nothing
    /// if absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub elsewhere: Option<f64>,
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
    /// Cover close by.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub cover: Option<NonNegative>,
}

impl WeightsTable {
    pub(super) fn is_empty(&self) -> bool {
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
