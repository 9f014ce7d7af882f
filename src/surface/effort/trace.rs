//! A survey leg made ready for matching: fixes neither crowded nor far apart.

use crate::frame::{GroundPoint, path_length_m};

/// Fixes closer than this to the last one kept say more of the receiver than of the way.
const LEAST_STEP_M: f64 = 8.0;
/// Fixes further apart get others between them.
const LARGEST_STEP_M: f64 = 15.0;
/// A leg whose kept fixes are further apart than this was drawn, not recorded: it is taken
/// as it is.
const RECORDED_STEP_M: f64 = 30.0;
/// Weights of the fixes around one, itself first. Together with those of the other side
/// they take noise of 5 m down to 2 m, and the length of a straight way grows by 0.4 %
/// where it grew by 20 %.
const WEIGHTS: [f64; 6] = [6.0, 5.0, 4.0, 3.0, 2.0, 1.0];

/// A leg's fixes, ready for matching. They are not smoothed: that would cut short every turn
/// at a dead end by some 25 m.
pub(super) struct Trace {
    pub fixes: Vec<GroundPoint>,
    recorded: bool,
}

impl Trace {
    pub fn of(way: &[GroundPoint]) -> Self {
        let kept = thin(way);
        let recorded = median_step_m(&kept) <= RECORDED_STEP_M;
        let mut fixes: Vec<GroundPoint> = kept.first().copied().into_iter().collect();
        for pair in kept.windows(2) {
            let parts = (pair[0].distance_m(pair[1]) / LARGEST_STEP_M).ceil().max(1.0) as usize;
            fixes.extend((1..=parts).map(|part| pair[0].lerp(pair[1], part as f64 / parts as f64)));
        }
        Self { fixes, recorded }
    }

    /// Length in metres of a way along fixes of this leg, smoothed if they were recorded.
    pub fn length_m(&self, way: &[GroundPoint]) -> f64 {
        if self.recorded { path_length_m(&smooth(way)) } else { path_length_m(way) }
    }
}

/// Drops fixes that lie close to the last one kept. First and last stay.
fn thin(way: &[GroundPoint]) -> Vec<GroundPoint> {
    let mut kept: Vec<GroundPoint> = Vec::with_capacity(way.len());
    for &fix in way {
        if kept.last().is_none_or(|last| last.distance_m(fix) >= LEAST_STEP_M) {
            kept.push(fix);
        }
    }
    if let Some(&end) = way.last()
        && kept.last() != Some(&end)
    {
        kept.push(end);
    }
    kept
}

fn median_step_m(way: &[GroundPoint]) -> f64 {
    let mut steps: Vec<f64> = way.windows(2).map(|pair| pair[0].distance_m(pair[1])).collect();
    steps.sort_unstable_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied().unwrap_or(0.0)
}

/// A weighted mean over the fixes around each. Both ends stay: beyond them the way is thought
/// to go on as its mirror image in the end.
fn smooth(way: &[GroundPoint]) -> Vec<GroundPoint> {
    if way.len() < 2 {
        return way.to_vec();
    }
    let end = way.len() as isize - 1;
    let at = |index| mirrored(way, end, index);
    (0..=end)
        .map(|i| {
            let here = way[i as usize];
            let (mut x_m, mut y_m, mut sum) = (WEIGHTS[0] * here.x_m, WEIGHTS[0] * here.y_m, WEIGHTS[0]);
            for (weight, step) in WEIGHTS.iter().zip(0..).skip(1) {
                for p in [at(i - step), at(i + step)] {
                    x_m += weight * p.x_m;
                    y_m += weight * p.y_m;
                    sum += weight;
                }
            }
            GroundPoint::new(x_m / sum, y_m / sum)
        })
        .collect()
}

