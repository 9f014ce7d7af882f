//! What `round` writes.

use geo_types::{Coord, Geometry, LineString, Point};
use jiff::civil::Date;
use serde_json::{Map, Value, json};

use super::super::nodes::edge_id;
use super::super::{Desk, Outcome, StepError};
use crate::checks::OpenItem;
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, GpxPoint, GpxTrack, round_to, write_gpx};
use crate::frame::{LonLat, Placed};
use crate::network::Network;
use crate::plan::RoundTable;
use crate::record::Station;
use crate::round::{Due, Errand, Round, RoundSettings, Urgency, write_calendar};
use crate::siting::SHORT_CAUTION;
use crate::steps::verdicts::Verdicts;
use crate::steps::written::members;
use crate::verdict::{Task, Verdict};

/// A gap below this share is rounding: the tour is then the shortest.
const TOLD_GAP: f64 = 5e-7;
/// By how much minutes may be off by rounding.
const ROUNDING_MIN: f64 = 1e-6;

/// How the caution begins that the summary opens with.
const PLAN_NOT_AUTHORITY: &str = "This is a plan, not an authority";

/// The round with all that its files tell.
pub(super) struct Sheet<'a> {
    pub desk: &'a Desk<'a>,
    pub network: &'a Network,
    pub stations: &'a [&'a Placed<Station>],
    pub round: &'a Round,
    pub due: &'a [Due],
    pub open_items: &'a [OpenItem],
    /// What is to be done at each.
    pub verdicts: &'a Verdicts,
    pub on: Option<Date>,
    pub table: &'a RoundTable,
    /// What is said before anything else.
    pub cautions: Vec<String>,
}

