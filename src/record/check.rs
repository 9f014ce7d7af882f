//! Checks: visits to a station and what they found.

use std::sync::Arc;

use jiff::civil::Date;

use super::{Animal, SourcePlace};

/// What a visit found.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Found {
    /// As it was left.
    Intact,
    /// The capsule was discharged.
    Activated,
    /// The head was taken and the capsule was not discharged.
    BaitTaken,
    /// The capsule, or the whole device, was gone.
    Missing,
    /// Broken or disturbed, the capsule still there.
    Damaged,
    /// Nobody looked.
    NotChecked,
}

impl Found {
    /// Every finding, in the order used for output.
    pub const ALL: [Found; 6] = [
        Found::Intact,
        Found::Activated,
        Found::BaitTaken,
        Found::Missing,
        Found::Damaged,
        Found::NotChecked,
    ];

    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Found::Intact => "intact",
            Found::Activated => "activated",
            Found::BaitTaken => "bait-taken",
            Found::Missing => "missing",
            Found::Damaged => "damaged",
            Found::NotChecked => "not-checked",
        }
    }

    /// Reads a word without regard to case; common spellings are accepted. `None` if the
    /// word is not known.
    pub fn from_word(word: &str) -> Option<Found> {
        Some(match word.trim().to_lowercase().replace(['_', ' '], "-").as_str() {
            "intact" | "ok" | "untouched" | "unchanged" | "nil" => Found::Intact,
            "activated" | "activation" | "discharged" | "triggered" | "fired" => Found::Activated,
            "bait-taken" | "taken" | "head-taken" | "bait-gone" => Found::BaitTaken,
            "missing" | "gone" | "lost" | "capsule-missing" => Found::Missing,
            "damaged" | "broken" | "disturbed" => Found::Damaged,
            "not-checked" | "unchecked" | "skipped" | "not-visited" => Found::NotChecked,
            _ => return None,
        })
    }
}

/// One visit to one station.
#[derive(Clone, PartialEq, Debug)]
pub struct Check {
    /// The station visited, as the log names it.
    pub station_id: Arc<str>,
    /// The local day of the visit.
    pub date: Date,
    /// Who visited.
    pub by: Option<Arc<str>>,
    /// What was found.
    pub found: Found,
    /// Why, in the visitor's words.
    pub reason: Option<Arc<str>>,
    /// The animal that activated it or took the head, if the visitor could tell.
    pub animal: Option<Animal>,
    /// Whether the head was replaced.
    pub head_replaced: bool,
    /// Capsules issued for this visit; `None` where the log does not say.
    pub capsules_out: Option<u32>,
    /// Capsules brought back from this visit; `None` where the log does not say.
    pub capsules_back: Option<u32>,
    /// Whether the station was left working; `None` where the log does not say.
    pub serviced: Option<bool>,
    /// Whether the station was taken out of the ground.
    pub lifted: bool,
    /// Batch of the capsules issued, where it differs from the station's.
    pub batch: Option<Arc<str>>,
    /// Whether this row closes what was open at the station.
    pub closed: bool,
    /// Anything else.
    pub note: Option<Arc<str>>,
    /// Where it came from.
    pub source: SourcePlace,
}
