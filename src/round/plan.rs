//! The whole round: what is asked, what comes out, and which stations can be visited.

use super::drive::{Drive, Ways};
use super::reach::{nearest, reach};
use super::travel::{Barrier, Leg, Passage, Speeds, TravelNet};
use super::{RoundError, TourSearch};
use crate::frame::GroundPoint;
use crate::network::{Foot, Network};

/// How a round is planned.
#[derive(Clone, PartialEq, Debug)]
pub struct RoundSettings {
    /// Speeds and the kinds travelled.
    pub speeds: Speeds,
    /// Minutes at each station, the walk not counted.
    pub minutes_per_station: f64,
    /// Hours of a day; `None` for one day however long.
    pub hours_per_day: Option<f64>,
    /// The farthest walk off the lines to a station that the tour takes in, in metres.
    pub walk_limit_m: f64,
    /// How the tour is searched for.
    pub search: TourSearch,
}

impl Default for RoundSettings {
    /// Ten minutes a station, one day, walks up to 500 m (common practice, no source).
    fn default() -> Self {
        Self {
            speeds: Speeds::default(),
            minutes_per_station: 10.0,
            hours_per_day: None,
            walk_limit_m: 500.0,
            search: TourSearch::default(),
        }
    }
}

/// Where a round ends.
#[derive(Clone, Copy, PartialEq, Debug)]
pub enum RoundEnd {
    /// Back at the start.
    AtStart,
    /// At its last station.
    Open,
    /// At another place.
    At(GroundPoint),
}

/// What is travelled: the network, how each edge may be passed, and locked gates.
#[derive(Clone, Copy)]
pub struct Ground<'a> {
    /// The network.
    pub network: &'a Network,
    /// One entry an edge.
    pub passages: &'a [Passage],
    /// Places that cannot be passed.
    pub barriers: &'a [Barrier],
}

/// A station to visit.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Call {
    /// Where it stands.
    pub at: GroundPoint,
    /// Whether it should be seen early: overdue, or something to look into.
    pub pressing: bool,
}

/// One station on the round.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Stop {
    /// Position of the station in the list given.
    pub station: usize,
    /// Metres on foot from the nearest line that the crew can reach, one way.
    pub walk_m: f64,
    /// When it is visited; `None` where lines do not reach it.
    pub visit: Option<Visit>,
}

/// When a station is visited.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Visit {
    /// The day, from 1.
    pub day: usize,
    /// Its place on the round, from 1, counted through all days.
    pub order: usize,
    /// Metres along the lines from the stop before.
    pub leg_m: f64,
    /// Metres along the lines since the day's start.
    pub distance_m: f64,
    /// Minutes since the day's start at which the walk to it begins.
    pub arrive_min: f64,
}

/// One day of a round.
#[derive(Clone, PartialEq, Debug)]
pub struct Day {
    /// Positions of its stations in the list given, in order.
    pub stations: Vec<usize>,
    /// The legs between its stops; the last leads home, unless the round ends at a station.
    pub legs: Vec<Leg>,
    /// Metres along the lines.
    pub length_m: f64,
    /// Metres on foot, there and back.
    pub walk_m: f64,
    /// Minutes of travel, walks and work.
    pub minutes: f64,
}

/// A planned round.
#[derive(Clone, PartialEq, Debug)]
pub struct Round {
    /// The start on the lines.
    pub start: Foot,
    /// Every station in the order given.
    pub stops: Vec<Stop>,
    /// The days.
    pub days: Vec<Day>,
    /// Metres along the lines, all days.
    pub length_m: f64,
    /// Metres along the lines of the tour in one go.
    pub tour_m: f64,
    /// No round through these stations is shorter, in metres: the bound of Held & Karp
    /// (1971) on a single tour, which no round of several days undercuts.
    pub lower_bound_m: f64,
}

