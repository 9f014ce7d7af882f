//! A sieve before the sweep of a strip: which segments can meet another at all.

use super::strand::Strands;
use super::strips::{Strips, by_west, pairs_in, reaches};

/// Segments that follow each other on a strand, all of them eastward, or westward, northward or
/// southward. Their boxes have no more than the vertices between them in common.
#[derive(Clone, Copy)]
struct Run {
    west: i32,
    east: i32,
    low: i32,
    high: i32,
    /// The place of its first segment among those of the strip, and the end behind its last.
    first: u32,
    end: u32,
    /// The ways that all of them go.
    ways: u8,
}

/// Which segments of a strip, by place, have a box that may meet the box of another that they do not
/// merely go on from: those of runs whose boxes meet. `None` where `admit` refuses to look at so many
/// pairs of runs.
///
/// Where lines are few, most runs meet nothing, and there are several segments to a run.
pub(crate) fn may_meet(
    strands: &Strands,
    strips: &Strips,
    strip: usize,
    segments: &[u32],
    admit: impl Fn(u64) -> bool,
) -> Option<Vec<bool>> {
    let runs = by_west(runs(strands, strips, strip, segments), |run| run.west);
    let reaches = reaches(&runs, |run| (run.west, run.east));
    if !admit(pairs_in(&reaches)) {
        return None;
    }
    let mut kept = vec![false; segments.len()];
    for (i, first) in runs.iter().enumerate() {
        for second in &runs[i + 1..reaches[i] as usize] {
            if second.low <= first.high && first.low <= second.high {
                for run in [first, second] {
                    kept[run.first as usize..run.end as usize].fill(true);
                }
            }
        }
    }
    Some(kept)
}

