//! The same sign reported twice.

use std::collections::{BTreeMap, HashMap};

use jiff::civil::Date;
use rayon::prelude::*;

use crate::frame::{GroundPoint, Placed};
use crate::record::{Animal, Record, Sign};

use super::days_between;

/// Records that seem to report the same sign: of one kind and one animal, not more than a
/// day apart, and within the accuracy of the poorer of the two places.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Repeats {
    /// Groups of positions in the input, each in input order, two or more a group.
    pub groups: Vec<Vec<usize>>,
}

impl Repeats {
    /// Records beyond the first of each group.
    pub fn surplus(&self) -> usize {
        self.groups.iter().map(|group| group.len() - 1).sum()
    }
}

/// Repeats, and for each record the first of its group; the latter empty if there are no groups.
#[derive(PartialEq, Eq, Debug, Default)]
pub(super) struct Grouped {
    pub repeats: Repeats,
    first_of: Vec<u32>,
}

impl Grouped {
    /// How much sign a record stands for: if repeats are merged, the first of a group
    /// stands for the largest count in it, and the others are left out.
    pub fn count_of(&self, index: usize, records: &[&Placed<Record>], merge: bool) -> Option<f64> {
        let own = records[index].what.count;
        if !merge || self.first_of.is_empty() {
            return Some(own);
        }
        if self.first_of[index] as usize != index {
            return None;
        }
        let groups = &self.repeats.groups;
        let group = groups.binary_search_by_key(&index, |group| group[0]);
        Some(group.map_or(own, |g| groups[g].iter().map(|&k| records[k].what.count).fold(0.0, f64::max)))
    }
}

/// Finds repeated records. Records without a date are never taken for repeats.
///
/// Sorted by kind, animal, day and easting, each record is compared with those that follow
/// on its day and with those of the next day, within the poorest accuracy of the two days to the
/// east and west. Records on exactly one place and day count as one in that search.
pub(super) fn find(records: &[&Placed<Record>], accuracy_m: f64) -> Grouped {
    let dated = sorted(records, accuracy_m);
    let mut first_of: Vec<u32> = (0..records.len() as u32).collect();
    let mut before: Vec<Dated> = Vec::new();
    for day in dated.chunk_by(|a, b| a.sign_and_day == b.sign_and_day) {
        let today = distinct(day, &mut first_of);
        join_within(&today, &mut first_of);
        if follows(&before, &today) {
            join_between(&before, &today, &mut first_of);
        }
        before = today;
    }
    grouped(first_of)
}

/// A record with a date, as the search sorts it.
#[derive(Clone, Copy)]
struct Dated {
    /// Number of its kind of sign and animal, and below that the number of its day: one number, since
    /// there may be millions to sort.
    sign_and_day: u64,
    at: GroundPoint,
    accuracy_m: f64,
    index: u32,
}

/// The bits of [`Dated::sign_and_day`] that tell the day.
const DAY_BITS: u32 = 32;

fn sorted(records: &[&Placed<Record>], accuracy_m: f64) -> Vec<Dated> {
    let mut numbers: BTreeMap<(Sign, Option<&Animal>), u64> = BTreeMap::new();
    let mut order: Vec<Dated> = Vec::with_capacity(records.len());
    for (record, index) in records.iter().zip(0..) {
        let Some(day) = record.what.date else { continue };
        let next = numbers.len() as u64;
        let kind = (record.what.sign, record.what.animal.as_ref());
        let same_sign = *numbers.entry(kind).or_insert(next);
        // Days are counted from the first there is, so that none is negative.
        let day = u64::from(days_between(Date::MIN, day).unsigned_abs());
        let accuracy_m = record.what.accuracy_m.unwrap_or(accuracy_m);
        order.push(Dated { sign_and_day: same_sign << DAY_BITS | day, at: record.ground, accuracy_m, index });
    }
    order.par_sort_unstable_by(|a, b| {
        let by_place = || a.at.x_m.total_cmp(&b.at.x_m).then(a.at.y_m.total_cmp(&b.at.y_m));
        a.sign_and_day.cmp(&b.sign_and_day).then_with(by_place).then(a.index.cmp(&b.index))
    });
    order
}

/// The records of one day, one for each place: those on the same place are joined.
fn distinct(day: &[Dated], first_of: &mut [u32]) -> Vec<Dated> {
    let one = |same: &[Dated]| {
        let mut one = *same.first()?;
        for other in same.iter().skip(1) {
            join(first_of, one.index, other.index);
            one.accuracy_m = one.accuracy_m.max(other.accuracy_m);
        }
        Some(one)
    };
    day.chunk_by(|a, b| a.at == b.at).filter_map(one).collect()
}

/// Whether the second of two days is the day after the first, for one kind and animal.
fn follows(before: &[Dated], today: &[Dated]) -> bool {
    let (Some(before), Some(today)) = (before.first(), today.first()) else { return false };
    before.sign_and_day + 1 == today.sign_and_day
}

fn poorest_m(day: &[Dated]) -> f64 {
    day.iter().map(|d| d.accuracy_m).fold(0.0, f64::max)
}

fn join_within(day: &[Dated], first_of: &mut [u32]) {
    let reach_m = poorest_m(day);
    for (position, a) in day.iter().enumerate() {
        let near = day[position + 1..].iter().take_while(|b| b.at.x_m <= a.at.x_m + reach_m);
        near.for_each(|b| join_if_near(a, b, first_of));
    }
}

