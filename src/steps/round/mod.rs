//! `round`: tour, schedule, kit.

mod sheet;
mod tables;

use std::time::Instant;

use jiff::civil::Date;

use super::check_rows::{read_checks, targets};
use super::nodes::settings_of;
use super::verdicts::{Verdicts, open_items, verdicts};
use super::written::said_first;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::frame::{GroundPoint, LonLat, Placed};
use crate::network::{Foot, KindSet, Network};
use crate::plan::{NonNegative, Positive, RoundTable};
use crate::record::{Access, Check, OneWay, SourcePlace, Station, StationState};
use crate::round::{
    Call, Due, Ground, IntervalRule, Passage, RoundEnd, RoundSettings, ScheduleSettings, Urgency, due_list,
    plan_round,
};
use crate::verdict::Task;
use sheet::Sheet;

/// A gate is looked for on travel lines within this many metres.
const GATE_REACH_M: f64 = 10.0;

/// Plans the round through every station that is not lifted, with due dates and kit.
///
/// Writes `round.geojson`, `round.gpx`, `round.csv`, `kit.csv`, `round.json`, and `due.ics`
/// where any date is known.
///
/// # Errors
/// [`StepError::Request`] without stations or lines or where no line can be travelled;
/// [`StepError::Setting`] for a start that is no place.
pub fn round(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let started = Instant::now();
    let mut outcome = desk.outcome();
    if desk.job.stations.iter().all(|s| s.what.state == StationState::Lifted) {
        return Err(request(desk, "no station in the ground; name a station file with --stations"));
    }
    if desk.job.lines.is_empty() {
        return Err(request(desk, "no line to travel along; name tracks and roads with --line KIND=FILE"));
    }
    let checks = read_checks(desk, &mut outcome)?;
    let verdicts = verdicts(desk, &checks, &mut outcome)?;
    let visited = |s: &&Placed<Station>| verdicts.task(&s.what.station_id).wants_a_visit();
    let stations: Vec<&Placed<Station>> = desk.job.stations.iter().filter(visited).collect();
    if stations.is_empty() {
        return Err(request(desk, "no station that wants a visit: each is lifted, or not to be set"));
    }
    let (on, due) = schedule(desk, &checks, &verdicts)?;
    desk.progress.stage("planning the round", None);
    let network = network_of(desk)?;
    let table = &desk.plan.round;
    let settings = round_settings(table, network.settings().travel);
    let (passages, barriers) = passages(desk, &network, &settings);
    let ground = Ground { network: &network, passages: &passages, barriers: &barriers };
    let (start, end) = ends(desk, &stations, &mut outcome)?;
    let calls: Vec<Call> = stations.iter().map(|s| call(s, &due, &verdicts)).collect();
    let round =
        plan_round(ground, start, end, &calls, &settings).map_err(|e| request(desk, &e.to_string()))?;
    let seconds = started.elapsed().as_secs_f64();
    let open_items = open_items(desk, &checks);
    let sheet = Sheet {
        desk,
        network: &network,
        stations: &stations,
        round: &round,
        due: &due,
        open_items: &open_items,
        verdicts: &verdicts,
        on,
        table,
        cautions: said_first(desk),
    };
    sheet.write(&settings, seconds, set, &mut outcome)?;
    Ok(outcome)
}

fn call(station: &Placed<Station>, due: &[Due], verdicts: &Verdicts) -> Call {
    let id = &station.what.station_id;
    let pressing = due.iter().find(|d| d.station_id == *id).is_some_and(|d| d.urgency.is_pressing());
    let first = matches!(verdicts.task(id), Task::Lift | Task::Search);
    Call { at: station.ground, pressing: pressing || first }
}

fn request(desk: &Desk, what: &str) -> StepError {
    StepError::Request { files: desk.files_of(&["line", "station"]), what: what.to_string() }
}

/// Due dates of the stations that somebody has to go to, but for those that are only proposed. One to be
/// lifted is due at once, and not as one to be checked.
pub(super) fn schedule(
    desk: &Desk,
    checks: &[Check],
    verdicts: &Verdicts,
) -> Result<(Option<Date>, Vec<Due>), StepError> {
    let table = &desk.plan.round;
    let defaults = ScheduleSettings::default();
    let settings = ScheduleSettings {
        every_days: table.every_days.unwrap_or(defaults.every_days),
        rules: table
            .rule
            .iter()
            .map(|rule| IntervalRule {
                stations: rule.stations.clone(),
                batch: rule.batch.clone(),
                every_days: rule.every_days,
                reason: rule.reason.clone(),
            })
            .collect(),
        on: table.on.map(|day| day.0),
        targets: targets(desk.plan),
    };
    let is_due = |s: &&Placed<Station>| {
        s.what.state != StationState::Proposed && verdicts.task(&s.what.station_id).wants_a_visit()
    };
    let set: Vec<Placed<Station>> = desk.job.stations.iter().filter(is_due).cloned().collect();
    let (on, mut due) = due_list(&set, checks, &settings).map_err(|e| request(desk, &e.to_string()))?;
    for due in due.iter_mut().filter(|d| verdicts.task(&d.station_id) == Task::Lift) {
        due.lift_on(on);
    }
    // A stable sort: the rest keep their order.
    due.sort_by_key(|due| due.urgency != Urgency::Lift);
    Ok((on, due))
}

