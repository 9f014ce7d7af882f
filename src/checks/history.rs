//! What became of each station between visits.

use std::collections::HashMap;

use jiff::civil::Date;

use crate::frame::Placed;
use crate::record::{Animal, Check, Found, Station};

/// The time between two visits to a working station.
#[derive(Clone, PartialEq, Debug)]
pub struct Interval {
    /// Position of the station in the list given.
    pub station: usize,
    /// The visit, or the setting, that left it working.
    pub from: Date,
    /// The visit that ended it.
    pub to: Date,
    /// What that visit found.
    pub found: Found,
    /// The animal, if the visit says.
    pub animal: Option<Animal>,
}

impl Interval {
    /// Nights between the two visits.
    pub fn nights(&self) -> f64 {
        nights(self.from, self.to)
    }

    /// The day in its middle.
    pub fn middle(&self) -> Date {
        let half = (self.nights() / 2.0).floor() as i64;
        self.from.saturating_add(jiff::Span::new().days(half))
    }
}

/// The time from when a station was made ready until it was activated, as far as visits
/// tell: more than `least` and at most `most` nights. `most` is infinite where it was not
/// activated while it was watched.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Spell {
    /// Position of the station in the list given.
    pub station: usize,
    /// Nights after which it was last seen ready.
    pub least: f64,
    /// Nights after which it was found activated.
    pub most: f64,
}

/// The histories of all stations.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct History {
    /// Intervals in which stations worked, by station and time.
    pub intervals: Vec<Interval>,
    /// Spells, by station and time.
    pub spells: Vec<Spell>,
    /// Rows that do not say whether the station was serviced and found it not intact: it
    /// is taken as serviced.
    pub unsaid: usize,
    /// Visits that found a station which had not been left working.
    pub idle_visits: usize,
}

pub(super) fn nights(from: Date, to: Date) -> f64 {
    from.until(to).map_or(0.0, |span| f64::from(span.get_days()))
}

/// Reads the histories from a log whose checks are sorted by day.
///
/// A station works from the day it was set, or where that is not known from its first
/// check. A visit leaves it working unless it lifts it, or finds it other than intact and
/// says that it was not serviced. Rows of unknown stations, rows from before the station
/// was set and rows that nobody checked are passed over. Time in which a station did not
/// work belongs to no interval.
///
/// A spell begins when a station is set or made ready after it was not intact, and runs on
/// over visits that find it intact. It ends activated, or is cut short where the station
/// was last seen ready: a head taken, a capsule missing, damage or lifting end it there.
pub fn history(stations: &[Placed<Station>], checks: &[Check]) -> History {
    let mut by_station: HashMap<&str, Vec<&Check>> = HashMap::new();
    for check in checks.iter().filter(|c| c.found != Found::NotChecked || c.lifted) {
        by_station.entry(&check.station_id).or_default().push(check);
    }
    let mut history = History::default();
    for (k, station) in stations.iter().enumerate() {
        if let Some(visits) = by_station.get(&*station.what.station_id) {
            history.add(k, &station.what, visits);
        }
    }
    history
}

impl History {
    fn add(&mut self, station: usize, what: &Station, visits: &[&Check]) {
        let mut visits = visits.iter().filter(|c| what.set_on.is_none_or(|set| c.date >= set));
        // The day it was left working, the day it was made ready, the day it was last seen ready.
        let mut working: Option<Date> = what.set_on;
        let mut ready = working;
        let mut seen = working;
        if working.is_none() {
            let Some(first) = visits.next() else { return };
            working = self.leaves_working(first).then_some(first.date);
            (ready, seen) = (working, working);
        }
        for check in visits {
            if let (Some(from), Some(since), Some(last)) = (working, ready, seen) {
                self.intervals.push(Interval {
                    station,
                    from,
                    to: check.date,
                    found: check.found,
                    animal: check.animal.clone(),
                });
                let intact = matches!(check.found, Found::Intact | Found::NotChecked);
                seen = Some(if check.found == Found::Intact { check.date } else { last });
                if check.found == Found::Activated {
                    self.spell(station, nights(since, last), nights(since, check.date));
                } else if !intact || check.lifted {
                    self.spell(station, nights(since, seen.unwrap_or(last)), f64::INFINITY);
                }
                if !intact {
                    (ready, seen) = (None, None);
                }
            } else if check.found != Found::Intact {
                self.idle_visits += 1;
            }
            working = self.leaves_working(check).then_some(check.date);
            match working {
                None => (ready, seen) = (None, None),
                Some(day) if ready.is_none() => (ready, seen) = (Some(day), Some(day)),
                Some(_) => {}
            }
        }
        if let (Some(since), Some(last)) = (ready, seen) {
            self.spell(station, nights(since, last), f64::INFINITY);
        }
    }

    /// A spell cut short at once says nothing.
    fn spell(&mut self, station: usize, least: f64, most: f64) {
        if least > 0.0 || most.is_finite() {
            self.spells.push(Spell { station, least, most });
        }
    }

    fn leaves_working(&mut self, check: &Check) -> bool {
        if check.lifted {
            return false;
        }
        if matches!(check.found, Found::Intact | Found::NotChecked) {
            return true;
        }
        if check.serviced.is_none() {
            self.unsaid += 1;
        }
        check.serviced.unwrap_or(true)
    }
}
