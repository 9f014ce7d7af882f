//! The drive: the tour through the stations that lines reach, its days, and when each station
//! is visited.

use super::days::{Times, cut_into_days};
use super::plan::{Call, Day, Round, RoundEnd, RoundSettings, Stop, Visit};
use super::travel::TravelNet;
use super::{ROUNDING, ROUNDING_MIN, RoundError, Tour, TourEnd, TourSearch, TravelMatrix, shortest_tour};
use crate::network::Foot;

/// The ways between the stops: 0 is the start, then the stations visited, then the end.
pub(super) struct Ways {
    net: TravelNet,
    table: Vec<(f64, f64)>,
    stops: usize,
}

impl Ways {
    /// The ways of a net whose distances are known already, row by row.
    pub(super) fn new(net: TravelNet, table: Vec<(f64, f64)>, stops: usize) -> Self {
        Self { net, table, stops }
    }

    fn minutes(&self, from: usize, to: usize) -> f64 {
        self.table[from * self.stops + to].1
    }

    fn matrix(&self) -> Result<TravelMatrix, RoundError> {
        TravelMatrix::new(self.stops, self.table.iter().map(|t| t.0).collect())
    }
}

/// What is driven: the ways, the stations visited and what is known of them.
pub(super) struct Drive<'a> {
    /// The ways between start, stations visited and end.
    pub ways: Ways,
    /// The start on the lines.
    pub start: Foot,
    /// The foot of every station; `None` where no line is reached.
    pub feet: &'a [Option<Foot>],
    /// Positions of the stations visited; the first is stop 1.
    pub visited: &'a [usize],
    /// Every station.
    pub stations: &'a [Call],
    /// Where the round ends.
    pub end: RoundEnd,
    /// How it is planned.
    pub settings: &'a RoundSettings,
}

impl Drive<'_> {
    /// The shortest tour, cut into days, each with its legs.
    pub(super) fn plan(&self) -> Result<Round, RoundError> {
        let matrix = even(self.ways.matrix()?)?;
        let (tour_end, last_end) = match self.end {
            RoundEnd::AtStart => (TourEnd::AtStart, Some(0)),
            RoundEnd::Open => (TourEnd::Anywhere, None),
            RoundEnd::At(_) => (TourEnd::AtLast, Some(self.ways.stops - 1)),
        };
        let tour = shortest_tour(&matrix, tour_end, &self.settings.search);
        let at_stop: Vec<f64> = (0..self.ways.stops).map(|stop| self.minutes_at(stop)).collect();
        let times = Times {
            travel: &|a, b| self.ways.minutes(a, b),
            at_stop: &at_stop,
            last_end,
            limit: self.settings.hours_per_day.map_or(f64::INFINITY, |h| h * 60.0),
        };
        let order: Vec<usize> = tour.order.iter().copied().filter(|&stop| self.is_station(stop)).collect();
        let mut days = cut_into_days(&order, &times);
        if days.len() > 1 {
            reorder_days(&mut days, &matrix, tour_end, &times, self.settings);
        }
        pressing_first(&mut days, &times, |stop| self.stations[self.visited[stop - 1]].pressing);
        Ok(self.round(&tour, &days, last_end, &at_stop))
    }

    fn is_station(&self, stop: usize) -> bool {
        (1..=self.visited.len()).contains(&stop)
    }

    /// Minutes of work and walking at a stop.
    fn minutes_at(&self, stop: usize) -> f64 {
        if !self.is_station(stop) {
            return 0.0;
        }
        let walk_m = self.feet[self.visited[stop - 1]].map_or(0.0, |f| f.offset_m);
        self.settings.minutes_per_station + self.settings.speeds.walk_minutes(2.0 * walk_m)
    }

    fn round(&self, tour: &Tour, days: &[Vec<usize>], last_end: Option<usize>, at_stop: &[f64]) -> Round {
        let walk_m = |foot: &Option<Foot>| foot.map_or(f64::INFINITY, |f| f.offset_m);
        let unvisited = |(station, foot)| Stop { station, walk_m: walk_m(foot), visit: None };
        let mut stops: Vec<Stop> = self.feet.iter().enumerate().map(unvisited).collect();
        let mut before = 0;
        let mut written = Vec::with_capacity(days.len());
        for (d, stations) in days.iter().enumerate() {
            let home = if d + 1 == days.len() { last_end } else { Some(0) };
            let (day, visits) = self.day(stations, home, (d + 1, before), at_stop);
            before += visits.len();
            visits.into_iter().for_each(|(station, visit)| stops[station].visit = Some(visit));
            written.push(day);
        }
        Round {
            start: self.start,
            stops,
            length_m: written.iter().map(|day| day.length_m).sum(),
            days: written,
            tour_m: tour.length_m,
            lower_bound_m: tour.lower_bound_m,
        }
    }

    /// One day by its stops, its `number` and how many stations were visited `before` it, with
    /// the visit of each of its stations.
    fn day(
        &self,
        stops: &[usize],
        home: Option<usize>,
        (number, before): (usize, usize),
        at_stop: &[f64],
    ) -> (Day, Vec<(usize, Visit)>) {
        let mut day =
            Day { stations: Vec::new(), legs: Vec::new(), length_m: 0.0, walk_m: 0.0, minutes: 0.0 };
        let mut visits = Vec::with_capacity(stops.len());
        let mut here = 0;
        for next in stops.iter().copied().chain(home) {
            let leg = self.ways.net.legs(here, &[next]).pop().flatten().unwrap_or_default();
            day.length_m += leg.metres;
            day.minutes += leg.minutes;
            if self.is_station(next) {
                let station = self.visited[next - 1];
                visits.push((
                    station,
                    Visit {
                        day: number,
                        order: before + visits.len() + 1,
                        leg_m: leg.metres,
                        distance_m: day.length_m,
                        arrive_min: day.minutes,
                    },
                ));
                day.stations.push(station);
                day.minutes += at_stop[next];
                day.walk_m += 2.0 * self.feet[station].map_or(0.0, |f| f.offset_m);
            }
            day.legs.push(leg);
            here = next;
        }
        (day, visits)
    }
}

/// The matrix with both directions equal where they differ by rounding only.
fn even(matrix: TravelMatrix) -> Result<TravelMatrix, RoundError> {
    let n = matrix.stops();
    let alike = |a: f64, b: f64| (a - b).abs() <= ROUNDING * a.max(b);
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
        let longer = times.day(&turned, all_return) > times.day(day, all_return) + ROUNDING_MIN;
        if !longer && places(&turned) < places(day) {
            *day = turned;
        }
    }
    days[..free].sort_by_key(|day| std::cmp::Reverse(day.iter().filter(|s| pressing(**s)).count()));
}
