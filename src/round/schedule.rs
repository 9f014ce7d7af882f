//! When each station is due for its next check.

use std::collections::HashMap;
use std::sync::Arc;

use jiff::ToSpan;
use jiff::civil::Date;

use super::RoundError;
use crate::frame::Placed;
use crate::record::{Animal, Check, Found, Station};

/// A check interval of the user's own for some stations.
#[derive(Clone, PartialEq, Debug)]
pub struct IntervalRule {
    /// Ids of the stations it holds for; empty for all.
    pub stations: Vec<String>,
    /// The batch it holds for; `None` for all.
    pub batch: Option<String>,
    /// Days between checks.
    pub every_days: u32,
    /// Why, in the user's words: a permit, a label.
    pub reason: Option<String>,
}

impl IntervalRule {
    fn holds_for(&self, station: &Station) -> bool {
        (self.stations.is_empty() || self.stations.iter().any(|id| **id == *station.station_id))
            && self.batch.as_ref().is_none_or(|batch| station.batch.as_deref() == Some(batch))
    }
}

/// How due dates follow.
#[derive(Clone, PartialEq, Debug)]
pub struct ScheduleSettings {
    /// Days between checks where no rule holds. Local rules can demand more often, up to
    /// every day; the interval is the user's.
    pub every_days: u32,
    /// Rules; the first that holds for a station counts.
    pub rules: Vec<IntervalRule>,
    /// The day on which the list is made; stations due before it are overdue.
    pub on: Option<Date>,
    /// The animals that the stations are meant for. A take by any other puts a station first.
    pub targets: Vec<Animal>,
}

impl Default for ScheduleSettings {
    /// Every 28 days (common practice, no source); dogs and foxes are meant.
    fn default() -> Self {
        Self { every_days: 28, rules: Vec::new(), on: None, targets: vec![Animal::Dog, Animal::Fox] }
    }
}

/// How pressing a station is, the most pressing first.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Urgency {
    /// It must not stand where it is, and is lifted and not checked.
    Lift,
    /// The last visit found a take by an animal that the stations are not meant for.
    Review,
    /// A capsule is missing.
    OpenItem,
    /// Its day has passed.
    Overdue,
    /// Its day comes.
    Due,
    /// Neither set nor checked on any known day.
    Undated,
}

impl Urgency {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            Urgency::Lift => "lift",
            Urgency::Review => "review",
            Urgency::OpenItem => "open-item",
            Urgency::Overdue => "overdue",
            Urgency::Due => "due",
            Urgency::Undated => "undated",
        }
    }

    /// Whether it does not wait for its day.
    pub fn is_pressing(self) -> bool {
        matches!(self, Urgency::Lift | Urgency::Review | Urgency::OpenItem | Urgency::Overdue)
    }
}

/// When one station is due.
#[derive(Clone, PartialEq, Debug)]
pub struct Due {
    /// The station.
    pub station_id: Arc<str>,
    /// The day; `None` where neither a set date nor a check is known.
    pub due_on: Option<Date>,
    /// Days since that day, negative before it; `None` without one.
    pub days_over: Option<i32>,
    /// The last visit, if any.
    pub checked_on: Option<Date>,
    /// The interval in days that gave the day.
    pub every_days: u32,
    /// Why that interval, where a rule says.
    pub reason: Option<String>,
    /// How pressing.
    pub urgency: Urgency,
}

impl Due {
    /// Makes of a check that is due a station to be lifted on a day, whatever its interval.
    pub fn lift_on(&mut self, day: Option<Date>) {
        (self.due_on, self.days_over, self.urgency) = (day, day.map(|_| 0), Urgency::Lift);
        self.reason = None;
    }
}

/// Due dates of stations in the ground, the most pressing first: takes by other animals,
/// missing capsules, then by date. Gives the day the list is made for too: the one asked
/// for, or the last day that stations and log name, so that no clock is read.
///
/// # Errors
/// [`RoundError::Calendar`] for a day beyond the calendar.
pub fn due_list(
    stations: &[Placed<Station>],
    checks: &[Check],
    settings: &ScheduleSettings,
) -> Result<(Option<Date>, Vec<Due>), RoundError> {
    let mut visits: HashMap<&str, Vec<&Check>> = HashMap::new();
    for check in checks {
        visits.entry(&check.station_id).or_default().push(check);
    }
    let known = stations.iter().filter_map(|s| s.what.set_on).chain(checks.iter().map(|c| c.date));
    let on = settings.on.or_else(|| known.max());
    let mut list = Vec::with_capacity(stations.len());
    for station in stations {
        let own = visits.get(&*station.what.station_id).map_or(&[][..], Vec::as_slice);
        list.push(due_of(&station.what, own, settings, on)?);
    }
    list.sort_by(|a, b| {
        let day = |due: &Due| (due.due_on.is_none(), due.due_on);
        let rank = |due: &Due| match due.urgency {
            Urgency::Review => 0,
            Urgency::OpenItem => 1,
            _ => 2,
        };
        rank(a).cmp(&rank(b)).then(day(a).cmp(&day(b))).then(a.station_id.cmp(&b.station_id))
    });
    Ok((on, list))
}

fn due_of(
    station: &Station,
    checks: &[&Check],
    settings: &ScheduleSettings,
    on: Option<Date>,
) -> Result<Due, RoundError> {
    let rule = settings.rules.iter().find(|rule| rule.holds_for(station));
    let every_days = rule.map_or(settings.every_days, |rule| rule.every_days);
    let seen = checks.iter().filter(|c| c.found != Found::NotChecked);
    // Of several visits on one day the last in the log counts.
    let last = seen.clone().max_by_key(|c| c.date);
    let since = last.map(|c| c.date).max(station.set_on);
    let due_on = match since {
        None => None,
        Some(day) => Some(
            day.checked_add(i64::from(every_days).days())
                .map_err(|_| RoundError::Calendar { day, days: every_days })?,
        ),
    };
    let days_over = match (on, due_on) {
        (Some(on), Some(due)) => Some(on.since(due).map_or(0, |span| span.get_days())),
        _ => None,
    };
    let urgency = if last.is_some_and(|c| is_other_take(c, &settings.targets)) {
        Urgency::Review
    } else if is_missing(checks) {
        Urgency::OpenItem
    } else {
        match days_over {
            None => Urgency::Undated,
            Some(days) if days > 0 => Urgency::Overdue,
            Some(_) => Urgency::Due,
        }
    };
    Ok(Due {
        station_id: station.station_id.clone(),
        due_on,
        days_over,
        checked_on: last.map(|c| c.date),
        every_days,
        reason: rule.and_then(|rule| rule.reason.clone()),
        urgency,
    })
}

/// Whether a visit found a take by a known animal that the stations are not meant for.
pub fn is_other_take(check: &Check, targets: &[Animal]) -> bool {
    matches!(check.found, Found::Activated | Found::BaitTaken)
        && check.animal.as_ref().is_some_and(|animal| !targets.contains(animal))
}

/// Whether a capsule went missing and no later row closed the matter.
fn is_missing(checks: &[&Check]) -> bool {
    let mut in_order = checks.to_vec();
    in_order.sort_by_key(|c| c.date);
    in_order.iter().fold(false, |open, c| !c.closed && (open || c.found == Found::Missing))
}