/// Plans the round through every station that lines reach.
///
/// Distances are shortest ways along passable lines; the tour is the shortest by distance,
/// the days are limited by time. Every day starts at the start and ends there, save the
/// last, which ends as `end` says. Of rounds as long as each other the one is taken that
/// sees pressing stations early: days that hold more of them come first, and a day is
/// driven in the direction that meets them sooner. A station farther than the walk limit from every line
/// that can be reached from the start and left again keeps its place in `stops` without a
/// visit.
///
/// # Errors
/// [`RoundError::NoWay`] if no passable line is near the start or the end;
/// [`RoundError::Setting`] for a setting out of range.
pub fn plan_round(
    ground: Ground,
    start: GroundPoint,
    end: RoundEnd,
    stations: &[Call],
    settings: &RoundSettings,
) -> Result<Round, RoundError> {
    check(settings)?;
    let open = |edge: u32| ground.passages[edge as usize].forward || ground.passages[edge as usize].back;
    let near = |at, what| nearest(ground, at, open).ok_or(RoundError::NoWay { what });
    let start_foot = near(start, "start")?;
    let reached = reach(ground, &start_foot);
    let end_foot = match end {
        RoundEnd::At(at) => {
            Some(nearest(ground, at, |e| reached[e as usize]).ok_or(RoundError::NoWay { what: "end" })?)
        }
        _ => None,
    };
    let feet: Vec<Option<Foot>> =
        stations.iter().map(|call| nearest(ground, call.at, |e| reached[e as usize])).collect();
    let taken = |foot: &Foot| foot.offset_m <= settings.walk_limit_m;
    let mut visited: Vec<usize> =
        (0..stations.len()).filter(|&k| feet[k].as_ref().is_some_and(taken)).collect();
    // A locked gate within an edge can still cut off its far part.
    let all_feet = |visited: &[usize]| -> Vec<Foot> {
        let at_stations = visited.iter().filter_map(|&k| feet[k]);
        [start_foot].into_iter().chain(at_stations).chain(end_foot).collect()
    };
    let mut net = TravelNet::new(ground.network, ground.passages, &all_feet(&visited), ground.barriers);
    let mut table = net.table();
    let stops = visited.len() + 1 + usize::from(end_foot.is_some());
    let cut_off = |k: usize| !(table[k].0.is_finite() && table[k * stops].0.is_finite());
    if end_foot.is_some() && cut_off(stops - 1) {
        return Err(RoundError::NoWay { what: "end" });
    }
    let kept: Vec<usize> = (1..=visited.len()).filter(|&k| !cut_off(k)).map(|k| visited[k - 1]).collect();
    if kept.len() < visited.len() {
        visited = kept;
        net = TravelNet::new(ground.network, ground.passages, &all_feet(&visited), ground.barriers);
        table = net.table();
    }
    let ways = Ways::new(net, table, visited.len() + 1 + usize::from(end_foot.is_some()));
    Drive { ways, start: start_foot, feet: &feet, visited: &visited, stations, end, settings }.plan()
}

fn check(settings: &RoundSettings) -> Result<(), RoundError> {
    let speeds = &settings.speeds;
    let above = [
        ("road_km_h", speeds.road_km_h),
        ("track_km_h", speeds.track_km_h),
        ("walk_km_h", speeds.walk_km_h),
        ("hours_per_day", settings.hours_per_day.unwrap_or(1.0)),
    ];
    if let Some(&(name, value)) = above.iter().find(|(_, v)| !(v.is_finite() && *v > 0.0)) {
        return Err(RoundError::Setting { name, value, wanted: "a number more than 0" });
    }
    let from_zero =
        [("minutes_per_station", settings.minutes_per_station), ("walk_limit_m", settings.walk_limit_m)];
    match from_zero.iter().find(|(_, v)| !(v.is_finite() && *v >= 0.0)) {
        Some(&(name, value)) => Err(RoundError::Setting { name, value, wanted: "a number of 0 or more" }),
        None => Ok(()),
    }
}
