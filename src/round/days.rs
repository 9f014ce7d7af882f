//! Days of limited hours: a long tour cut into days that are about equally long.

/// A move is worth making where it takes more than this share off the square of a day.
const LEAST_GAIN: f64 = 1e-6;
/// Most moves for each stop. Each lowers the sum of squares, so they end by themselves long before.
const MOST_SHIFTS_A_STOP: usize = 100;

/// The times of a round, between stop 0 (the start), the stations, and where the last day
/// ends.
pub(super) struct Times<'a> {
    /// Minutes of travel from one stop to another.
    pub travel: &'a dyn Fn(usize, usize) -> f64,
    /// Minutes spent at each stop, the walk included.
    pub at_stop: &'a [f64],
    /// Where the last day ends; every other day ends at the start. `None`: at its last stop.
    pub last_end: Option<usize>,
    /// Minutes of a day.
    pub limit: f64,
}

impl Times<'_> {
    /// Minutes of a day through some stops, in order.
    pub fn day(&self, stops: &[usize], is_last: bool) -> f64 {
        let (Some(&first), Some(&last)) = (stops.first(), stops.last()) else { return 0.0 };
        let between: f64 = stops.windows(2).map(|leg| (self.travel)(leg[0], leg[1])).sum();
        let there: f64 = stops.iter().map(|&s| self.at_stop[s]).sum();
        (self.travel)(0, first) + between + there + self.home(last, is_last)
    }

    fn home(&self, from: usize, is_last: bool) -> f64 {
        match (is_last, self.last_end) {
            (true, None) => 0.0,
            (true, Some(end)) => (self.travel)(from, end),
            (false, _) => (self.travel)(from, 0),
        }
    }

    /// A day is allowed within the limit, and always if it holds one stop only.
    fn allows(&self, minutes: f64, stops: usize) -> bool {
        minutes <= self.limit || stops <= 1
    }
}

/// Cuts a tour into days: as few as its order allows, and of all such cuts the one with the
/// least sum of squared minutes, which weighs short total time against days of equal
/// length; then moves single stops to other days while that sum falls.
///
/// Cutting a given order (route first, cluster second: Beasley 1983, *Omega* 11:403–408) is
/// solved exactly by dynamic programming; the number of days is therefore the least for
/// this order, not proven least over all orders. Days × stops² time at most.
pub(super) fn cut_into_days(order: &[usize], times: &Times) -> Vec<Vec<usize>> {
    if order.is_empty() || times.day(order, true) <= times.limit {
        return vec![order.to_vec()];
    }
    let mut days = cut(order, times);
    for _ in 0..MOST_SHIFTS_A_STOP * order.len() {
        if !shift_one(&mut days, times) {
            break;
        }
    }
    days
}

fn cut(order: &[usize], times: &Times) -> Vec<Vec<usize>> {
    let n = order.len();
    // least[j]: the least sum of squares of days so far that hold the first j stops.
    let mut least = vec![f64::INFINITY; n + 1];
    least[0] = 0.0;
    let mut begins: Vec<Vec<usize>> = Vec::new();
    loop {
        let mut next = vec![f64::INFINITY; n + 1];
        let mut begin = vec![0; n + 1];
        let (mut whole, mut whole_begin) = (f64::INFINITY, 0);
        for i in (0..n).filter(|&i| least[i].is_finite()) {
            let mut out = (times.travel)(0, order[i]);
            for j in i..n {
                if j > i {
                    out += (times.travel)(order[j - 1], order[j]);
                }
                out += times.at_stop[order[j]];
                let stops = j + 1 - i;
                let minutes = out + times.home(order[j], false);
                if times.allows(minutes, stops) && least[i] + minutes * minutes < next[j + 1] {
                    (next[j + 1], begin[j + 1]) = (least[i] + minutes * minutes, i);
                }
                let last = out + times.home(order[j], true);
                if j + 1 == n && times.allows(last, stops) && least[i] + last * last < whole {
                    (whole, whole_begin) = (least[i] + last * last, i);
                }
                if out > times.limit {
                    break;
                }
            }
        }
        if whole.is_finite() || begins.len() == n {
            return trace(order, whole_begin, &begins);
        }
        begins.push(begin);
        least = next;
    }
}