fn network_of(desk: &Desk) -> Result<Network, StepError> {
    Network::build(&desk.job.lines, &desk.job.gates, &settings_of(desk)?)
        .map_err(|e| StepError::Request { files: desk.files_of(&["line"]), what: e.to_string() })
}

fn round_settings(table: &RoundTable, travel: KindSet) -> RoundSettings {
    let mut settings = RoundSettings::default();
    let positive = |value: Option<Positive>, default: f64| value.map_or(default, Positive::get);
    let from_zero = |value: Option<NonNegative>, default: f64| value.map_or(default, NonNegative::get);
    settings.speeds.travel = travel;
    settings.speeds.road_km_h = positive(table.road_km_h, settings.speeds.road_km_h);
    settings.speeds.track_km_h = positive(table.track_km_h, settings.speeds.track_km_h);
    settings.speeds.walk_km_h = positive(table.walk_km_h, settings.speeds.walk_km_h);
    settings.minutes_per_station = from_zero(table.minutes_per_station, settings.minutes_per_station);
    settings.walk_limit_m = from_zero(table.walk_limit_m, settings.walk_limit_m);
    settings.hours_per_day = table.hours_per_day.map(Positive::get);
    settings.search.seed = table.seed.unwrap_or(settings.search.seed);
    settings
}

/// How each edge may be passed, and the locked gates.
fn passages(desk: &Desk, network: &Network, settings: &RoundSettings) -> (Vec<Passage>, Vec<Foot>) {
    let table = &desk.plan.round;
    let mut passages: Vec<Passage> = network.edges().iter().map(|e| settings.speeds.passage(e)).collect();
    let access_of = |source: &SourcePlace| desk.job.access.iter().find(|a: &&Access| a.source == *source);
    let is_closed = |name: Option<&str>, access: Option<&Access>| {
        let named =
            |names: &[String]| name.is_some_and(|name| names.iter().any(|n| n.eq_ignore_ascii_case(name)));
        named(&table.closed) || access.is_some_and(|a| a.closed || (a.locked && !named(&table.keys)))
    };
    for (k, line) in desk.job.lines.iter().enumerate() {
        let access = access_of(&line.what.source);
        let closed = is_closed(line.what.name.as_deref(), access);
        let one_way = access.and_then(|a| a.one_way);
        if !closed && one_way.is_none() {
            continue;
        }
        for piece in network.line_pieces(k as u32) {
            let passage = &mut passages[piece.edge as usize];
            let along_edge = one_way.map(|way| (way == OneWay::Along) != piece.against);
            passage.forward &= !closed && along_edge != Some(false);
            passage.back &= !closed && along_edge != Some(true);
        }
    }
    let barriers = desk
        .job
        .gates
        .iter()
        .filter(|gate| is_closed(gate.what.name.as_deref(), access_of(&gate.what.source)))
        .filter_map(|gate| {
            network.nearest_foot(gate.ground, GATE_REACH_M, |e| e.kinds.meets(settings.speeds.travel))
        })
        .collect();
    (passages, barriers)
}

fn ends(
    desk: &Desk,
    stations: &[&Placed<Station>],
    outcome: &mut Outcome,
) -> Result<(GroundPoint, RoundEnd), StepError> {
    let table = &desk.plan.round;
    let place = |key, [lon, lat]: [f64; 2]| {
        let fault = |e: crate::frame::FrameError| StepError::Setting { key, what: e.to_string() };
        LonLat::new(lon, lat).and_then(|at| desk.job.frame.to_ground(at)).map_err(fault)
    };
    let start = match table.start {
        Some(start) => place("round.start", start)?,
        None => {
            outcome.warn("no start was given: the round starts at the line nearest to the first station (set --start LON,LAT)");
            stations[0].ground
        }
    };
    let end = match (table.end, table.open) {
        (Some(end), _) => RoundEnd::At(place("round.end", end)?),
        (None, Some(true)) => RoundEnd::Open,
        (None, _) => RoundEnd::AtStart,
    };
    Ok((start, end))
}