/// The segments of a strip in runs.
fn runs(strands: &Strands, strips: &Strips, strip: usize, segments: &[u32]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::with_capacity(segments.len() / 2);
    let mut before = None;
    for (place, &segment) in (0..).zip(segments) {
        let (a, b) = strands.segment(segment);
        let (west, east) = strips.x_range(a, b, strip);
        let ways = u8::from(b.x > a.x)
            | u8::from(b.x < a.x) << 1
            | u8::from(b.y > a.y) << 2
            | u8::from(b.y < a.y) << 3;
        let (low, high) = (a.y.min(b.y), a.y.max(b.y));
        match runs.last_mut().filter(|run| before == Some(segment) && run.ways & ways != 0) {
            Some(run) => {
                (run.west, run.east) = (run.west.min(west), run.east.max(east));
                (run.low, run.high) = (run.low.min(low), run.high.max(high));
                (run.end, run.ways) = (place + 1, run.ways & ways);
            }
            None => runs.push(Run { west, east, low, high, first: place, end: place + 1, ways }),
        }
        before = Some(segment + 1);
    }
    runs
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};

    use super::may_meet;
    use crate::frame::GroundPoint;
    use crate::network::KindSet;
    use crate::network::lattice::{Extent, Lattice};
    use crate::network::strand::{Strand, Strands};
    use crate::network::strips::Strips;
    use crate::record::LineKind;

    /// Walks that now and then turn sharply, in a square that is mostly empty.
    fn walks(rng: &mut rand_chacha::ChaCha8Rng) -> Vec<Vec<GroundPoint>> {
        let walk = |_| {
            let (mut x_m, mut y_m) = (rng.random_range(0.0..40000.0), rng.random_range(0.0..40000.0));
            let mut heading = rng.random_range(0.0..std::f64::consts::TAU);
            let step = |_| {
                heading += if rng.random_range(0..20) == 0 { 2.8 } else { rng.random_range(-0.3..0.3) };
                let step_m: f64 = rng.random_range(5.0..80.0);
                (x_m, y_m) = (x_m + step_m * heading.sin(), y_m + step_m * heading.cos());
                GroundPoint::new(x_m, y_m)
            };
            (0..60).map(step).collect()
        };
        (0..40).map(walk).collect()
    }

    #[test]
    fn what_is_left_out_meets_no_box() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(12);
        let (mut all, mut left) = (0, 0);
        for _ in 0..20 {
            let walks = walks(&mut rng);
            let extent = walks.iter().map(|w| Extent::of(w)).fold(Extent::NONE, Extent::with);
            let lattice = Lattice::covering(0.01, extent).unwrap();
            let mut strands = Strands::with_capacity(walks.len(), 0, false);
            let strand = Strand { kind: LineKind::Track, kinds: KindSet::EMPTY, level: 0 };
            walks.iter().for_each(|walk| strands.push(&lattice, strand, &[], walk));
            let strips = Strips::new(&strands);
            for strip in 0..strips.len() {
                let segments: Vec<u32> = strips.segments(strip).collect();
                let kept = may_meet(&strands, &strips, strip, &segments, |_| true).unwrap();
                let swept = strips.sweep(&strands, strip, (0..).zip(segments.iter().copied()));
                for (i, first) in swept.iter().enumerate() {
                    for second in &swept[i + 1..] {
                        let (p, q) = (first.rows(), second.rows());
                        let apart = second.west > first.east || first.west > second.east;
                        if apart || p.0 > q.1 || q.0 > p.1 || first.goes_on_with(second) {
                            continue;
                        }
                        assert!(kept[first.place as usize] && kept[second.place as usize], "strip {strip}");
                    }
                }
                all += kept.len();
                left += kept.iter().filter(|k| **k).count();
            }
        }
        assert!(left < all * 3 / 4 && left > all / 10, "{left} of {all} kept");
    }

    #[test]
    fn nothing_is_looked_at_where_pairs_are_too_many() {
        let walks = walks(&mut rand_chacha::ChaCha8Rng::seed_from_u64(3));
        let lattice = Lattice::covering(0.01, Extent::of(&walks.concat())).unwrap();
        let mut strands = Strands::with_capacity(walks.len(), 0, false);
        let strand = Strand { kind: LineKind::Track, kinds: KindSet::EMPTY, level: 0 };
        walks.iter().for_each(|walk| strands.push(&lattice, strand, &[], walk));
        let strips = Strips::new(&strands);
        let segments: Vec<u32> = strips.segments(0).collect();
        assert!(may_meet(&strands, &strips, 0, &segments, |_| false).is_none());
    }

    /// Places of the runs of one walk, each as (first, end).
    fn runs_of(places: &[(f64, f64)]) -> Vec<(u32, u32)> {
        let walk: Vec<GroundPoint> = places.iter().map(|&(x_m, y_m)| GroundPoint::new(x_m, y_m)).collect();
        let lattice = Lattice::covering(0.01, Extent::of(&walk)).unwrap();
        let mut strands = Strands::with_capacity(1, 0, false);
        let strand = Strand { kind: LineKind::Track, kinds: KindSet::EMPTY, level: 0 };
        strands.push(&lattice, strand, &[], &walk);
        let strips = Strips::at_least(&strands, 1 << 20);
        let segments: Vec<u32> = strips.segments(0).collect();
        let mut found: Vec<(u32, u32)> =
            super::runs(&strands, &strips, 0, &segments).iter().map(|run| (run.first, run.end)).collect();
        found.sort_unstable();
        found
    }

    #[test]
    fn a_run_lasts_while_all_of_it_goes_on_one_way() {
        // Up and down all the way, turned by quarters.
        let zigzag = [(0.0, 0.0), (5.0, 4.0), (9.0, -2.0), (12.0, 3.0), (20.0, -6.0)];
        let mut turned = zigzag.to_vec();
        for _ in 0..4 {
            assert_eq!(runs_of(&turned), [(0, 4)], "{turned:?}");
            turned.iter_mut().for_each(|p| *p = (-p.1, p.0));
        }
        // East, then back west: up at first, and down at last.
        assert_eq!(
            runs_of(&[(0.0, 0.0), (5.0, 1.0), (9.0, -1.0), (6.0, 0.0), (2.0, -1.0)]),
            [(0, 2), (2, 4)]
        );
        // Back over itself, level or upright.
        assert_eq!(runs_of(&[(0.0, 0.0), (9.0, 0.0), (4.0, 0.0)]), [(0, 1), (1, 2)]);
        assert_eq!(runs_of(&[(0.0, 0.0), (0.0, 9.0), (0.0, 4.0)]), [(0, 1), (1, 2)]);
        // North all the way, though first east and then west.
        assert_eq!(runs_of(&[(0.0, 0.0), (5.0, 1.0), (9.0, 2.0), (6.0, 3.0), (2.0, 4.0)]), [(0, 4)]);
        // Eastward and northward, then eastward alone, then northward alone: no way is common to all.
        assert_eq!(runs_of(&[(0.0, 0.0), (3.0, 3.0), (6.0, 2.0), (5.0, 5.0)]), [(0, 2), (2, 3)]);
    }
}
