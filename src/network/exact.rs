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
