//! Where a leg leaves the lines and comes back to them.

use super::matching::Place;
use crate::frame::GroundPoint;
use crate::network::Foot;

/// A fix within so many deviations of a line may have been made on it.
const NEAR_IN_DEVIATIONS: f64 = 1.0;
/// Fixes looked at before a leg leaves a line, and after it comes to one.
const JOINT_FIXES: usize = 12;
/// A leg that is on lines for no more fixes between two ways across country goes across them.
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

#[cfg(test)]
mod tests {
    use super::*;

    /// Places by the offset of their feet; `None` for off.
    fn places(of: &[Option<f64>]) -> Vec<Place> {
        let foot = |offset_m: f64| Foot { edge: 0, along_m: 0.0, at: GroundPoint::default(), offset_m };
        of.iter().map(|offset| offset.map(foot)).collect()
    }

    fn parted(of: &[Option<f64>]) -> Vec<bool> {
        let mut places = places(of);
        part_where_fixes_do(&mut places, 3.0);
        places.iter().map(Option::is_some).collect()
    }

    #[test]
    fn a_leg_leaves_a_line_where_its_fixes_do() {
        let (near, far) = (Some(2.0), Some(9.0));
        // Comes from off: begins at the first near fix; goes on to the end however far its fixes lie.
        assert_eq!(parted(&[None, far, far, near, far]), [false, false, false, true, true]);
        // Leaves: ends at the last near one; the first fixes stay.
        assert_eq!(parted(&[far, near, far, far, None]), [true, true, false, false, false]);
        // All of it on the line.
        assert_eq!(parted(&[far, far, near, far]), [true; 4]);
        // Just as far as the noise is near.
        assert_eq!(parted(&[None, far, Some(3.0), far]), [false, false, true, true]);
        // No near fix at all: as it is.
        assert_eq!(parted(&[None, far, far, far, far]), [false, true, true, true, true]);
        // Between two ways across country five fixes are a line, four are crossed.
        let crossed = [None, far, near, far, far, near, far, None];
        assert_eq!(parted(&crossed), [false; 8]);
        let kept = [None, far, near, far, far, far, near, far, None];
        assert_eq!(parted(&kept), [false, false, true, true, true, true, true, false, false]);
        // Two parts, each by itself.
        let two = [near, far, None, None, far, near];
        assert_eq!(parted(&two), [true, false, false, false, false, true]);
        assert_eq!(parted(&[None, None]), [false; 2]);
        assert_eq!(parted(&[]), [false; 0]);
    }

    /// The twelfth fix is looked at, the thirteenth is not.
    #[test]
    fn only_so_many_fixes_are_looked_at() {
        for (far, found) in [(11, true), (12, false)] {
            let mut coming = vec![None];
            coming.extend(vec![Some(9.0); far]);
            coming.extend([Some(1.0), Some(9.0), Some(9.0)]);
            let leaving: Vec<_> = coming.iter().rev().copied().collect();
            let on = |of: &[Option<f64>]| parted(of).into_iter().filter(|on| *on).count();
            let expected = if found { 3 } else { far + 3 };
            assert_eq!((on(&coming), on(&leaving)), (expected, expected), "{far}");
        }
    }

    #[test]
    fn ways_across_country_run_from_line_to_line() {
        let fixes: Vec<GroundPoint> = (0..9).map(|k| GroundPoint::new(f64::from(k), 0.0)).collect();
        let ways = |on: [u8; 9]| -> Vec<(f64, f64)> {
            let of: Vec<_> = on.iter().map(|&on| (on > 0).then_some(0.0)).collect();
            let places = places(&of);
            off_ways(&fixes, &places).map(|way| (way[0].x_m, way[way.len() - 1].x_m)).collect()
        };
        assert_eq!(ways([1, 1, 0, 0, 1, 1, 0, 1, 1]), [(1.0, 4.0), (5.0, 7.0)]);
        assert_eq!(ways([0, 0, 1, 1, 1, 1, 1, 0, 0]), [(0.0, 2.0), (6.0, 8.0)]);
        assert_eq!(ways([0; 9]), [(0.0, 8.0)]);
        assert_eq!(ways([1; 9]), []);
        assert_eq!(ways([1, 1, 1, 1, 1, 1, 1, 1, 0]), [(7.0, 8.0)]);
    }
}
