//! The same sign reported twice.

use jiff::ToSpan;
use jiff::civil::Date;

use crate::frame::Placed;
use crate::record::Record;

/// Records that seem to report the same sign: of one kind and one animal, not more than a
/// day apart, and within the accuracy of the poorer of the two places.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Repeats {
    /// Groups of positions in the input, each in input order, two or more a group.
    pub groups: Vec<Vec<usize>>,
    /// For each record, the first of its group; empty if there are no groups.
    first_of: Vec<u32>,
}

impl Repeats {
    /// Records beyond the first of each group.
    pub fn surplus(&self) -> usize {
        self.groups.iter().map(|group| group.len() - 1).sum()
    }

    /// How much sign a record stands for: if repeats are merged, the first of a group
    /// stands for the largest count in it, and the others are left out.
    pub(super) fn count_of(&self, index: usize, records: &[&Placed<Record>], merge: bool) -> Option<f64> {
        let own = records[index].what.count;
        if !merge || self.first_of.is_empty() {
            return Some(own);
        }
        if self.first_of[index] as usize != index {
            return None;
        }
        let group = self.groups.binary_search_by_key(&index, |group| group[0]);
        Some(group.map_or(own, |g| self.groups[g].iter().map(|&k| records[k].what.count).fold(0.0, f64::max)))
    }
}

/// Finds repeated records. Records without a date are never taken for repeats.
///
/// Sorted by kind, animal, day and easting, each record is compared with those that follow
/// on its day and on the next within the poorest accuracy to the east and west.
pub(super) fn find(records: &[&Placed<Record>], accuracy_m: f64) -> Repeats {
    let accuracy = |k: usize| records[k].what.accuracy_m.unwrap_or(accuracy_m);
    let mut order: Vec<(usize, Date)> =
        records.iter().enumerate().filter_map(|(k, r)| r.what.date.map(|day| (k, day))).collect();
    let poorest_m = order.iter().map(|&(k, _)| accuracy(k)).fold(0.0, f64::max);
    let same_sign = |k: usize| (records[k].what.sign, &records[k].what.animal);
    order.sort_by(|&(a, day_a), &(b, day_b)| {
        let by_sign = same_sign(a).cmp(&same_sign(b));
        by_sign.then(day_a.cmp(&day_b)).then(records[a].ground.x_m.total_cmp(&records[b].ground.x_m))
    });
    let mut first_of: Vec<u32> = (0..records.len() as u32).collect();
    let mut any = false;
    for (position, &(k, day)) in order.iter().enumerate() {
        let x_m = records[k].ground.x_m;
        let next_day = day.checked_add(1.day()).ok();
        let from_next = next_day.map_or(order.len(), |next| {
            order.partition_point(|&(other, other_day)| {
                (same_sign(other), other_day) < (same_sign(k), next)
                    || (same_sign(other), other_day) == (same_sign(k), next)
                        && records[other].ground.x_m < x_m - poorest_m
            })
        });
        let same_day =
            order[position + 1..].iter().take_while(|o| o.1 == day && same_sign(o.0) == same_sign(k));
        let following =
            order[from_next..].iter().take_while(|o| Some(o.1) == next_day && same_sign(o.0) == same_sign(k));
        let near = |run: &mut dyn Iterator<Item = &(usize, Date)>| -> Vec<usize> {
            run.take_while(|o| records[o.0].ground.x_m <= x_m + poorest_m)
                .map(|o| o.0)
                .filter(|&other| {
                    let within_m = accuracy(k).max(accuracy(other));
                    records[other].ground.distance_m(records[k].ground) <= within_m
                })
                .collect()
        };
        let (mut same_day, mut following) = (same_day, following);
        for other in near(&mut same_day).into_iter().chain(near(&mut following)) {
            join(&mut first_of, k, other);
            any = true;
        }
    }
    if !any {
        return Repeats::default();
    }
    for k in 0..first_of.len() {
        first_of[k] = root(&first_of, k) as u32;
    }
    let mut groups: Vec<Vec<usize>> = vec![Vec::new(); records.len()];
    first_of.iter().enumerate().for_each(|(k, &first)| groups[first as usize].push(k));
    groups.retain(|group| group.len() > 1);
    Repeats { groups, first_of }
}

/// Joins the groups of two records; the earlier first one stays.
fn join(first_of: &mut [u32], a: usize, b: usize) {
    let (a, b) = (root(first_of, a), root(first_of, b));
    first_of[a.max(b)] = a.min(b) as u32;
}

fn root(first_of: &[u32], mut k: usize) -> usize {
    while first_of[k] as usize != k {
        k = first_of[k] as usize;
    }
    k
}

#[cfg(test)]
mod tests {
    use super::super::tests::record;
    use super::super::{WeightSettings, weigh};
    use crate::record::Sign;
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
}
