//! The tables that name the place and the input files.

use std::path::{Path, PathBuf};

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
    /// EPSG code of the coordinate system that the area is in, where its file does not say.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub area_epsg: Option<u32>,
    /// Layers of this job are meant to lie far apart: nothing is refused because of where it lies.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub far_apart: bool,
    /// How days like 1/5/2026 are meant; left out, such a day is not guessed at.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub dates: Option<DateStyle>,
    /// IANA time zone of the place, for times without an offset.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub time_zone: Option<String>,
}

/// Which comes first in a day written 1/5/2026.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum DateStyle {
    /// The day: 1 May.
    DayFirst,
    /// The month: 5 January.
    MonthFirst,
}

/// A format in which all layers of a run are written once more.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "lowercase")]
pub enum AlsoFormat {
    /// One GeoPackage, `layers.gpkg`.
    Gpkg,
    /// One KML file, `layers.kml`.
    Kml,
}

impl std::str::FromStr for AlsoFormat {
    type Err = String;

    fn from_str(word: &str) -> Result<Self, String> {
        match word.to_lowercase().as_str() {
            "gpkg" | "geopackage" => Ok(AlsoFormat::Gpkg),
            "kml" => Ok(AlsoFormat::Kml),
            _ => Err(format!("unknown format \"{word}\"; known are gpkg, kml")),
        }
    }
}

/// An input file, and what has to be said of it where it does not say so itself.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Source<'p> {
    /// The file.
    pub file: &'p Path,
    /// EPSG code of the coordinate system that it is in.
    pub epsg: Option<u32>,
    /// The layer to read of several.
    pub layer: Option<&'p str>,
}

impl<'p> Source<'p> {
    /// A file that says all of itself.
    pub fn plain(file: &'p Path) -> Self {
        Self { file, epsg: None, layer: None }
    }
}

/// Tables that name a file: `..` stands for the file and what may have to be said of it. Each
/// table has these keys as fields of its own, so that a wrong one is told with its place.
macro_rules! layers {
    ($(
        $(#[$doc:meta])* $layer:ident {
            $($(#[$before:meta])* $first:ident: $of_first:ty,)*
            ..
            $($(#[$after:meta])* $then:ident: $of_then:ty,)*
        }
    )*) => {$(
        $(#[$doc])*
        #[derive(Clone, PartialEq, Debug, Default, Serialize, Deserialize, JsonSchema)]
        pub struct $layer {
            $($(#[$before])* pub $first: $of_first,)*
            /// The file.
            pub file: PathBuf,
            /// EPSG code of the coordinate system that the file is in, where the file does not say.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            pub epsg: Option<u32>,
            /// The layer to read of a file that holds several.
            #[serde(default, skip_serializing_if = "Option::is_none")]
            pub layer: Option<String>,
            $($(#[$after])* pub $then: $of_then,)*
        }

        impl $layer {
            /// The file and what the plan says of it.
            pub fn source(&self) -> Source<'_> {
                Source { file: &self.file, epsg: self.epsg, layer: self.layer.as_deref() }
            }
        }
    )*};
}

layers! {
    /// A file, as in `[[station]]`.
    Layer { .. }

    /// `[[sign]]` and `[[survey]]`.
    SignLayer {
        ..
        /// Season of every feature that does not carry one.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        season: Option<String>,
    }

    /// `[[line]]`.
    LineLayer {
        /// Kind of every line whose own `kind` does not say otherwise.
        kind: String,
        ..
    }

    /// `[[keep_out]]`.
    KeepOutLayer {
        ..
        /// Distance of every feature that does not carry its own `distance_m`, from your
        /// permit and label.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        distance_m: Option<NonNegative>,
        /// Reason of every feature that does not carry its own.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        reason: Option<String>,
    }

    /// `[[parcel]]`: neighbouring land.
    ParcelLayer {
        ..
        /// Distance in metres from a station within which the holder is told, from your permit
        /// and label. Without it every parcel is listed: none is supplied here.
        #[serde(default, skip_serializing_if = "Option::is_none")]
        notify_m: Option<NonNegative>,
    }
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
    /// Records are used however far they lie from the area, the lines and the other records.
    #[serde(skip_serializing_if = "std::ops::Not::not")]
    pub far_records: bool,
    /// A time of the year from `[periods]`: only sign of those days is used, in every year,
    /// with that period's half-life and weights.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub period: Option<String>,
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
