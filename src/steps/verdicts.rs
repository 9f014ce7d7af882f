//! The evidence on every station, from whatever inputs there are, and what follows from it.

use std::collections::{BTreeMap, HashMap};
use std::sync::Arc;

use geo::{Distance, Euclidean};
use geo_types::{Coord, LineString, Point};
use serde_json::{Map, Value, json};

use super::nodes::settings_of;
use super::written::counted;
use super::{Desk, Outcome, StepError, sites};
use crate::checks::{OpenItem, Quiet, QuietRule, Rate, balance, history, quiet};
use crate::frame::Placed;
use crate::plan::NonNegative;
use crate::record::{Check, Station, StationState};
use crate::round::RoundSettings;
use crate::siting::{Barred, KeepOuts};
use crate::verdict::{Evidence, Gain, Task, Verdict, decide, lifted_by_log};

/// The verdict on every station of a job.
#[derive(Default)]
pub(super) struct Verdicts {
    list: Vec<Verdict>,
    by_id: HashMap<Arc<str>, usize>,
}

impl Verdicts {
    /// All of them, in the order of the job's stations.
    pub fn list(&self) -> &[Verdict] {
        &self.list
    }

    /// The verdict on a station; nothing for an id that is no station's.
    pub fn of(&self, station_id: &str) -> Option<&Verdict> {
        self.by_id.get(station_id).and_then(|&k| self.list.get(k))
    }

    /// What is to be done at a station; a search for an id that is no station's, since all that the
    /// log tells of such a one is what it lacks.
    pub fn task(&self, station_id: &str) -> Task {
        self.of(station_id).map_or(Task::Search, |v| v.task)
    }

    /// Adds `task` and `task_reason` to the properties of a station.
    pub fn put(&self, station_id: &str, properties: &mut Map<String, Value>) {
        let reason =
            self.of(station_id).map_or("no station of the plan has this id".to_string(), Verdict::reason);
        properties.insert("task".to_string(), json!(self.task(station_id).word()));
        properties.insert("task_reason".to_string(), json!(reason));
    }

    /// Every station with its task and the reasons, as `sites.json` and `checks.json` have them.
    pub fn to_json(&self, stations: &[Placed<Station>]) -> Vec<Value> {
        let told = |station: &Placed<Station>| {
            let id = &*station.what.station_id;
            let mut properties = Map::new();
            properties.insert("station_id".to_string(), json!(id));
            self.put(id, &mut properties);
            Value::Object(properties)
        };
        stations.iter().map(told).collect()
    }

    /// Says how many stations have each task, and which are not simply served. Those that must not be
    /// armed are warnings.
    pub fn tell(&self, stations: &[Placed<Station>], outcome: &mut Outcome) {
        if self.list.is_empty() {
            return;
        }
        for task in Task::ALL.into_iter().filter(|t| !matches!(t, Task::Serve | Task::None)) {
            for (station, verdict) in stations.iter().zip(&self.list).filter(|(_, v)| v.task == task) {
                let id = &station.what.station_id;
                let text = format!("station {id}: {}; {}", task.word(), verdict.reason());
                match task {
                    Task::Move => outcome.say(text),
                    _ => outcome.warn(text),
                }
            }
        }
        let counts: Vec<String> = Task::ALL
            .into_iter()
            .map(|task| (task, self.list.iter().filter(|v| v.task == task).count()))
            .filter(|(_, count)| *count > 0)
            .map(|(task, count)| match task {
                Task::None => format!("{count} lifted already"),
                Task::Leave => format!("{count} not to be set"),
                task => format!("{count} to {}", task.word()),
            })
            .collect();
        outcome.say(format!("{}: {}", counted(self.list.len(), "station"), counts.join(", ")));
    }
}

/// The verdict on every station, from all that the job holds: keep-outs, barred places, the area,
/// the lines, the check log, and siting where there is sign.
///
/// # Errors
/// [`StepError::Setting`] for settings of the network that make no sense.
pub(super) fn verdicts(desk: &Desk, checks: &[Check], outcome: &mut Outcome) -> Result<Verdicts, StepError> {
    let job = &desk.job;
    let (keep_outs, never) = (KeepOuts::new(&job.keep_outs), KeepOuts::new(&job.never));
    let area = job.area.as_ref().map(|a| &a.lonlat.polygons);
    let barred = Barred { keep_outs: &keep_outs, never: &never, area };
    let by_station = by_station(checks);
    let open = open_items(desk, checks);
    let quiet = quiet_stations(desk, checks);
    let off_lines = off_lines(desk)?;
    let gains = gains(desk, outcome);
    let decided = |(k, station): (usize, &Placed<Station>)| {
        let id = &station.what.station_id;
        decide(&Evidence {
            station: &station.what,
            breaches: &barred.breaches(station.at),
            checks: by_station.get(&**id).map_or(&[][..], Vec::as_slice),
            open_items: &open.iter().filter(|i| i.station_id == *id).collect::<Vec<_>>(),
            quiet: quiet.get(&k).map(|quiet| (*quiet, quiet_rule(desk))),
            gain: gains.get(id).copied(),
            off_lines_m: off_lines[k],
        })
    };
    let list = job.stations.iter().enumerate().map(decided).collect();
    let by_id = job.stations.iter().enumerate().map(|(k, s)| (s.what.station_id.clone(), k)).collect();
    Ok(Verdicts { list, by_id })
}

