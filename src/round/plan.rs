//! The whole round: feet, tour, days, legs.

use super::days::{Times, cut_into_days};
use super::travel::{Barrier, Leg, Passage, Speeds, TravelNet};
use super::{RoundError, TourEnd, TourSearch, TravelMatrix, shortest_tour};
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
    let ways = Ways { net, table, stops: visited.len() + 1 + usize::from(end_foot.is_some()) };
    tour_and_days(ways, start_foot, &feet, &visited, stations, end, settings)
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

/// The ways between the stops: 0 is the start, then the stations visited, then the end.
struct Ways {
    net: TravelNet,
    table: Vec<(f64, f64)>,
    stops: usize,
}

impl Ways {
    fn minutes(&self, from: usize, to: usize) -> f64 {
        self.table[from * self.stops + to].1
    }

    fn matrix(&self) -> Result<TravelMatrix, RoundError> {
        TravelMatrix::new(self.stops, self.table.iter().map(|t| t.0).collect())
    }
}

fn tour_and_days(
    ways: Ways,
    start: Foot,
    feet: &[Option<Foot>],
    visited: &[usize],
    stations: &[Call],
    end: RoundEnd,
    settings: &RoundSettings,
) -> Result<Round, RoundError> {
    let matrix = even(ways.matrix()?)?;
    let last = ways.stops - 1;
    let (tour_end, last_end) = match end {
        RoundEnd::AtStart => (TourEnd::AtStart, Some(0)),
        RoundEnd::Open => (TourEnd::Anywhere, None),
        RoundEnd::At(_) => (TourEnd::AtLast, Some(last)),
    };
    let tour = shortest_tour(&matrix, tour_end, &settings.search);
    let is_station = |stop: &usize| (1..=visited.len()).contains(stop);
    let order: Vec<usize> = tour.order.iter().copied().filter(is_station).collect();
    let walk_m = |stop: usize| feet[visited[stop - 1]].map_or(0.0, |f| f.offset_m);
    let at_stop: Vec<f64> = (0..ways.stops)
        .map(|stop| match is_station(&stop) {
            true => settings.minutes_per_station + settings.speeds.walk_minutes(2.0 * walk_m(stop)),
            false => 0.0,
        })
        .collect();
    let times = Times {
        travel: &|a, b| ways.minutes(a, b),
        at_stop: &at_stop,
        last_end,
        limit: settings.hours_per_day.map_or(f64::INFINITY, |h| h * 60.0),
    };
    let mut days = cut_into_days(&order, &times);
    if days.len() > 1 {
        reorder_days(&mut days, &matrix, tour_end, &times, settings);
    }
    pressing_first(&mut days, &times, |stop| stations[visited[stop - 1]].pressing);
    let mut stops: Vec<Stop> = feet
        .iter()
        .enumerate()
        .map(|(station, foot)| Stop {
            station,
            walk_m: foot.map_or(f64::INFINITY, |f| f.offset_m),
            visit: None,
        })
        .collect();
    let mut before = 0;
    let count = days.len();
    let mut written = Vec::with_capacity(count);
    for (d, day) in days.iter().enumerate() {
        let home = if d + 1 == count { last_end } else { Some(0) };
        written.push(write_day(&ways, day, home, d + 1, &mut before, visited, &at_stop, &mut stops));
    }
    let walked = |day: &Day| 2.0 * day.stations.iter().map(|&k| stops[k].walk_m).sum::<f64>();
    written.iter_mut().for_each(|day| day.walk_m = walked(day));
    let length_m = written.iter().map(|d| d.length_m).sum();
    Ok(Round {
        start,
        stops,
        days: written,
        length_m,
        tour_m: tour.length_m,
        lower_bound_m: tour.lower_bound_m,
    })
}

/// The matrix with both directions equal where they differ by rounding only.
fn even(matrix: TravelMatrix) -> Result<TravelMatrix, RoundError> {
    let n = matrix.stops();
    let alike = |a: f64, b: f64| (a - b).abs() <= 1e-9 * a.max(b);
    if !(0..n).all(|i| (0..i).all(|j| alike(matrix.metres(i, j), matrix.metres(j, i)))) {
        return Ok(matrix);
    }
    Ok(matrix.lesser())
}

/// The shortest order within each day.
fn reorder_days(
    days: &mut [Vec<usize>],
    matrix: &TravelMatrix,
    tour_end: TourEnd,
    times: &Times,
    settings: &RoundSettings,
) {
    let count = days.len();
    // The bound of a single day is told to nobody.
    let search = TourSearch { branch_looks: 0.0, ..settings.search };
    for (d, day) in days.iter_mut().enumerate() {
        let is_last = d + 1 == count;
        let day_end = if is_last { tour_end } else { TourEnd::AtStart };
        let mut stops = vec![0];
        stops.extend_from_slice(day);
        if day_end == TourEnd::AtLast {
            stops.push(matrix.stops() - 1);
        }
        let found = shortest_tour(&matrix.of_stops(&stops), day_end, &search);
        let better: Vec<usize> = found.order.iter().map(|&k| stops[k]).filter(|s| day.contains(s)).collect();
        if times.day(&better, is_last) <= times.day(day, is_last).max(times.limit) {
            *day = better;
        }
    }
}

