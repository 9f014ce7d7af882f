//! Exact geometry: orientation of three points, crossings and pixel hits without rounding.

use super::lattice::Pixel;
use crate::frame::GroundPoint;

/// On which side of a directed line a point lies.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Orientation {
    /// Left of the line from the first to the second point.
    Left,
    /// Right of it.
    Right,
    /// On it, exactly.
    On,
}

/// The side of the line from `a` to `b` on which `c` lies, exactly for the coordinates as
/// given: adaptive precision after Shewchuk (1997), Discrete Comput. Geom. 18:305–363,
/// through the crate `robust`.
///
/// ```
/// use stakeline::frame::GroundPoint as P;
/// use stakeline::network::{Orientation, orientation};
/// let (a, b) = (P::new(12.0, 12.0), P::new(24.0, 24.0));
/// // One unit in the last place off the line; plain arithmetic calls it on the line.
/// assert_eq!(orientation(P::new(0.5, 0.5000000000000001), a, b), Orientation::Left);
/// assert_eq!(orientation(P::new(0.5, 0.5), a, b), Orientation::On);
/// ```
pub fn orientation(a: GroundPoint, b: GroundPoint, c: GroundPoint) -> Orientation {
    let coord = |p: GroundPoint| robust::Coord { x: p.x_m, y: p.y_m };
    let det = robust::orient2d(coord(a), coord(b), coord(c));
    if det > 0.0 {
        Orientation::Left
    } else if det < 0.0 {
        Orientation::Right
    } else {
        Orientation::On
    }
}

/// Twice the signed area of the triangle `a`, `b`, `c`: positive where `c` is left of the
/// line from `a` to `b`. Exact: lattice differences stay below 2³⁰ in size.
#[inline]
pub(crate) fn doubled_area(a: Pixel, b: Pixel, c: Pixel) -> i64 {
    let (dx, dy) = (b.x as i64 - a.x as i64, b.y as i64 - a.y as i64);
    dx * (c.y as i64 - a.y as i64) - dy * (c.x as i64 - a.x as i64)
}

/// The lattice point nearest to where two segments cross, if they cross at a point interior
/// to both. Touches and overlaps give `None`: there a vertex marks the place already.
///
/// The exact rational crossing is rounded, ties north and east, so that the answer depends
/// neither on the order of the segments nor on their direction.
#[inline]
pub(crate) fn crossing(a: Pixel, b: Pixel, c: Pixel, d: Pixel) -> Option<Pixel> {
    let (side_c, side_d) = (doubled_area(a, b, c), doubled_area(a, b, d));
    if !opposite(side_c, side_d) {
        return None;
    }
    let (side_a, side_b) = (doubled_area(c, d, a), doubled_area(c, d, b));
    if !opposite(side_a, side_b) {
        return None;
    }
    // The crossing lies the share |side_a| / (|side_a| + |side_b|) of the way from a to b.
    let (num, den) = if side_a > 0 { (side_a, side_a - side_b) } else { (-side_a, side_b - side_a) };
    Some(Pixel::new(
        a.x + rounded_share(b.x as i64 - a.x as i64, num, den),
        a.y + rounded_share(b.y as i64 - a.y as i64, num, den),
    ))
}

#[inline]
fn opposite(p: i64, q: i64) -> bool {
    (p > 0 && q < 0) || (p < 0 && q > 0)
}

/// `d · num / den` rounded to the nearest whole number, ties up; `den` is positive.
#[inline]
pub(crate) fn rounded_share(d: i64, num: i64, den: i64) -> i32 {
    match d.checked_mul(num).and_then(|p| p.checked_mul(2)).and_then(|p| p.checked_add(den)) {
        Some(top) if den < i64::MAX / 2 => top.div_euclid(2 * den) as i32,
        _ => {
            let (d, num, den) = (d as i128, num as i128, den as i128);
            (2 * d * num + den).div_euclid(2 * den) as i32
        }
    }
}

/// How a segment meets the pixel of a lattice point, the half-open unit square around it.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Hit {
    /// The segment enters the pixel.
    Inside,
    /// It misses the pixel by so little that rounding may bring it in.
    Near,
    /// It misses.
    Clear,
}

/// How close counts as near, in steps from the pixel's centre. Snap rounding moves a piece by at most
/// √2/2 a pass and a pixel reaches √2/2 from its centre; three covers passes that repeat.
const NEAR_STEPS: f64 = 3.0;

