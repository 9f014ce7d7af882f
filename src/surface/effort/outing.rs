//! Which records a survey found, and which came some other way.

use crate::frame::{GroundPoint, Placed, Traced};
use crate::record::{Record, SurveyLeg};

/// How many records were found on surveys, and how that is known.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub struct Outings {
    /// The record names the outing of a leg.
    pub named: usize,
    /// The record names no outing, but date, observer and distance fit a leg.
    pub matched: usize,
    /// The record names an outing of which there is no leg.
    pub unknown: usize,
    /// No leg fits: found by chance, and no part of a rate.
    pub chance: usize,
    /// The record names the outing of a leg, but lies further from each of its legs than anybody
    /// looks: a mistyped place, or found elsewhere; no part of a rate.
    pub astray: usize,
}

/// A record that names its outing may lie so far from the nearest leg of it, in metres: legs are what a
/// vehicle recorded, and people walk from it and see far. Common practice, no source.
const NAMED_REACH_M: f64 = 500.0;

/// Tells for each record whether a survey found it: the index of a leg, or `None`. Rates of one
/// season and comparisons of two ask here, so that both count the same sign.
///
/// A record that names an outing belongs to the nearest leg of that outing within 500 m.
/// One that names none belongs to the nearest leg within `reach_m` of it that has its date
/// and, where both say, its observer; a record without a date belongs to none, as does a
/// leg without one, unless no leg has a date: then distance alone decides. A record that is
/// known to lie less exactly than that may be as far off as its accuracy.
pub fn find_outings(
    records: &[&Placed<Record>],
    legs: &[&Traced<SurveyLeg>],
    reach_m: f64,
) -> (Vec<Option<usize>>, Outings) {
    let dated = legs.iter().any(|leg| leg.what.date.is_some());
    let mut outings = Outings::default();
    let of = |record: &&Placed<Record>| {
        let (date, occasion) = (record.what.date, &record.what.occasion);
        let vague_m = record.what.accuracy_m.unwrap_or(0.0);
        let (found, counter) = if occasion.survey.is_some() {
            let same = |leg: &SurveyLeg| leg.survey == occasion.survey;
            match nearest(record.ground, legs, NAMED_REACH_M.max(reach_m).max(vague_m), same) {
                Some(leg) => (Some(leg), &mut outings.named),
                None if legs.iter().any(|leg| same(&leg.what)) => (None, &mut outings.astray),
                None => (None, &mut outings.unknown),
            }
        } else {
            let fits = |leg: &SurveyLeg| {
                let day = if dated { date.is_some() && leg.date == date } else { true };
                let observer = match (&occasion.observer, &leg.observer) {
                    (Some(one), Some(other)) => same_name(one, other),
                    _ => true,
                };
                day && observer
            };
            match nearest(record.ground, legs, reach_m.max(vague_m), fits) {
                Some(leg) => (Some(leg), &mut outings.matched),
                None => (None, &mut outings.chance),
            }
        };
        *counter += 1;
        found
    };
    let found = records.iter().map(of).collect();
    (found, outings)
}

impl Outings {
    /// Records that belong to no leg, for whatever reason.
    pub fn on_no_leg(&self) -> usize {
        self.unknown + self.chance + self.astray
    }
}

/// Whether two names are one, however they are written.
fn same_name(one: &str, other: &str) -> bool {
    one.trim().to_lowercase() == other.trim().to_lowercase()
}

/// The nearest of the legs that fit, within a distance; of equally near ones the first.
fn nearest(
    at: GroundPoint,
    legs: &[&Traced<SurveyLeg>],
    within_m: f64,
    fits: impl Fn(&SurveyLeg) -> bool,
) -> Option<usize> {
    let mut best = (within_m, None);
    for (index, leg) in legs.iter().enumerate().filter(|(_, leg)| fits(&leg.what)) {
        for pair in leg.ground.windows(2) {
            let metres = distance_to_segment_m(at, pair[0], pair[1]);
            if metres < best.0 || (best.1.is_none() && metres <= best.0) {
                best = (metres, Some(index));
            }
        }
    }
    best.1
}

