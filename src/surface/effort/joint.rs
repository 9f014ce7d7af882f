//! Where a leg leaves the lines and comes back to them.

use super::matching::Place;
use crate::frame::GroundPoint;
use crate::network::Foot;

/// A fix within so many deviations of a line may have been made on it.
const NEAR_IN_DEVIATIONS: f64 = 1.0;
/// Fixes looked at before a leg leaves a line, and after it comes to one.
const JOINT_FIXES: usize = 12;
/// A leg that is on lines for fewer fixes between two ways across country goes across them.
const CROSSING_FIXES: usize = 4;

/// A way that leaves a line at a small angle is within reach of it for some time after it has
/// left, and one that comes to a line likewise. So the part on lines is taken to end at the last
/// fix that lies within the noise of a line, if there is one soon before, and to begin at the
/// first. Without this a straight way across a line at 20° would be counted 5 % short there.
pub(super) fn part_where_fixes_do(places: &mut [Place], noise_m: f64) {
    let near = |foot: &Foot| foot.offset_m <= NEAR_IN_DEVIATIONS * noise_m;
    let mut from = 0;
    while from < places.len() {
        let to = from + places[from..].iter().take_while(|place| place.is_some()).count();
        let found = |index: &usize| places[*index].as_ref().is_some_and(near);
        let (comes, leaves) = (from > 0, to < places.len());
        let soon = from..to.min(from + JOINT_FIXES);
        let late = from.max(to.saturating_sub(JOINT_FIXES))..to;
        let first = soon.into_iter().find(found).filter(|_| comes).unwrap_or(from);
        let last = late.rev().find(found).filter(|_| leaves).unwrap_or(to.saturating_sub(1));
        let crosses = comes && leaves && last < first + CROSSING_FIXES;
        for (index, place) in places.iter_mut().enumerate().take(to).skip(from) {
            if crosses || index < first || index > last {
                *place = None;
            }
        }
        from = to + 1;
    }
}

/// The ways across country: from the last fix on a line to the next one on a line.
pub(super) fn off_ways<'a>(
    fixes: &'a [GroundPoint],
    places: &'a [Place],
) -> impl Iterator<Item = &'a [GroundPoint]> {
    let mut from = 0;
    std::iter::from_fn(move || {
        let first = from + places.get(from..)?.iter().position(Option::is_none)?;
        let on_again = places[first..].iter().position(Option::is_some);
        from = on_again.map_or(places.len(), |count| first + count);
        Some(&fixes[first.saturating_sub(1)..(from + 1).min(fixes.len())])
    })
}