impl Sheet<'_> {
    pub(super) fn write(
        &self,
        settings: &RoundSettings,
        seconds: f64,
        set: &mut OutputSet,
        outcome: &mut Outcome,
    ) -> Result<(), StepError> {
        let paths = self.leg_paths()?;
        self.write_geojson(&paths, set)?;
        self.write_gpx(&paths, set)?;
        self.write_csv(set)?;
        self.write_kit(set)?;
        if let Some(on) = self.on {
            let errands = self.errands();
            set.write("due.ics", |out| write_calendar(out, on, &errands, &self.cautions))?;
        }
        self.summarise(settings, seconds, set, outcome)
    }

    /// Stations in the order of the visit, then those that lines do not reach.
    pub(super) fn in_order(&self) -> Vec<usize> {
        let mut order: Vec<usize> = (0..self.stations.len()).collect();
        order.sort_by_key(|&k| self.round.stops[k].visit.map_or((1, k), |v| (0, v.order)));
        order
    }

    pub(super) fn due_of(&self, station: usize) -> Option<&Due> {
        self.due.iter().find(|d| d.station_id == self.stations[station].what.station_id)
    }

    /// What is open at a station, a sentence an item.
    pub(super) fn open_texts(&self, station: usize) -> Vec<String> {
        let id = &self.stations[station].what.station_id;
        let own = self.open_items.iter().filter(|item| item.station_id == *id);
        own.map(|item| format!("{} capsule missing since {}", item.capsules, item.since)).collect()
    }

    /// Every leg's way on the ellipsoid, by day.
    fn leg_paths(&self) -> Result<Vec<Vec<Vec<LonLat>>>, StepError> {
        let frame = &self.desk.job.frame;
        let path = |leg: &crate::round::Leg| {
            leg.path(self.network).into_iter().map(|p| frame.to_lonlat(p)).collect::<Result<Vec<_>, _>>()
        };
        let days = self.round.days.iter().map(|day| day.legs.iter().map(path).collect::<Result<Vec<_>, _>>());
        days.collect::<Result<Vec<_>, _>>().map_err(|e| crate::job::JobError::from(e).into())
    }

    fn write_geojson(&self, paths: &[Vec<Vec<LonLat>>], set: &mut OutputSet) -> Result<(), StepError> {
        let provenance = self.desk.provenance();
        let opening = [("cautions", json!(self.cautions))];
        Ok(set.write("round.geojson", |out| {
            let mut writer = GeoJsonWriter::begin_with(out, &provenance, &opening)?;
            for (d, day) in self.round.days.iter().enumerate() {
                for (k, leg) in day.legs.iter().enumerate() {
                    let line = line_string(&paths[d][k]);
                    let id = format!("leg-{}-{}", d + 1, k + 1);
                    writer.feature(&id, line.as_ref(), &self.leg_properties(d, k, leg))?;
                }
            }
            for k in self.in_order() {
                let at = self.stations[k].at;
                let point = Geometry::Point(Point::new(at.lon_deg(), at.lat_deg()));
                let id = format!("stop-{}", self.stations[k].what.station_id);
                writer.feature(&id, Some(&point), &self.stop_properties(k))?;
            }
            writer.finish().map(drop)
        })?)
    }

    fn leg_properties(&self, d: usize, k: usize, leg: &crate::round::Leg) -> Map<String, Value> {
        let day = &self.round.days[d];
        let id = |k: usize| day.stations.get(k).map(|&s| &*self.stations[s].what.station_id);
        members(json!({
            "type": "leg",
            "day": d + 1,
            "leg": k + 1,
            "from_station": k.checked_sub(1).and_then(id),
            "to_station": id(k),
            "length_m": round_to(leg.metres, 2),
            "minutes": round_to(leg.minutes, 2),
            "edges": leg.pieces.iter().map(|p| edge_id(p.edge)).collect::<Vec<_>>(),
            "caution": SHORT_CAUTION,
        }))
    }

    fn stop_properties(&self, k: usize) -> Map<String, Value> {
        let (station, stop) = (&self.stations[k].what, &self.round.stops[k]);
        let due = self.due_of(k);
        let visit = stop.visit;
        let mut properties = members(json!({
            "type": "stop",
            "station_id": &*station.station_id,
            "name": station.name.as_deref(),
            "state": station.state.word(),
            "day": visit.map(|v| v.day),
            "order": visit.map(|v| v.order),
            "leg_m": visit.map(|v| round_to(v.leg_m, 2)),
            "distance_m": visit.map(|v| round_to(v.distance_m, 2)),
            "arrive_min": visit.map(|v| round_to(v.arrive_min, 2)),
            "walk_m": stop.walk_m.is_finite().then(|| round_to(stop.walk_m, 2)),
            "due_on": due.and_then(|d| d.due_on).map(|d| d.to_string()),
            "days_over": due.and_then(|d| d.days_over),
            "urgency": due.map(|d| d.urgency.word()),
            "every_days": due.map(|d| d.every_days),
            "open_items": self.open_texts(k),
        }));
        self.verdicts.put(&station.station_id, &mut properties);
        properties.insert("caution".to_string(), json!(SHORT_CAUTION));
        properties
    }

    fn write_gpx(&self, paths: &[Vec<Vec<LonLat>>], set: &mut OutputSet) -> Result<(), StepError> {
        let points: Vec<GpxPoint> = self
            .in_order()
            .into_iter()
            .map(|k| {
                let (name, text) = self.waypoint_text(k);
                let description = format!("{text}. {SHORT_CAUTION}");
                GpxPoint { at: self.stations[k].at, name, description }
            })
            .collect();
        let tracks: Vec<GpxTrack> = paths
            .iter()
            .enumerate()
            .map(|(d, legs)| GpxTrack { name: format!("round day {}", d + 1), path: joined(legs) })
            .filter(|track| track.path.len() > 1)
            .collect();
        Ok(set.write("round.gpx", |out| write_gpx(out, &self.cautions, &points, &tracks))?)
    }

    fn waypoint_text(&self, k: usize) -> (String, String) {
        let (station, stop) = (&self.stations[k].what, &self.round.stops[k]);
        let id = &station.station_id;
        // A receiver shows the name alone.
        let (task, order) = self.order(id);
        let task =
            if task == Task::Serve { String::new() } else { format!(" {}", task.word().to_uppercase()) };
        let order = if order.is_empty() { order } else { format!("{order}. ") };
        let due = self.due_of(k).filter(|d| d.urgency != Urgency::Lift).map(|d| match d.due_on {
            Some(day) => format!(", {} {day}", d.urgency.word()),
            None => String::new(),
        });
        let open: String = self.open_texts(k).iter().map(|text| format!(", {text}")).collect();
        let due = due.unwrap_or_default() + &open;
        match stop.visit {
            Some(v) => (
                format!("{:03} {id}{task}", v.order),
                format!(
                    "{order}day {}, stop {}, {:.1} km, walk {:.0} m{due}",
                    v.day,
                    v.order,
                    v.distance_m / 1000.0,
                    stop.walk_m
                ),
            ),
            None => (
                format!("{id}{task}"),
                format!("{order}lines do not reach it, walk {:.0} m{due}", stop.walk_m),
            ),
        }
    }

    /// The task at a station, and what the crew is told to do and why where it is not simply served.
    fn order(&self, station_id: &str) -> (Task, String) {
        let reason = self.verdicts.of(station_id).map(Verdict::reason).unwrap_or_default();
        match self.verdicts.task(station_id) {
            Task::Serve => (Task::Serve, String::new()),
            task => (task, format!("{}: {reason}", task.order())),
        }
    }

    fn errands<'s>(&'s self) -> Vec<Errand<'s>> {
        let errand = |due: &'s Due| {
            let (task, order) = self.order(&due.station_id);
            let verb = match task {
                Task::Serve => "check",
                Task::Search => "search at",
                other => other.word(),
            };
            Errand { due, verb, order }
        };
        self.due.iter().map(errand).collect()
    }

    fn summarise(
        &self,
        settings: &RoundSettings,
        seconds: f64,
        set: &mut OutputSet,
        outcome: &mut Outcome,
    ) -> Result<(), StepError> {
        let round = self.round;
        let unreached = round.stops.iter().filter(|s| s.visit.is_none()).count();
        let gap = if round.tour_m > 0.0 { (round.tour_m - round.lower_bound_m) / round.tour_m } else { 0.0 };
        let days: Vec<Value> = round
            .days
            .iter()
            .enumerate()
            .map(|(d, day)| {
                json!({
                    "day": d + 1,
                    "stations": day.stations.len(),
                    "length_m": round_to(day.length_m, 2),
                    "walk_m": round_to(day.walk_m, 2),
                    "hours": round_to(day.minutes / 60.0, 3),
                })
            })
            .collect();
        let count = |urgency| self.due.iter().filter(|d| d.urgency == urgency).count();
        let summary = json!({
            "cautions": self.cautions,
            "stations": round.stops.len(),
            "reached": round.stops.len() - unreached,
            "unreached": unreached,
            "length_m": round_to(round.length_m, 2),
            "tour_m": round_to(round.tour_m, 2),
            "lower_bound_m": round_to(round.lower_bound_m, 2),
            "gap": round_to(gap, 6),
            "days": days,
            "hours_per_day": settings.hours_per_day,
            "on": self.on.map(|d| d.to_string()),
            "tasks": self.tasks(),
            "review": count(Urgency::Review),
            "open_items": count(Urgency::OpenItem),
            "overdue": count(Urgency::Overdue),
            "seconds": { "round": seconds },
        });
        set.write_summary("round.json", &summary)?;
        self.tell(settings, gap, unreached, outcome);
        outcome.set("round", summary);
        Ok(())
    }

    /// Every station with its task, those of no visit too.
    fn tasks(&self) -> Vec<Value> {
        self.verdicts.to_json(&self.desk.job.stations)
    }

    fn tell(&self, settings: &RoundSettings, gap: f64, unreached: usize, outcome: &mut Outcome) {
        let round = self.round;
        outcome.lines.extend(self.cautions.iter().filter(|c| c.starts_with(PLAN_NOT_AUTHORITY)).cloned());
        for caution in self.cautions.iter().take_while(|c| c.starts_with("The plan has no")) {
            outcome.warn(caution.clone());
        }
        let days = match round.days.len() {
            1 => "1 day".to_string(),
            n => format!("{n} days"),
        };
        outcome.say(format!(
            "round through {} stations in {days}: {:.1} km along lines",
            round.stops.len() - unreached,
            round.length_m / 1000.0
        ));
        outcome.say(if gap > TOLD_GAP {
            format!(
                "the tour in one go is {:.1} km; none is shorter than {:.1} km (gap {:.2} percent)",
                round.tour_m / 1000.0,
                round.lower_bound_m / 1000.0,
                gap * 100.0
            )
        } else {
            format!("the tour in one go is {:.1} km; none is shorter", round.tour_m / 1000.0)
        });
        for (d, day) in round.days.iter().enumerate() {
            outcome.say(format!(
                "day {}: {} stations, {:.1} km, {:.1} hours",
                d + 1,
                day.stations.len(),
                day.length_m / 1000.0,
                day.minutes / 60.0
            ));
            if settings.hours_per_day.is_some_and(|hours| day.minutes > hours * 60.0 + ROUNDING_MIN) {
                outcome.warn(format!(
                    "day {} is longer than the hours of a day: one station alone takes that long",
                    d + 1
                ));
            }
        }
        if unreached > 0 {
            outcome.warn(format!(
                "{unreached} stations are not on the tour: no line that can be travelled leads within {} m (round.walk_limit_m) of them; round.csv has the walk",
                settings.walk_limit_m
            ));
        }
        self.verdicts.tell(&self.desk.job.stations, outcome);
        self.tell_due(outcome);
    }

    fn tell_due(&self, outcome: &mut Outcome) {
        let Some(on) = self.on else {
            outcome.warn("no station has a set date or a check, so nothing is due on any day and due.ics is not written");
            return;
        };
        let count = |urgency| self.due.iter().filter(|d| d.urgency == urgency).count();
        outcome.say(format!(
            "on {on}: {} to review, {} with a missing capsule, {} overdue; the intervals are yours, and local rules can demand more",
            count(Urgency::Review),
            count(Urgency::OpenItem),
            count(Urgency::Overdue)
        ));
    }
}

fn line_string(path: &[LonLat]) -> Option<Geometry<f64>> {
    let line: Vec<Coord<f64>> = path.iter().map(|p| Coord { x: p.lon_deg(), y: p.lat_deg() }).collect();
    (line.len() > 1).then_some(Geometry::LineString(LineString(line)))
}

/// The legs of a day as one way; a place where one ends and the next begins is not repeated.
fn joined(legs: &[Vec<LonLat>]) -> Vec<LonLat> {
    let mut path: Vec<LonLat> = Vec::new();
    for &at in legs.iter().flatten() {
        if path.last() != Some(&at) {
            path.push(at);
        }
    }
    path
}