fn distance_to_segment_m(at: GroundPoint, from: GroundPoint, to: GroundPoint) -> f64 {
    let (dx, dy) = (to.x_m - from.x_m, to.y_m - from.y_m);
    let square = dx * dx + dy * dy;
    let share =
        if square > 0.0 { ((at.x_m - from.x_m) * dx + (at.y_m - from.y_m) * dy) / square } else { 0.0 };
    at.distance_m(from.lerp(to, share.clamp(0.0, 1.0)))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::frame::LonLat;
    use crate::record::{Animal, Occasion, Sign, SourcePlace};
    use jiff::civil::{Date, date};
    use std::sync::Arc;

    fn source() -> SourcePlace {
        SourcePlace { file: std::path::Path::new("made up").into(), index: 0, id: None }
    }

    fn leg(day: Option<Date>, observer: &str, survey: &str, way: &[(f64, f64)]) -> Traced<SurveyLeg> {
        let word = |of: &str| (!of.is_empty()).then(|| Arc::from(of));
        let ground: Vec<GroundPoint> = way.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect();
        let (observer, survey) = (word(observer), word(survey));
        let what = SurveyLeg { date: day, passes: 1.0, mode: None, observer, survey, source: source() };
        Traced { what, path: vec![LonLat::new(148.0, -35.0).unwrap(); ground.len()], ground }
    }

    fn record(day: Option<Date>, observer: &str, survey: &str, (x_m, y_m): (f64, f64)) -> Placed<Record> {
        let word = |of: &str| (!of.is_empty()).then(|| Arc::from(of));
        let occasion = Occasion { observer: word(observer), season: None, survey: word(survey) };
        let what = Record {
            sign: Sign::Scat,
            animal: Some(Animal::Dog),
            date: day,
            count: 1.0,
            accuracy_m: None,
            occasion: Arc::new(occasion),
            source: source(),
        };
        Placed { what, at: LonLat::new(148.0, -35.0).unwrap(), ground: GroundPoint::new(x_m, y_m) }
    }

    #[test]
    fn distances_to_a_segment_by_hand() {
        let p = GroundPoint::new;
        // A side of 3 : 4, from (100, 200) to (400, 600).
        let to = |at| distance_to_segment_m(at, p(100.0, 200.0), p(400.0, 600.0));
        // Along by 100 m is (60, 80), across by 50 m is (−40, 30).
        for (at, expected) in [
            (p(120.0, 310.0), 50.0),
            (p(200.0, 250.0), 50.0),
            (p(100.0, 200.0), 0.0),
            (p(40.0, 120.0), 100.0),
            (p(430.0, 640.0), 50.0),
            (p(250.0, 400.0), 0.0),
        ] {
            assert!((to(at) - expected).abs() < 1e-9, "{at:?}: {}", to(at));
        }
        assert_eq!(distance_to_segment_m(p(3.0, 4.0), p(0.0, 0.0), p(0.0, 0.0)), 5.0);
    }

    #[test]
    fn records_go_to_the_nearest_leg_that_fits() {
        let (may, june) = (Some(date(2026, 5, 3)), Some(date(2026, 6, 3)));
        let east = [(0.0, 0.0), (500.0, 0.0), (1000.0, 0.0)];
        let legs = [
            leg(may, "Ann", "A1", &east),
            leg(may, "bob", "", &[(0.0, 30.0), (1000.0, 30.0)]),
            leg(june, "", "B2", &east),
            leg(may, "Ann", "A1", &[(0.0, 400.0), (1000.0, 400.0)]),
        ];
        let records = [
            record(may, "ann", "", (700.0, 20.0)), // ten metres from Bob's, but hers is Ann's
            record(may, "", "", (700.0, 20.0)),    // Bob's is nearer
            record(may, "", "", (700.0, 15.0)),    // as near to both: the first
            record(may, "Bob", "", (700.0, -20.0)), // fifty metres off, at the reach
            record(may, "Bob", "", (700.0, -20.1)), // beyond
            record(june, "Cleo", "", (100.0, 5.0)), // a leg that names nobody is anybody's
            record(None, "Ann", "", (700.0, 0.0)), // no day
            record(june, "", "A1", (700.0, 890.0)), // named, and within 500 m of the nearer of two
            record(june, "", "A1", (700.0, 9000.0)), // named, and nowhere near
            record(may, "", "Z9", (700.0, 0.0)),   // no such outing
        ];
        let legs: Vec<_> = legs.iter().collect();
        let records: Vec<_> = records.iter().collect();
        let (found, outings) = find_outings(&records, &legs, 50.0);
        let expected = [Some(0), Some(1), Some(0), Some(1), None, Some(2), None, Some(3), None, None];
        assert_eq!(found, expected);
        assert_eq!(outings, Outings { named: 1, matched: 5, unknown: 1, chance: 2, astray: 1 });
        // Where no leg has a day distance decides alone.
        let undated = leg(None, "", "", &east);
        let (found, outings) = find_outings(&records[..7], &[&undated], 20.0);
        assert_eq!(found, [Some(0), Some(0), Some(0), Some(0), None, Some(0), Some(0)]);
        assert_eq!((outings.matched, outings.chance), (6, 1));
    }
}
