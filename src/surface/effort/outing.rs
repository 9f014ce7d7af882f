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
}

/// Tells for each record whether a survey found it: the index of a leg, or `None`.
///
/// A record that names an outing belongs to the nearest leg of that outing, however far.
/// One that names none belongs to the nearest leg within `reach_m` of it that has its date
/// and, where both say, its observer; a record without a date belongs to none, as does a
/// leg without one, unless no leg has a date: then distance alone decides.
pub fn find_outings(
    records: &[&Placed<Record>],
    legs: &[Traced<SurveyLeg>],
    reach_m: f64,
) -> (Vec<Option<usize>>, Outings) {
    let dated = legs.iter().any(|leg| leg.what.date.is_some());
    let mut outings = Outings::default();
    let of = |record: &&Placed<Record>| {
        let (date, occasion) = (record.what.date, &record.what.occasion);
        let (found, counter) = if occasion.survey.is_some() {
            let same = |leg: &SurveyLeg| leg.survey == occasion.survey;
            match nearest(record.ground, legs, f64::INFINITY, same) {
                Some(leg) => (Some(leg), &mut outings.named),
                None => (None, &mut outings.unknown),
            }
        } else {
            let fits = |leg: &SurveyLeg| {
                let day = if dated { date.is_some() && leg.date == date } else { true };
                let observer = match (&occasion.observer, &leg.observer) {
                    (Some(one), Some(other)) => one.eq_ignore_ascii_case(other),
                    _ => true,
                };
                day && observer
            };
            match nearest(record.ground, legs, reach_m, fits) {
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

/// The nearest of the legs that fit, within a distance; of equally near ones the first.
fn nearest(
    at: GroundPoint,
    legs: &[Traced<SurveyLeg>],
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