/// Reads the days back from the begin of the last one.
fn trace(order: &[usize], last_begin: usize, begins: &[Vec<usize>]) -> Vec<Vec<usize>> {
    let mut days = vec![order[last_begin..].to_vec()];
    let mut end = last_begin;
    for begin in begins.iter().rev() {
        days.push(order[begin[end]..end].to_vec());
        end = begin[end];
    }
    days.reverse();
    days
}

/// Moves the one stop to the place in another day that lowers the sum of squares most.
fn shift_one(days: &mut [Vec<usize>], times: &Times) -> bool {
    let last = days.len() - 1;
    let minutes: Vec<f64> = days.iter().enumerate().map(|(d, stops)| times.day(stops, d == last)).collect();
    let mut best: Option<(f64, [usize; 4])> = None;
    for from in 0..days.len() {
        for at in 0..days[from].len() {
            if days[from].len() == 1 {
                continue;
            }
            let mut without = days[from].clone();
            let stop = without.remove(at);
            let shorter = times.day(&without, from == last);
            for to in (0..days.len()).filter(|&to| to != from) {
                for place in 0..=days[to].len() {
                    let longer = minutes[to] + detour(&days[to], place, stop, to == last, times);
                    let gain = minutes[from].powi(2) + minutes[to].powi(2) - shorter.powi(2) - longer.powi(2);
                    if longer <= times.limit.max(minutes[to])
                        && gain > best.map_or(LEAST_GAIN * minutes[from].powi(2), |b| b.0)
                    {
                        best = Some((gain, [from, at, to, place]));
                    }
                }
            }
        }
    }
    let Some((_, [from, at, to, place])) = best else { return false };
    let stop = days[from].remove(at);
    days[to].insert(place, stop);
    true
}

/// Minutes that a stop adds to a day at a place in its order.
fn detour(stops: &[usize], place: usize, stop: usize, is_last: bool, times: &Times) -> f64 {
    let before = if place == 0 { 0 } else { stops[place - 1] };
    let old = match stops.get(place) {
        Some(&after) => (times.travel)(before, after),
        None => times.home(before, is_last),
    };
    let onward = match stops.get(place) {
        Some(&after) => (times.travel)(stop, after),
        None => times.home(stop, is_last),
    };
    (times.travel)(before, stop) + times.at_stop[stop] + onward - old
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Ten stations on a straight track, a kilometre apart, at 20 km/h; ten minutes at each.
    fn line_minutes(a: usize, b: usize) -> f64 {
        3.0 * a.abs_diff(b) as f64
    }

    fn times(at_stop: &[f64], limit: f64) -> Times<'_> {
        Times { travel: &line_minutes, at_stop, last_end: Some(0), limit }
    }

    #[test]
    fn one_day_stays_whole() {
        let order: Vec<usize> = (1..=10).collect();
        let days = cut_into_days(&order, &times(&[10.0; 11], 160.0));
        assert_eq!(days, [order]);
    }

    #[test]
    fn days_keep_the_limit_and_none_is_a_stub() {
        let order: Vec<usize> = (1..=10).collect();
        let times = times(&[10.0; 11], 110.0);
        let days = cut_into_days(&order, &times);
        let minutes: Vec<f64> =
            days.iter().enumerate().map(|(d, stops)| times.day(stops, d + 1 == days.len())).collect();
        assert_eq!(days.len(), 2);
        assert!(minutes.iter().all(|&m| m <= 110.0), "{minutes:?}");
        assert!(minutes[0].min(minutes[1]) > 0.7 * minutes[0].max(minutes[1]), "{minutes:?}");
        let mut all = days.concat();
        all.sort_unstable();
        assert_eq!(all, order);
    }

    #[test]
    fn a_station_too_far_for_any_day_has_a_day_of_its_own() {
        let far = |a: usize, b: usize| if a.max(b) == 2 && a != b { 500.0 } else { line_minutes(a, b) };
        let times = Times { travel: &far, at_stop: &[0.0, 10.0, 10.0, 10.0], last_end: Some(0), limit: 60.0 };
        let days = cut_into_days(&[1, 2, 3], &times);
        assert!(days.contains(&vec![2]), "{days:?}");
        assert_eq!(days.concat().len(), 3);
    }
}
