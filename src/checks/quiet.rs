//! Stations that no animal has visited for long.

use jiff::civil::Date;

use super::history::{History, Interval};
use crate::record::Found;

/// When to say what about a quiet station. The numbers are the user's.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct QuietRule {
    /// Working nights without a visit by an animal after which to refresh the station.
    pub refresh_after_nights: f64,
    /// Working nights without a visit by an animal after which to move it.
    pub move_after_nights: f64,
}

impl Default for QuietRule {
    /// Refresh after 56 nights, move after 112 (two and four rounds of four weeks; common
    /// practice, no source).
    fn default() -> Self {
        Self { refresh_after_nights: 56.0, move_after_nights: 112.0 }
    }
}

/// What the rule says.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub enum Advice {
    /// Leave it as it is.
    Leave,
    /// New head, new lure.
    Refresh,
    /// Move it to another place.
    Move,
}

impl Advice {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Advice::Leave => "leave",
            Advice::Refresh => "refresh",
            Advice::Move => "move",
        }
    }
}

/// How quiet one station is.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Quiet {
    /// Position of the station in the list given.
    pub station: usize,
    /// The last visit that showed an animal had been there, if any.
    pub visited_on: Option<Date>,
    /// Working nights since then.
    pub nights: f64,
    /// How likely so long a silence is at a station of the mean rate: exp(−rate × nights).
    /// A station like the others can well be silent where this is not small.
    pub chance: f64,
    /// What the rule says.
    pub advice: Advice,
}

/// How quiet each station with a history is; an activation or a head taken counts as a
/// visit by an animal. `mean_per_night` is the activation rate of all stations.
pub fn quiet(history: &History, mean_per_night: f64, rule: QuietRule) -> Vec<Quiet> {
    history
        .intervals
        .chunk_by(|a, b| a.station == b.station)
        .filter_map(|own| own.first().map(|first| quiet_one(first.station, own, mean_per_night, rule)))
        .collect()
}

fn quiet_one(station: usize, own: &[Interval], mean_per_night: f64, rule: QuietRule) -> Quiet {
    let last = own.iter().rposition(|i| matches!(i.found, Found::Activated | Found::BaitTaken));
    let since = last.map_or(own, |k| &own[k + 1..]);
    // An empty sum of floats is -0.0, and would be written so.
    let nights = since.iter().map(Interval::nights).sum::<f64>() + 0.0;
    let advice = match nights {
        n if n >= rule.move_after_nights => Advice::Move,
        n if n >= rule.refresh_after_nights => Advice::Refresh,
        _ => Advice::Leave,
    };
    Quiet {
        station,
        visited_on: last.map(|k| own[k].to),
        nights,
        chance: (-mean_per_night * nights).exp(),
        advice,
    }
}