/// How the segment from `a` to `b` meets the pixel of `c`, given that `c` lies within the
/// segment's bounding box. The pixel holds its west and south sides only, so a line through
/// a shared corner enters exactly one of the four pixels there.
#[inline]
pub(crate) fn hit(a: Pixel, b: Pixel, c: Pixel) -> Hit {
    let (dx, dy) = (b.x as i64 - a.x as i64, b.y as i64 - a.y as i64);
    let area = dx * (c.y as i64 - a.y as i64) - dy * (c.x as i64 - a.x as i64);
    let reach = dx.abs() + dy.abs();
    let doubled = 2 * area.abs();
    if doubled < reach {
        return Hit::Inside;
    }
    if doubled == reach {
        // Only a corner is touched. A falling line that leaves the centre above it touches
        // the south-west corner, which belongs to the pixel.
        let falling = (dx > 0) != (dy > 0);
        let centre_above = (area > 0) == (dx > 0);
        return if falling && centre_above { Hit::Inside } else { Hit::Near };
    }
    // reach is at least the length, so this is a cheap guard before the square root.
    if doubled as f64 > 2.0 * NEAR_STEPS * reach as f64 {
        return Hit::Clear;
    }
    let length = ((dx * dx + dy * dy) as f64).sqrt();
    if area.abs() as f64 <= NEAR_STEPS * length { Hit::Near } else { Hit::Clear }
}