/// Stations that stand: set, and not lifted by the check log since.
pub(super) fn standing<'d>(desk: &'d Desk, checks: &[Check]) -> Vec<&'d Placed<Station>> {
    let by_station = by_station(checks);
    let own = |id: &str| by_station.get(id).map_or(&[][..], Vec::as_slice);
    let set = desk.job.stations.iter().filter(|s| s.what.state == StationState::Set);
    set.filter(|s| lifted_by_log(&s.what, own(&s.what.station_id)).is_none()).collect()
}

fn by_station(checks: &[Check]) -> HashMap<&str, Vec<&Check>> {
    let mut by_station: HashMap<&str, Vec<&Check>> = HashMap::new();
    for check in checks {
        by_station.entry(&check.station_id).or_default().push(check);
    }
    by_station
}

/// Capsules missing at a check and not accounted for since.
pub(super) fn open_items(desk: &Desk, checks: &[Check]) -> Vec<OpenItem> {
    balance(&desk.job.stations, checks, desk.plan.checks.capsules_per_station.unwrap_or(1)).open_items
}

/// When a station counts as quiet.
pub(super) fn quiet_rule(desk: &Desk) -> QuietRule {
    let (table, rule) = (&desk.plan.checks, QuietRule::default());
    QuietRule {
        refresh_after_nights: table.refresh_after_nights.map_or(rule.refresh_after_nights, NonNegative::get),
        move_after_nights: table.move_after_nights.map_or(rule.move_after_nights, NonNegative::get),
    }
}

/// How quiet each station is, by its number.
fn quiet_stations(desk: &Desk, checks: &[Check]) -> BTreeMap<usize, Quiet> {
    let history = history(&desk.job.stations, checks);
    let mean_per_night = Rate::of(&history.intervals).per_100_nights().unwrap_or(0.0) / 100.0;
    let all = quiet(&history, mean_per_night, quiet_rule(desk));
    all.into_iter().map(|quiet| (quiet.station, quiet)).collect()
}

/// For each station the walk beyond which no line lies that can be travelled, if none does; nothing
/// where the job has no such line at all.
fn off_lines(desk: &Desk) -> Result<Vec<Option<f64>>, StepError> {
    let travel = settings_of(desk)?.travel;
    let walk_m = desk.plan.round.walk_limit_m.map_or(RoundSettings::default().walk_limit_m, NonNegative::get);
    let lines: Vec<LineString<f64>> = (desk.job.lines.iter().filter(|l| travel.has(l.what.kind)))
        .map(|l| LineString(l.ground.iter().map(|p| Coord { x: p.x_m, y: p.y_m }).collect()))
        .collect();
    let is_off = |station: &Placed<Station>| {
        let at = Point::new(station.ground.x_m, station.ground.y_m);
        !lines.is_empty() && lines.iter().all(|line| Euclidean.distance(&at, line) > walk_m)
    };
    Ok(desk.job.stations.iter().map(|s| is_off(s).then_some(walk_m)).collect())
}

/// What siting gains without each station in its place: what the step `sites` found, or found anew
/// where it did not run. Without sign nothing is moved on account of a score.
fn gains<'d>(desk: &'d Desk, outcome: &mut Outcome) -> &'d HashMap<Arc<str>, Gain> {
    if let Some(known) = desk.gains.get() {
        return known;
    }
    let job = &desk.job;
    let any_set = job.stations.iter().any(|s| s.what.state == StationState::Set);
    let found = match any_set && !job.lines.is_empty() && !job.records.is_empty() {
        true => sites::gains(desk),
        false => Ok(HashMap::new()),
    };
    let found = found.unwrap_or_else(|why| {
        outcome.warn(format!("the stations could not be held against other places for them: {why}"));
        HashMap::new()
    });
    desk.gains.get_or_init(|| found)
}
