//! A promise that is not kept, in words.

use std::fmt;

/// What was promised.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Promise {
    /// No nearer to a keep-out than its distance.
    KeepOut,
    /// Not where the plan bars it.
    Never,
    /// Inside the area.
    Area,
    /// Travel distance to other sites and to stations.
    Spacing,
    /// Straight-line distance to other sites and to stations.
    Straight,
    /// What sites of one cluster keep.
    Cluster,
    /// Side, offset and bearing.
    Side,
    /// Gaps that are called closed are joined.
    Gap,
    /// Ids that name one thing each.
    Id,
    /// No more sites than asked for.
    Budget,
    /// Numbers beside a site are those of its place.
    Number,
}

impl Promise {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Promise::KeepOut => "keep-out",
            Promise::Never => "never",
            Promise::Area => "area",
            Promise::Spacing => "spacing",
            Promise::Straight => "straight-line",
            Promise::Cluster => "cluster",
            Promise::Side => "side",
            Promise::Gap => "gap",
            Promise::Id => "id",
            Promise::Budget => "budget",
            Promise::Number => "number",
        }
    }
}

/// A promise that is not kept.
#[derive(Clone, PartialEq, Debug)]
pub struct Breach {
    /// The file that makes the promise.
    pub file: String,
    /// The feature in it, counted from 1, if it is about one.
    pub feature: Option<usize>,
    /// The id of the site or station, if it is about one.
    pub id: Option<String>,
    /// What was promised.
    pub promise: Promise,
    /// What it is about: the keep-out, the other site, the property.
    pub about: String,
    /// What was to be found.
    pub expected: String,
    /// What was found.
    pub found: String,
}

impl Breach {
    /// What it is about, what was expected and what was found.
    pub fn what(&self) -> String {
        format!("{}: expected {}, found {}", self.about, self.expected, self.found)
    }
}

impl fmt::Display for Breach {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: ", self.file)?;
        match (self.feature, &self.id) {
            (Some(feature), Some(id)) => write!(f, "feature {feature} (id \"{id}\"): ")?,
            (Some(feature), None) => write!(f, "feature {feature}: ")?,
            (None, Some(id)) => write!(f, "station {id}: ")?,
            (None, None) => {}
        }
        f.write_str(&self.what())
    }
}

/// Metres as people read them: to the centimetre.
pub(super) fn metres(value: f64) -> String {
    if value.is_finite() { format!("{value:.2} m") } else { "no way".to_string() }
}