/// Days with more pressing stations first, and every day in the direction that meets its
/// own sooner, where that makes no day longer. A last day with an end of its own stays last.
fn pressing_first(days: &mut [Vec<usize>], times: &Times, pressing: impl Fn(usize) -> bool) {
    let count = days.len();
    let all_return = times.last_end == Some(0);
    let free = if all_return { count } else { count - 1 };
    let places = |day: &[usize]| -> usize {
        day.iter().enumerate().filter(|(_, s)| pressing(**s)).map(|(k, _)| k).sum()
    };
    for day in &mut days[..free] {
        let turned: Vec<usize> = day.iter().rev().copied().collect();
        let longer = times.day(&turned, all_return) > times.day(day, all_return) + 1e-6;
        if !longer && places(&turned) < places(day) {
            *day = turned;
        }
    }
    days[..free].sort_by_key(|day| std::cmp::Reverse(day.iter().filter(|s| pressing(**s)).count()));
}

#[allow(clippy::too_many_arguments)] // fills the stops of one day from plain tables
fn write_day(
    ways: &Ways,
    day: &[usize],
    home: Option<usize>,
    number: usize,
    before: &mut usize,
    visited: &[usize],
    at_stop: &[f64],
    stops: &mut [Stop],
) -> Day {
    let mut written =
        Day { stations: Vec::new(), legs: Vec::new(), length_m: 0.0, walk_m: 0.0, minutes: 0.0 };
    let mut here = 0;
    for next in day.iter().copied().chain(home) {
        let leg = ways.net.legs(here, &[next]).pop().flatten().unwrap_or_default();
        written.length_m += leg.metres;
        written.minutes += leg.minutes;
        if day.contains(&next) {
            *before += 1;
            let station = visited[next - 1];
            stops[station].visit = Some(Visit {
                day: number,
                order: *before,
                leg_m: leg.metres,
                distance_m: written.length_m,
                arrive_min: written.minutes,
            });
            written.stations.push(station);
            written.minutes += at_stop[next];
        }
        written.legs.push(leg);
        here = next;
    }
    written
}

/// The nearest foot on the edges that `takes` accepts, however far.
fn nearest(ground: Ground, at: GroundPoint, takes: impl Fn(u32) -> bool + Copy) -> Option<Foot> {
    let edges = ground.network.edges();
    let accept = |edge: &crate::network::Edge| takes(index_of(edges, edge));
    let mut within_m = 100.0;
    while within_m < 2e6 {
        if let Some(foot) = ground.network.nearest_foot(at, within_m, accept) {
            return Some(foot);
        }
        within_m *= 8.0;
    }
    None
}

/// The position of an edge in the slice it was borrowed from.
fn index_of<T>(slice: &[T], item: &T) -> u32 {
    ((std::ptr::from_ref(item) as usize - slice.as_ptr() as usize) / size_of::<T>()) as u32
}

/// Which edges can be reached from the start and left back to it.
fn reach(ground: Ground, start: &Foot) -> Vec<bool> {
    let edges = ground.network.edges();
    let barred: std::collections::HashSet<u32> = ground.barriers.iter().map(|b| b.edge).collect();
    let first = &edges[start.edge as usize];
    let through = |edge: u32, along: bool| {
        let p = ground.passages[edge as usize];
        !barred.contains(&edge) && if along { p.forward } else { p.back }
    };
    let flood = |outward: bool| {
        let mut seen = vec![false; ground.network.nodes().len()];
        let p = ground.passages[start.edge as usize];
        let mut stack: Vec<u32> = Vec::new();
        // Out of the start edge by the ends that its passage allows.
        if (p.forward && outward) || (p.back && !outward) {
            stack.push(first.to);
        }
        if (p.back && outward) || (p.forward && !outward) {
            stack.push(first.from);
        }
        while let Some(node) = stack.pop() {
            if std::mem::replace(&mut seen[node as usize], true) {
                continue;
            }
            for end in ground.network.ends_at(node) {
                // Outward an edge is travelled away from the node, inward towards it.
                if through(end.edge, end.at_to != outward) {
                    let edge = &edges[end.edge as usize];
                    stack.push(if end.at_to { edge.from } else { edge.to });
                }
            }
        }
        seen
    };
    let (out, back) = (flood(true), flood(false));
    edges
        .iter()
        .zip(ground.passages)
        .enumerate()
        .map(|(k, (e, p))| {
            let (from, to) = (e.from as usize, e.to as usize);
            let passes = (p.forward && out[from] && back[to]) || (p.back && out[to] && back[from]);
            // Up to a locked gate and back again.
            let to_gate = barred.contains(&(k as u32))
                && p.forward
                && p.back
                && ((out[from] && back[from]) || (out[to] && back[to]));
            passes || to_gate || k as u32 == start.edge
        })
        .collect()
}