/// The fix with an index, which may lie before the first or after the last, `end`. A short way is mirrored in
/// one end and then the other.
fn mirrored(way: &[GroundPoint], end: isize, index: isize) -> GroundPoint {
    let (mirror, from) = match index {
        _ if index < 0 => (0, -index),
        _ if index > end => (end, 2 * end - index),
        _ => return way[index as usize],
    };
    let (mirror, p) = (way[mirror as usize], mirrored(way, end, from));
    GroundPoint::new(2.0 * mirror.x_m - p.x_m, 2.0 * mirror.y_m - p.y_m)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn way(of: &[(f64, f64)]) -> Vec<GroundPoint> {
        of.iter().map(|&(x_m, y_m)| GroundPoint::new(x_m, y_m)).collect()
    }

    fn eastings(way: &[GroundPoint]) -> Vec<f64> {
        way.iter().map(|p| p.x_m).collect()
    }

    #[test]
    fn close_fixes_are_dropped_save_the_last() {
        let along = |of: &[f64]| eastings(&thin(&way(&of.iter().map(|&x| (x, 0.0)).collect::<Vec<_>>())));
        assert_eq!(along(&[0.0, 7.9, 8.0, 12.0, 17.0, 18.0]), [0.0, 8.0, 17.0, 18.0]);
        assert_eq!(along(&[0.0, 9.0, 18.0]), [0.0, 9.0, 18.0]);
        assert_eq!(along(&[0.0, 1.0]), [0.0, 1.0]);
        assert_eq!(along(&[0.0, 0.0]), [0.0]);
        assert!(along(&[]).is_empty());
    }

    #[test]
    fn the_step_in_the_middle() {
        let of = |x: &[f64]| median_step_m(&way(&x.iter().map(|&x| (x, 0.0)).collect::<Vec<_>>()));
        assert_eq!(of(&[0.0, 1.0, 11.0, 31.0]), 10.0);
        assert_eq!(of(&[0.0, 5.0, 6.0]), 5.0);
        assert_eq!((of(&[3.0]), of(&[])), (0.0, 0.0));
    }

    /// Steps of 31 m are drawn: three parts each, and length as it is. Steps of 30 m are recorded: two
    /// parts each.
    #[test]
    fn long_steps_get_fixes_between_them() {
        let drawn = Trace::of(&way(&[(0.0, 0.0), (31.0, 0.0), (31.0, 31.0)]));
        assert_eq!((drawn.fixes.len(), drawn.recorded), (7, false));
        let third = 31.0 / 3.0;
        for (fix, (x, y)) in drawn.fixes.iter().zip([
            (0.0, 0.0),
            (third, 0.0),
            (2.0 * third, 0.0),
            (31.0, 0.0),
            (31.0, third),
            (31.0, 2.0 * third),
            (31.0, 31.0),
        ]) {
            assert!((fix.x_m - x).abs() < 1e-12 && (fix.y_m - y).abs() < 1e-12, "{fix:?}");
        }
        assert!((drawn.length_m(&drawn.fixes) - 62.0).abs() < 1e-12);
        let recorded = Trace::of(&way(&[(0.0, 0.0), (30.0, 0.0), (60.0, 0.0)]));
        assert_eq!((eastings(&recorded.fixes), recorded.recorded), (vec![0.0, 15.0, 30.0, 45.0, 60.0], true));
        assert_eq!(Trace::of(&[]).fixes, []);
    }

    /// Weights 6, 5 … 1 to either side are 36 in all. A straight way of even steps stays; a single
    /// fix aside is spread by those weights; both ends stay where they are.
    #[test]
    fn smoothing_is_a_weighted_mean_that_keeps_the_ends() {
        let straight: Vec<(f64, f64)> = (0..20).map(|k| (3.0 * f64::from(k), -f64::from(k))).collect();
        for (a, b) in smooth(&way(&straight)).iter().zip(way(&straight)) {
            assert!(a.distance_m(b) < 1e-12);
        }
        let aside: Vec<(f64, f64)> =
            (0..21).map(|k| (f64::from(k), if k == 10 { 36.0 } else { 0.0 })).collect();
        for (k, p) in smooth(&way(&aside)).iter().enumerate() {
            let expected = 6_usize.saturating_sub(k.abs_diff(10)) as f64;
            assert!((p.y_m - expected).abs() < 1e-12, "{k}: {}", p.y_m);
        }
        // Near an end the mirror image counts: a fix one step from it is weighed by what is two steps
        // to its own side less what falls on its image.
        let bent: Vec<(f64, f64)> =
            (0..12).map(|k| (f64::from(k), if k == 1 || k == 10 { 36.0 } else { 0.0 })).collect();
        let smoothed = smooth(&way(&bent));
        let expected = [0.0, 6.0 - 4.0, 5.0 - 3.0, 4.0 - 2.0, 3.0 - 1.0, 2.0 + 1.0];
        for (k, expected) in expected.into_iter().enumerate() {
            for p in [smoothed[k], smoothed[11 - k]] {
                assert!((p.y_m - expected).abs() < 1e-12, "{k}: {} {expected}", p.y_m);
            }
        }
        assert_eq!(smooth(&[]), []);
    }

    /// However short it is: with fewer fixes than weights the mirror images are mirrored too.
    #[test]
    fn smoothing_keeps_the_ends_and_the_steps_of_short_ways() {
        for count in 1..14 {
            let zigzag: Vec<(f64, f64)> =
                (0..count).map(|k| (10.0 * f64::from(k), f64::from(k * k * 7 % 11))).collect();
            let (zigzag, smoothed) = (way(&zigzag), smooth(&way(&zigzag)));
            for (before, after) in [(zigzag.first(), smoothed.first()), (zigzag.last(), smoothed.last())] {
                assert!(before.unwrap().distance_m(*after.unwrap()) < 1e-12, "{count}");
            }
            for (k, p) in smoothed.iter().enumerate() {
                assert!((p.x_m - 10.0 * k as f64).abs() < 1e-12, "{count}: {k}");
            }
        }
    }
}
