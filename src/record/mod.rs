//! What people record and what stands on the property: sign, survey legs, lines,
//! keep-outs, stations, checks. Plain domain types with units; nothing here reads files
//! or knows a projection.

mod access;
mod check;
mod effort;
mod keep_out;
mod line;
mod place;
mod sign;
mod station;
mod wind;

pub use access::{Access, OneWay};
pub use check::{Check, Found};
pub use effort::{Deployment, SurveyLeg};
pub use keep_out::{Area, KeepOut};
pub use line::{Gate, Line, LineKind};
pub use place::{FixedPlace, NumberedArea};
pub use sign::{Animal, Occasion, Record, Sign};
pub use station::{Station, StationState};
pub use wind::{SectorTable, Wind, WindHour};

use std::fmt;
use std::path::Path;
use std::sync::Arc;

/// Where in the input a thing came from, so that every message can say so.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SourcePlace {
    /// The input file.
    pub file: Arc<Path>,
    /// Zero-based position of the feature (or row) in the file.
    pub index: usize,
    /// The feature's own id, if it has one.
    pub id: Option<Arc<str>>,
}

impl fmt::Display for SourcePlace {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}: feature {}", self.file.display(), self.index + 1)?;
        match &self.id {
            Some(id) => write!(f, " (id {id})"),
            None => Ok(()),
        }
    }
}
