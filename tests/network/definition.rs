//! Snap rounding straight from its definition, by brute force and in fractions: what the noder, and
//! GEOS, are held to. Shares nothing with the library.

use std::collections::BTreeSet;

use crate::geos::segments_of;
use crate::seeded::{Segment, Step, lines};
use crate::support::{noding_only, sound, tracks};

/// How a segment between lattice points meets the square of side one around a lattice point.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Meets {
    /// It runs through the inside.
    Inside,
    /// It has one point in common with the square: the south-west corner, which a pixel owns.
    OwnCorner,
    /// It has one point in common with the square: a corner that belongs to another pixel.
    OtherCorner,
    /// It misses.
    Not,
}

/// Clips the segment by the square, in doubled coordinates from its centre, where its sides are
/// odd and all lattice points even: no segment runs along a side or ends on one.
pub fn meets(a: Step, b: Step, centre: Step) -> Meets {
    let axes = [
        (2 * (a.0 - centre.0), 2 * (b.0 - a.0)), //
        (2 * (a.1 - centre.1), 2 * (b.1 - a.1)),
    ];
    // Shares of the way as numerator and positive denominator.
    let (mut enters, mut leaves) = ((0, 1), (1, 1));
    let less = |p: (i64, i64), q: (i64, i64)| p.0 * q.1 < q.0 * p.1;
    for (start, way) in axes {
        if way == 0 {
            if start != 0 {
                return Meets::Not;
            }
            continue;
        }
        let at = |side: i64| ((side - start) * way.signum(), way.abs());
        let (first, last) = if way > 0 { (at(-1), at(1)) } else { (at(1), at(-1)) };
        enters = if less(enters, first) { first } else { enters };
        leaves = if less(last, leaves) { last } else { leaves };
    }
    if less(enters, leaves) {
        return Meets::Inside;
    }
    if less(leaves, enters) {
        return Meets::Not;
    }
    let own = axes.iter().all(|(start, way)| start * enters.1 + way * enters.0 == -enters.1);
    if own { Meets::OwnCorner } else { Meets::OtherCorner }
}

/// The lattice point nearest to the crossing of two segments inside both, ties north and east.
fn crossing((a, b): Segment, (c, d): Segment) -> Option<Step> {
    let cross = |p: Step, q: Step| p.0 * q.1 - p.1 * q.0;
    let way = |p: Step, q: Step| (q.0 - p.0, q.1 - p.1);
    let (ab, cd, ac) = (way(a, b), way(c, d), way(a, c));
    let turned = cross(ab, cd);
    let (along_ab, along_cd) = (cross(ac, cd) * turned.signum(), cross(ac, ab) * turned.signum());
    let whole = turned.abs();
    if turned == 0 || along_ab <= 0 || along_ab >= whole || along_cd <= 0 || along_cd >= whole {
        return None;
    }
    let rounded = |from: i64, by: i64| {
        let (by, along, whole) = (i128::from(by), i128::from(along_ab), i128::from(whole));
        from + (2 * by * along + whole).div_euclid(2 * whole) as i64
    };
    Some((rounded(a.0, ab.0), rounded(a.1, ab.1)))
}

/// A pixel at a corner of which a segment of the input passes, exactly.
pub type Corner = (Step, Step, Step);

/// The segments of the lines after snap rounding, bent until nothing changes. Where the input's
/// segments pass the corners listed, whether they enter that pixel is decided the other way.
pub fn noded(lines: &[Vec<Step>], turned: &[Corner]) -> BTreeSet<Segment> {
    let input: Vec<Segment> =
        lines.iter().flat_map(|l| l.windows(2).map(|w| (w[0], w[1]))).filter(|s| s.0 != s.1).collect();
    let mut hot: BTreeSet<Step> = input.iter().flat_map(|s| [s.0, s.1]).collect();
    for (k, &first) in input.iter().enumerate() {
        hot.extend(input[..k].iter().filter_map(|&second| crossing(first, second)));
    }
    let mut out = BTreeSet::new();
    for &(a, b) in &input {
        let owned = |p: Step| matches!(meets(a, b, p), Meets::Inside | Meets::OwnCorner);
        let mut chain = threaded(a, b, &hot, |p| owned(p) != turned.contains(&(a, b, p)));
        loop {
            let mut bent = vec![a];
            for w in chain.windows(2) {
                let owned = |p: Step| matches!(meets(w[0], w[1], p), Meets::Inside | Meets::OwnCorner);
                bent.extend(&threaded(w[0], w[1], &hot, owned)[1..]);
            }
            if bent == chain {
                break;
            }
            chain = bent;
        }
        out.extend(chain.windows(2).map(|w| (w[0].min(w[1]), w[0].max(w[1]))));
    }
    out
}

/// A segment through the hot pixels between its ends that it enters, in order; of those abreast of
/// each other the western first.
fn threaded(a: Step, b: Step, hot: &BTreeSet<Step>, enters: impl Fn(Step) -> bool) -> Vec<Step> {
    let columns = (a.0.min(b.0), i64::MIN)..=(a.0.max(b.0), i64::MAX);
    let mut inner: Vec<Step> =
        hot.range(columns).copied().filter(|&p| p != a && p != b && enters(p)).collect();
    inner.sort_by_key(|p| ((p.0 - a.0) * (b.0 - a.0) + (p.1 - a.1) * (b.1 - a.1), *p));
    [vec![a], inner, vec![b]].concat()
}

#[test]
fn a_pixel_owns_its_inside_and_its_south_west_corner() {
    // Through the corners of the pixel of the origin, one after another.
    let through = |x: i64, y: i64, rising: bool| {
        let (a, b) = if rising { ((x - 1, y - 1), (x, y)) } else { ((x - 1, y), (x, y - 1)) };
        [meets(a, b, (0, 0)), meets(b, a, (0, 0))]
    };
    assert_eq!(through(0, 0, false), [Meets::OwnCorner; 2]);
    assert_eq!(through(1, 1, false), [Meets::OtherCorner; 2]);
    assert_eq!(through(1, 0, true), [Meets::OtherCorner; 2]);
    assert_eq!(through(0, 1, true), [Meets::OtherCorner; 2]);
    assert_eq!(meets((-2, 0), (1, 1), (0, 0)), Meets::OtherCorner, "the north-west corner");
    assert_eq!(meets((-2, 1), (1, 0), (0, 0)), Meets::Inside, "by the north-west corner to the east side");
    assert_eq!(meets((-4, 0), (2, 1), (0, 0)), Meets::Not);
    assert_eq!(meets((-1, 0), (2, 1), (0, 0)), Meets::Inside);
    assert_eq!(meets((1, 0), (5, 0), (0, 0)), Meets::Not, "ends before it");
    assert_eq!(meets((0, -4), (0, 4), (0, 0)), Meets::Inside);
    assert_eq!(meets((1, -4), (1, 4), (0, 0)), Meets::Not);
}

#[test]
fn the_noder_does_what_the_definition_says_on_a_thousand_sets() {
    for seed in 0..1000 {
        let lines = lines(seed);
        let metres = |p: &Step| (p.0 as f64 / 100.0, p.1 as f64 / 100.0);
        let paths: Vec<Vec<(f64, f64)>> = lines.iter().map(|l| l.iter().map(metres).collect()).collect();
        let ours = segments_of(&sound(&tracks(&paths), &noding_only(0.0)));
        let wanted = noded(&lines, &[]);
        let off: Vec<_> = ours.symmetric_difference(&wanted).collect();
        assert!(off.is_empty(), "set {seed}: {off:?}");
    }
}
