//! From records of sign to weighted points.

mod repeats;
mod rounding;

use jiff::civil::Date;

use crate::frame::Placed;
use crate::record::{Record, Sign};

use super::WeightedPoint;

pub use repeats::Repeats;
pub use rounding::{SharedPlaces, coarse_step_m, shared_places};

/// How records become weights.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct WeightSettings {
    /// Days after which a record counts half; all ages count alike if `None`.
    pub half_life_days: Option<f64>,
    /// The day from which ages are counted; the last day of the records if `None`.
    pub as_of: Option<Date>,
    /// Factors for kinds of sign; kinds that are not named have one.
    pub of_sign: Vec<(Sign, f64)>,
    /// Horizontal accuracy in metres of records that do not carry their own.
    pub accuracy_m: f64,
    /// Whether repeated records count once.
    pub merge_repeats: bool,
}

/// Weighted points, with what is to be said of the records behind them.
#[derive(Clone, PartialEq, Debug)]
pub struct Weighed {
    /// One point a record used, in the records' order.
    pub points: Vec<WeightedPoint>,
    /// The day from which ages are counted.
    pub as_of: Option<Date>,
    /// Median age in days of the dated records.
    pub median_age_days: Option<f64>,
    /// Share of the dated records that are older than a year.
    pub older_than_a_year: f64,
    /// Records left out because they have no date, where age counts.
    pub undated: usize,
    /// Sign that was reported more than once.
    pub repeats: Repeats,
}

/// Weight of a record: its count, times the factor of its kind, times one half for every
/// half-life of its age. With a half-life, records without a date are left out. Records
/// after `as_of` count as of that day.
pub fn weigh(records: &[&Placed<Record>], settings: &WeightSettings) -> Weighed {
    let as_of = settings.as_of.or_else(|| records.iter().filter_map(|r| r.what.date).max());
    let age_days = |r: &Placed<Record>| Some(days_between(r.what.date?, as_of?).max(0));
    let grouped = repeats::find(records, settings.accuracy_m);
    let mut undated = 0;
    let mut points = Vec::with_capacity(records.len());
    for (index, record) in records.iter().enumerate() {
        let Some(count) = grouped.count_of(index, records, settings.merge_repeats) else { continue };
        let decay = match settings.half_life_days.map(|half_life| (half_life, age_days(record))) {
            None => 1.0,
            Some((half_life, Some(age))) => (-f64::from(age) / half_life).exp2(),
            Some((_, None)) => {
                undated += 1;
                continue;
            }
        };
        let named = settings.of_sign.iter().find(|(sign, _)| *sign == record.what.sign);
        let factor = named.map_or(1.0, |(_, factor)| *factor);
        points.push(WeightedPoint::new(record.ground, count * factor * decay));
    }
    let mut ages: Vec<i32> = records.iter().filter_map(|r| age_days(r)).collect();
    let old = ages.iter().filter(|&&age| f64::from(age) > 365.25).count();
    Weighed {
        points,
        as_of,
        median_age_days: median(&mut ages),
        older_than_a_year: if ages.is_empty() { 0.0 } else { old as f64 / ages.len() as f64 },
        undated,
        repeats: grouped.repeats,
    }
}

/// Days from one date to another; negative if it is earlier.
fn days_between(from: Date, to: Date) -> i32 {
    // Dates are less than 20,000 years apart.
    (to.duration_since(from).as_hours() / 24) as i32
}

/// The middle of some numbers, in any order; the mean of the two in the middle of an even count.
fn median(of: &mut [i32]) -> Option<f64> {
    let middle = of.len() / 2;
    let even = of.len().is_multiple_of(2);
    let (below, &mut upper, _) = (!of.is_empty()).then(|| of.select_nth_unstable(middle))?;
    let lower = below.iter().copied().max().filter(|_| even).unwrap_or(upper);
    Some(0.5 * (f64::from(lower) + f64::from(upper)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::{GroundPoint, LonLat};
    use crate::record::{Animal, SourcePlace};
    use jiff::civil::date;
    use std::path::Path;
    use std::sync::Arc;

    pub(super) fn record(x_m: f64, day: Option<Date>, sign: Sign, count: f64) -> Placed<Record> {
        let source = SourcePlace { file: Path::new("sign.geojson").into(), index: 0, id: None };
        Placed {
            what: Record {
                sign,
                animal: Some(Animal::Dog),
                date: day,
                count,
                accuracy_m: None,
                occasion: Arc::default(),
                source,
            },
            at: LonLat::new(148.0, -35.0).unwrap(),
            ground: GroundPoint::new(x_m, 0.0),
        }
    }

    #[test]
    fn count_kind_and_age_make_the_weight() {
        let records = [
            record(0.0, Some(date(2026, 3, 1)), Sign::Scat, 2.0),
            record(500.0, Some(date(2026, 1, 30)), Sign::Howl, 1.0),
            record(900.0, None, Sign::Scat, 1.0),
        ];
        let records: Vec<_> = records.iter().collect();
        let plain = weigh(&records, &WeightSettings::default());
        assert_eq!(plain.points.iter().map(|p| p.weight).collect::<Vec<_>>(), [2.0, 1.0, 1.0]);
        assert_eq!((plain.median_age_days, plain.older_than_a_year), (Some(15.0), 0.0));
        let settings = WeightSettings {
            half_life_days: Some(30.0),
            of_sign: vec![(Sign::Howl, 0.5)],
            ..WeightSettings::default()
        };
        let aged = weigh(&records, &settings);
        // 30 days before the last record, a howl: 0.5 · 0.5.
        assert_eq!(aged.points.iter().map(|p| p.weight).collect::<Vec<_>>(), [2.0, 0.25]);
        assert_eq!((aged.undated, aged.as_of), (1, Some(date(2026, 3, 1))));
        let later = WeightSettings { as_of: Some(date(2028, 3, 1)), ..settings };
        let later = weigh(&records, &later);
        assert_eq!(later.older_than_a_year, 1.0);
        assert!(later.points[0].weight < 1e-6);
    }
}