fn join_between(before: &[Dated], today: &[Dated], first_of: &mut [u32]) {
    let reach_m = poorest_m(before).max(poorest_m(today));
    let mut from = 0;
    for a in before {
        from += today[from..].iter().take_while(|b| b.at.x_m < a.at.x_m - reach_m).count();
        let near = today[from..].iter().take_while(|b| b.at.x_m <= a.at.x_m + reach_m);
        near.for_each(|b| join_if_near(a, b, first_of));
    }
}

fn join_if_near(a: &Dated, b: &Dated, first_of: &mut [u32]) {
    let within_m = a.accuracy_m.max(b.accuracy_m);
    if (a.at.y_m - b.at.y_m).abs() <= within_m && a.at.distance_m(b.at) <= within_m {
        join(first_of, a.index, b.index);
    }
}

/// Groups of two or more from the links of the records to earlier ones.
fn grouped(mut first_of: Vec<u32>) -> Grouped {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    let mut group_of: HashMap<u32, usize> = HashMap::new();
    for k in 0..first_of.len() {
        let first = root(&first_of, k as u32);
        first_of[k] = first;
        if first as usize != k {
            let group = *group_of.entry(first).or_insert_with(|| {
                groups.push(vec![first as usize]);
                groups.len() - 1
            });
            groups[group].push(k);
        }
    }
    groups.sort_unstable_by_key(|group| group.first().copied());
    if groups.is_empty() { Grouped::default() } else { Grouped { repeats: Repeats { groups }, first_of } }
}

/// Joins the groups of two records; the earlier first one stays.
fn join(first_of: &mut [u32], a: u32, b: u32) {
    let (a, b) = (root(first_of, a), root(first_of, b));
    first_of[a.max(b) as usize] = a.min(b);
}

fn root(first_of: &[u32], mut k: u32) -> u32 {
    while first_of[k as usize] != k {
        k = first_of[k as usize];
    }
    k
}

#[cfg(test)]
mod tests {
    use super::super::tests::record;
    use super::super::{WeightSettings, weigh};
    use crate::record::Sign;
    use jiff::ToSpan;
    use jiff::civil::date;

    #[test]
    fn one_scat_seen_by_two_is_found_and_merged() {
        let (first, second) = (Some(date(2026, 2, 28)), Some(date(2026, 3, 1)));
        let records = [
            record(100.0, first, Sign::Scat, 1.0),
            record(104.0, second, Sign::Scat, 3.0), // the next day, 4 m off
            record(104.0, second, Sign::Print, 1.0), // another kind
            record(104.0, Some(date(2026, 3, 3)), Sign::Scat, 1.0), // two days on
            record(150.0, first, Sign::Scat, 1.0),  // too far
            record(100.0, None, Sign::Scat, 1.0),   // undated
        ];
        let records: Vec<_> = records.iter().collect();
        let mut settings = WeightSettings { accuracy_m: 10.0, ..WeightSettings::default() };
        let kept = weigh(&records, &settings);
        assert_eq!((kept.repeats.groups.clone(), kept.repeats.surplus()), (vec![vec![0, 1]], 1));
        assert_eq!(kept.points.len(), 6);
        settings.merge_repeats = true;
        let merged = weigh(&records, &settings);
        assert_eq!(merged.points.iter().map(|p| p.weight).collect::<Vec<_>>(), [3.0, 1.0, 1.0, 1.0, 1.0]);
    }

    #[test]
    fn groups_are_those_of_comparing_all_pairs() {
        let numbers = |k: u32, by: u32, below: u32| f64::from(k.wrapping_mul(2_654_435_761) / by % below);
        let made = |k: u32| {
            let day = date(2026, 2, 26).checked_add(i64::from(k % 7).days()).unwrap();
            let sign = if k.is_multiple_of(3) { Sign::Scat } else { Sign::Print };
            let mut record =
                record(numbers(k, 1 << 8, 60), Some(day).filter(|_| !k.is_multiple_of(11)), sign, 1.0);
            record.ground.y_m = numbers(k, 1 << 3, 60);
            record.what.accuracy_m = (!k.is_multiple_of(5)).then(|| f64::from(k % 4) * 2.0);
            record
        };
        let records: Vec<_> = (0..600).map(made).collect();
        let records: Vec<_> = records.iter().collect();
        let accuracy = |k: usize| records[k].what.accuracy_m.unwrap_or(3.0);
        let mut first_of: Vec<u32> = (0..records.len() as u32).collect();
        for a in 0..records.len() {
            for b in 0..a {
                let (Some(one), Some(other)) = (records[a].what.date, records[b].what.date) else { continue };
                let near = records[a].ground.distance_m(records[b].ground) <= accuracy(a).max(accuracy(b));
                let days = one.since(other).unwrap().get_days().abs();
                if records[a].what.sign == records[b].what.sign && days <= 1 && near {
                    super::join(&mut first_of, a as u32, b as u32);
                }
            }
        }
        let expected = super::grouped(first_of);
        let (groups, surplus) = (expected.repeats.groups.len(), expected.repeats.surplus());
        assert!(groups > 40 && surplus < 400, "{groups}, {surplus}");
        assert_eq!(super::find(&records, 3.0), expected);
    }

    #[test]
    fn surplus_is_all_but_the_first_of_each_group() {
        let repeats = super::Repeats { groups: vec![vec![0, 3], vec![1, 2, 7, 9]] };
        assert_eq!((repeats.surplus(), super::Repeats::default().surplus()), (4, 0));
    }
}
