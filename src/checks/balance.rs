//! The account of every capsule.

use std::collections::BTreeMap;
use std::sync::Arc;

use jiff::civil::Date;

use crate::frame::Placed;
use crate::record::{Check, Found, SourcePlace, Station, StationState};

/// What happened to capsules, or to a group of them. Every row of the log keeps
/// `issued = in_ground + discharged + returned + lost + unaccounted`, so every sum does.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Account {
    /// Taken from the store.
    pub issued: i64,
    /// More in the ground than before (a change, not a stock).
    pub in_ground: i64,
    /// Discharged by an animal.
    pub discharged: i64,
    /// Brought back to the store.
    pub returned: i64,
    /// Missing, less those found again.
    pub lost: i64,
    /// Issued and nowhere; negative where more are in the ground than were issued.
    pub unaccounted: i64,
}

impl std::ops::AddAssign for Account {
    fn add_assign(&mut self, other: Account) {
        self.issued += other.issued;
        self.in_ground += other.in_ground;
        self.discharged += other.discharged;
        self.returned += other.returned;
        self.lost += other.lost;
        self.unaccounted += other.unaccounted;
    }
}

/// One row of the log, or the setting of a station, as an entry of the account.
#[derive(Clone, PartialEq, Debug)]
pub struct Entry {
    /// The station.
    pub station_id: Arc<str>,
    /// The day; `None` for a station whose set date is not known.
    pub date: Option<Date>,
    /// Who.
    pub by: Option<Arc<str>>,
    /// The batch.
    pub batch: Option<Arc<str>>,
    /// What it did.
    pub account: Account,
    /// The row, or the station.
    pub source: SourcePlace,
}

/// A capsule that was missing at a check and is not yet explained.
#[derive(Clone, PartialEq, Debug)]
pub struct OpenItem {
    /// The station.
    pub station_id: Arc<str>,
    /// The day it was found missing.
    pub since: Date,
    /// Who found it missing.
    pub by: Option<Arc<str>>,
    /// Its batch.
    pub batch: Option<Arc<str>>,
    /// How many capsules.
    pub capsules: i64,
}

/// The whole account.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Balance {
    /// Everything.
    pub total: Account,
    /// By day.
    pub by_day: BTreeMap<Option<Date>, Account>,
    /// By batch.
    pub by_batch: BTreeMap<Option<Arc<str>>, Account>,
    /// By person.
    pub by_person: BTreeMap<Option<Arc<str>>, Account>,
    /// Rows that do not balance, in order.
    pub faults: Vec<Entry>,
    /// Missing capsules.
    pub open_items: Vec<OpenItem>,
}

impl Balance {
    /// Whether every capsule is accounted for.
    pub fn holds(&self) -> bool {
        self.faults.is_empty()
    }
}

/// What stands at a station between two visits.
#[derive(Clone, Default)]
struct Ground {
    capsules: i64,
    batch: Option<Arc<str>>,
}

/// Adds up the capsules of a log whose checks are sorted by day.
///
/// A station that is or was set holds `capsules_per_station` capsules from the day it was
/// set, issued to whoever set it. A visit that finds it activated discharges them; one that
/// finds them missing loses them; what the visit brings back and takes out is read from the
/// log. After a visit the ground must hold nothing if the station was lifted, the full
/// number if it was serviced or got capsules, and what was left otherwise. The
/// difference is unaccounted: a capsule issued and nowhere (positive), or in the ground and
/// never issued (negative).
///
/// A row may name a station that is not known, by a slip of the pen as a rule: it is taken to
/// stand there ready, since the station meant is in the account already, and only what the
/// row moves counts.
///
/// A station whose capsule was missing stays an open item until a row of that station says
/// `closed`; a capsule that such a row brings back is no longer lost.
pub fn balance(stations: &[Placed<Station>], checks: &[Check], capsules_per_station: u32) -> Balance {
    let full = i64::from(capsules_per_station);
    let mut balance = Balance::default();
    let mut grounds: BTreeMap<Arc<str>, Ground> = BTreeMap::new();
    for station in stations.iter().map(|s| &s.what) {
        let was_set = match station.state {
            StationState::Set => true,
            StationState::Lifted => station.set_on.is_some(),
            StationState::Proposed => false,
        };
        if !was_set {
            grounds.insert(station.station_id.clone(), Ground::default());
            continue;
        }
        let account = Account { issued: full, in_ground: full, ..Account::default() };
        balance.enter(Entry {
            station_id: station.station_id.clone(),
            date: station.set_on,
            by: station.set_by.clone(),
            batch: station.batch.clone(),
            account,
            source: station.source.clone(),
        });
        grounds.insert(station.station_id.clone(), Ground { capsules: full, batch: station.batch.clone() });
    }
    for check in checks {
        let unknown = || Ground { capsules: full, batch: None };
        let ground = grounds.entry(check.station_id.clone()).or_insert_with(unknown);
        balance.visit(check, ground, full);
    }
    balance
}