/// Whether the point lies in the segment's bounding box.
#[inline]
pub(crate) fn in_box(a: Pixel, b: Pixel, c: Pixel) -> bool {
    a.x.min(b.x) <= c.x && c.x <= a.x.max(b.x) && a.y.min(b.y) <= c.y && c.y <= a.y.max(b.y)
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn pixels(rng: &mut ChaCha8Rng, wide: i32) -> [Pixel; 4] {
        [(); 4].map(|()| Pixel::new(rng.random_range(-wide..=wide), rng.random_range(-wide..=wide)))
    }

    /// The share of the way at which two segments cross inside both, as numerator and positive
    /// denominator, by Cramer's rule in 128 bits.
    fn crossed(a: Pixel, b: Pixel, c: Pixel, d: Pixel) -> Option<(i128, i128)> {
        let way = |p: Pixel, q: Pixel| (i128::from(q.x) - i128::from(p.x), i128::from(q.y) - i128::from(p.y));
        let cross = |p: (i128, i128), q: (i128, i128)| p.0 * q.1 - p.1 * q.0;
        let (ab, cd, ac) = (way(a, b), way(c, d), way(a, c));
        let (s, t, whole) = (cross(ac, cd), cross(ac, ab), cross(ab, cd));
        let (s, t, whole) = if whole < 0 { (-s, -t, -whole) } else { (s, t, whole) };
        (0 < s && s < whole && 0 < t && t < whole).then_some((s, whole))
    }

    #[test]
    fn a_crossing_is_the_true_one_rounded_whichever_way_the_segments_run() {
        let mut rng = ChaCha8Rng::seed_from_u64(41);
        let mut found = 0;
        for k in 0..20_000 {
            // Up to the greatest extent of a lattice.
            let wide = [3, 12, 1000, 1 << 24, (1 << 29) - 1][k % 5];
            let [a, b, c, d] = pixels(&mut rng, wide);
            let wanted = crossed(a, b, c, d).map(|(num, den)| {
                let at = |from: i32, to: i32| {
                    let by = i128::from(to) - i128::from(from);
                    (i128::from(from) + (2 * by * num + den).div_euclid(2 * den)) as i32
                };
                Pixel::new(at(a.x, b.x), at(a.y, b.y))
            });
            found += usize::from(wanted.is_some());
            for (a, b, c, d) in [(a, b, c, d), (b, a, c, d), (a, b, d, c), (c, d, a, b), (d, c, b, a)] {
                assert_eq!(crossing(a, b, c, d), wanted, "{a:?} {b:?} {c:?} {d:?}");
            }
        }
        assert!(found > 3000, "{found}");
    }

    /// How far the pixel of `c`, without its sides, lies from the line through both ends: below 0 where the
    /// line runs through its inside. Doubled, in units of the segment's length.
    fn clearance(a: Pixel, b: Pixel, c: Pixel) -> i64 {
        let (dx, dy) = (i64::from(b.x - a.x), i64::from(b.y - a.y));
        let area = dx * i64::from(c.y - a.y) - dy * i64::from(c.x - a.x);
        2 * area.abs() - dx.abs() - dy.abs()
    }

    #[test]
    fn a_pixel_is_hit_where_its_inside_or_south_west_corner_is() {
        let mut rng = ChaCha8Rng::seed_from_u64(42);
        let mut counts = [0; 4];
        for k in 0..40_000 {
            let [a, b, c, _] = pixels(&mut rng, [3, 9, 60][k % 3]);
            if a == b || !in_box(a, b, c) {
                continue;
            }
            let found = hit(a, b, c);
            assert_eq!(found, hit(b, a, c), "whichever way it runs");
            let (dx, dy) = (i64::from(b.x - a.x), i64::from(b.y - a.y));
            let off = clearance(a, b, c);
            // The south-west corner, at which no rising line touches the pixel from outside, in doubled
            // coordinates.
            let corner = (i64::from(2 * (c.x - a.x) - 1), i64::from(2 * (c.y - a.y) - 1));
            let owned = dx * corner.1 == dy * corner.0;
            let area = (dx * i64::from(c.y - a.y) - dy * i64::from(c.x - a.x)) as f64;
            let far = area.abs() / ((dx * dx + dy * dy) as f64).sqrt();
            let wanted = match off {
                ..0 => Hit::Inside,
                0 if owned => Hit::Inside,
                _ if far <= 3.0 => Hit::Near,
                _ => Hit::Clear,
            };
            assert_eq!(found, wanted, "{a:?} {b:?} {c:?}");
            counts[if off == 0 && owned { 3 } else { found as usize }] += 1;
        }
        assert!(counts.iter().all(|&n| n > 50), "{counts:?}");
    }

    #[test]
    fn near_reaches_three_steps_from_the_segment() {
        let (a, b) = (Pixel::new(-400, -300), Pixel::new(400, 300));
        // A step across the line of slope 3/4 is 5/4 of a step north.
        assert_eq!(hit(a, b, Pixel::new(0, 3)), Hit::Near, "2.4 steps off");
        assert_eq!(hit(a, b, Pixel::new(4, 0)), Hit::Near, "2.4 steps off");
        assert_eq!(hit(a, b, Pixel::new(5, 0)), Hit::Near, "just 3 steps off");
        assert_eq!(hit(a, b, Pixel::new(-5, 0)), Hit::Near);
        assert_eq!(hit(a, b, Pixel::new(0, 4)), Hit::Clear, "3.2 steps off");
        assert_eq!(hit(a, b, Pixel::new(0, -4)), Hit::Clear);
        assert_eq!(hit(a, b, Pixel::new(0, 40)), Hit::Clear);
    }

    #[test]
    fn areas_and_shares_are_exact_where_they_are_largest() {
        let far = (1 << 29) - 1;
        let (a, b, c) = (Pixel::new(-far, -far), Pixel::new(far, far), Pixel::new(-far, far));
        let side = 2 * i64::from(far);
        assert_eq!([doubled_area(a, b, c), doubled_area(b, a, c)], [side * side, -side * side]);
        assert_eq!(doubled_area(a, b, Pixel::new(7, 7)), 0);
        assert_eq!(rounded_share(7, 1, 2), 4, "ties go up");
        assert_eq!(rounded_share(-7, 1, 2), -3);
        assert_eq!([rounded_share(10, 1, 4), rounded_share(-10, 1, 4), rounded_share(9, 1, 4)], [3, -2, 2]);
        // Where the product, or twice the whole, leaves 64 bits.
        assert_eq!(rounded_share(1 << 30, i64::MAX / 4, i64::MAX / 2), 1 << 29);
        assert_eq!(rounded_share(3, i64::MAX / 2, i64::MAX - 1), 2);
        assert_eq!(rounded_share(1, 1 << 61, (1 << 62) + 1), 0);
    }

    #[test]
    fn a_box_holds_its_sides() {
        let (a, b) = (Pixel::new(3, -2), Pixel::new(-4, 6));
        for x in -5..=4 {
            for y in -3..=7 {
                let inside = (-4..=3).contains(&x) && (-2..=6).contains(&y);
                assert_eq!(in_box(a, b, Pixel::new(x, y)), inside);
                assert_eq!(in_box(b, a, Pixel::new(x, y)), inside);
            }
        }
    }
}
