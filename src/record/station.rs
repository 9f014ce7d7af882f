//! Stations: in the ground, proposed, or lifted.

use std::sync::Arc;

use jiff::civil::Date;

use super::SourcePlace;

/// What has become of a station.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum StationState {
    /// Proposed, not yet in the ground.
    Proposed,
    /// In the ground.
    Set,
    /// Taken out again.
    Lifted,
}

impl StationState {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            StationState::Proposed => "proposed",
            StationState::Set => "set",
            StationState::Lifted => "lifted",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<StationState> {
        Some(match word.trim().to_lowercase().as_str() {
            "proposed" | "planned" => StationState::Proposed,
            "set" | "active" | "in ground" | "installed" => StationState::Set,
            "lifted" | "removed" | "retired" => StationState::Lifted,
            _ => return None,
        })
    }
}

/// One ground station. Its place is held beside it, in a [`Placed`](crate::frame::Placed).
#[derive(Clone, PartialEq, Debug)]
pub struct Station {
    /// Its id, unique within the job.
    pub station_id: Arc<str>,
    /// Its name, if it has one.
    pub name: Option<Arc<str>>,
    /// What has become of it; `set` where the file does not say.
    pub state: StationState,
    /// The day it was set.
    pub set_on: Option<Date>,
    /// The day it was lifted.
    pub lifted_on: Option<Date>,
    /// Who set it.
    pub set_by: Option<Arc<str>>,
    /// Batch of its dose.
    pub batch: Option<Arc<str>>,
    /// Where it came from.
    pub source: SourcePlace,
}