impl Balance {
    fn visit(&mut self, check: &Check, ground: &mut Ground, full: i64) {
        let held = ground.capsules;
        let out = i64::from(check.capsules_out.unwrap_or(0));
        let back = i64::from(check.capsules_back.unwrap_or(0));
        let discharged = if check.found == Found::Activated { held } else { 0 };
        let missing = if check.found == Found::Missing { held } else { 0 };
        let left = held - discharged - missing;
        let refilled = check.serviced == Some(true) || out > 0;
        let after = match () {
            () if check.lifted => 0,
            () if check.found == Found::NotChecked && !refilled => left,
            () if refilled => full,
            () => left,
        };
        let found_again = self.open_items_at(check, missing, back, left, ground);
        let lost = missing - found_again;
        let old_batch = ground.batch.clone();
        let new_batch =
            if out > 0 { check.batch.clone().or_else(|| old_batch.clone()) } else { old_batch.clone() };
        let balance = held + out + found_again - discharged - missing - back - after;
        let mut old = Account { discharged, lost, ..Account::default() };
        let mut new = Account { issued: out, ..Account::default() };
        // What comes back is what stood there first, then what was taken along unused.
        old.returned = back.min(left + found_again);
        new.returned = back - old.returned;
        new.in_ground = if out > 0 { after.min(out) } else { 0 };
        old.in_ground = after - held - new.in_ground;
        old.unaccounted = -(old.in_ground + old.discharged + old.returned + old.lost);
        new.unaccounted = new.issued - new.in_ground - new.returned;
        debug_assert_eq!(old.unaccounted + new.unaccounted, balance);
        if old_batch == new_batch {
            old += new;
            new = Account::default();
        }
        for (batch, account) in [(old_batch, old), (new_batch.clone(), new)] {
            if account != Account::default() {
                self.enter(Entry {
                    station_id: check.station_id.clone(),
                    date: Some(check.date),
                    by: check.by.clone(),
                    batch,
                    account,
                    source: check.source.clone(),
                });
            }
        }
        *ground = Ground { capsules: after, batch: new_batch };
    }

    /// Opens and closes the open items of a visit; gives how many lost capsules it found.
    fn open_items_at(&mut self, check: &Check, missing: i64, back: i64, left: i64, ground: &Ground) -> i64 {
        let mut found_again = 0;
        if check.closed {
            let open: i64 = self.open_of(&check.station_id).map(|item| item.capsules).sum();
            found_again = (back - left).clamp(0, open + missing);
            self.open_items.retain(|item| item.station_id != check.station_id);
        } else if missing > 0 {
            self.open_items.push(OpenItem {
                station_id: check.station_id.clone(),
                since: check.date,
                by: check.by.clone(),
                batch: ground.batch.clone(),
                capsules: missing,
            });
        }
        found_again
    }

    fn open_of<'a>(&'a self, station_id: &'a str) -> impl Iterator<Item = &'a OpenItem> {
        self.open_items.iter().filter(move |item| &*item.station_id == station_id)
    }

    fn enter(&mut self, entry: Entry) {
        self.total += entry.account;
        *self.by_day.entry(entry.date).or_default() += entry.account;
        *self.by_batch.entry(entry.batch.clone()).or_default() += entry.account;
        *self.by_person.entry(entry.by.clone()).or_default() += entry.account;
        if entry.account.unaccounted != 0 {
            self.faults.push(entry);
        }
    }
}
