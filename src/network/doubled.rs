//! Recordings that pass over themselves: out and back, or round a loop more than once.

use std::collections::{BTreeMap, HashMap};

use rayon::prelude::*;

use super::align::{RUN_FACTOR, Samples, align, headings};
use super::sieve::is_recording;
use super::strand::way_length_m;
use super::track::Piece;
use crate::frame::{GroundPoint, Traced};
use crate::record::Line;

/// Samples count as beside each other up to this many merge distances.
const BESIDE_FACTOR: f64 = 3.0;

/// Along the recording they are at least this many merge distances apart.
const APART_FACTOR: f64 = 6.0;

/// Within a repeat, the next sample that has a neighbour comes at most this many samples later.
const LAPSE: usize = 4;

/// The recordings that pass over themselves, each cut where it turns back or begins to repeat
/// itself, so that its pieces can be merged as the passes of one track are.
///
/// A repeat is a run of samples that lie beside earlier ones with like or opposite heading for at
/// least as long as any two passes must, and that aligns with what was recorded before as passes
/// of one track do. So a hairpin whose legs lie well apart stays whole.
///
/// Cost: linear in the length of the recordings, and an alignment for each repeat.
pub(super) fn doubled_pieces(lines: &[Traced<Line>], merge_m: f64) -> BTreeMap<u32, Vec<Piece>> {
    let cut = |(k, line): (usize, &Traced<Line>)| {
        let long = way_length_m(&line.ground) >= 2.0 * RUN_FACTOR * merge_m;
        let whole = (is_recording(&line.what) && long).then(|| Piece::whole(k as u32, &line.ground))?;
        let cuts = cuts_m(&whole, merge_m);
        let pieces = cuts.windows(2).map(|w| whole.part(w[0], w[1], None, None)).collect::<Vec<_>>();
        (pieces.len() > 1).then_some((k as u32, pieces))
    };
    lines.par_iter().enumerate().filter_map(cut).collect()
}

/// Chainages at which to cut a recording so that no piece passes over itself, its start and end
/// included.
fn cuts_m(whole: &Piece, merge_m: f64) -> Vec<f64> {
    let samples = Samples::along(&whole.path, merge_m);
    let last = samples.points.len() - 1;
    let mut search = RepeatSearch::new(&samples, merge_m);
    let mut cuts = vec![0];
    while let Some(repeat) = search.next_repeat() {
        let begin = search.turn_before(repeat.first).unwrap_or(repeat.first);
        if repeats_itself(&samples, search.piece, begin, &repeat, merge_m) {
            cuts.push(begin);
            search.start_at(begin);
        }
    }
    cuts.push(last);
    let length_m = whole.length_m();
    cuts.iter().map(|&c| if c == last { length_m } else { length_m * c as f64 / last as f64 }).collect()
}

/// Samples that lie beside earlier ones, one after another.
#[derive(Clone, Debug)]
struct Repeat {
    first: usize,
    last: usize,
    /// For each that does, the latest earlier sample it lies beside.
    beside: Vec<usize>,
}

/// The search for samples that lie beside earlier ones.
struct RepeatSearch {
    /// Smoothed samples and the direction at each.
    points: Vec<GroundPoint>,
    headings: Vec<(f64, f64)>,
    reach_m: f64,
    /// Samples between two that count as beside each other, at least.
    apart: usize,
    /// Samples in a repeat, at least.
    least: usize,
    /// Where the piece begins that is looked at.
    piece: usize,
    /// The sample to look at next.
    next: usize,
    /// Repeats begin after this sample.
    seen: usize,
    /// The samples of the piece that lie far enough behind, by cell.
    passed: HashMap<(i64, i64), Vec<usize>>,
}

impl RepeatSearch {
    fn new(samples: &Samples, merge_m: f64) -> Self {
        let points = samples.smoothed(BESIDE_FACTOR * merge_m);
        let steps = |merges: f64| (merges * merge_m / samples.step_m).ceil() as usize;
        let apart = steps(APART_FACTOR);
        Self {
            headings: headings(&points),
            points,
            reach_m: BESIDE_FACTOR * merge_m,
            apart,
            least: steps(RUN_FACTOR),
            piece: 0,
            next: apart,
            seen: 0,
            passed: HashMap::new(),
        }
    }

    /// Begins a new piece.
    fn start_at(&mut self, piece: usize) {
        (self.piece, self.next, self.seen) = (piece, piece + self.apart, piece);
        self.passed.clear();
    }

    /// The next run of samples that lie beside earlier samples of the piece.
    fn next_repeat(&mut self) -> Option<Repeat> {
        let mut run: Option<Repeat> = None;
        while self.next < self.points.len() {
            let i = self.next;
            let j = i - self.apart;
            let cell = self.cell(j);
            self.passed.entry(cell).or_default().push(j);
            self.next += 1;
            let beside = self.latest_beside(i);
            match (&mut run, beside) {
                (Some(repeat), Some(j)) if i - repeat.last <= LAPSE => {
                    repeat.last = i;
                    repeat.beside.push(j);
                }
                (Some(repeat), None) if i - repeat.last <= LAPSE => {}
                (Some(repeat), _) if repeat.last - repeat.first >= self.least => {
                    self.seen = repeat.last;
                    return run;
                }
                (_, Some(j)) if i > self.seen => {
                    run = Some(Repeat { first: i, last: i, beside: vec![j] });
                }
                _ => run = None,
            }
        }
        run.filter(|repeat| repeat.last - repeat.first >= self.least)
    }

    fn cell(&self, k: usize) -> (i64, i64) {
        let p = self.points[k];
        ((p.x_m / self.reach_m).floor() as i64, (p.y_m / self.reach_m).floor() as i64)
    }

    fn latest_beside(&self, i: usize) -> Option<usize> {
        let (x, y) = self.cell(i);
        (x - 1..=x + 1)
            .flat_map(|x| (y - 1..=y + 1).map(move |y| (x, y)))
            .filter_map(|key| self.passed.get(&key)?.iter().rev().copied().find(|&j| self.are_beside(i, j)))
            .max()
    }

    fn are_beside(&self, i: usize, j: usize) -> bool {
        let ((ax, ay), (bx, by)) = (self.headings[i], self.headings[j]);
        (ax * bx + ay * by).abs() >= 0.5 && self.points[i].distance_m(self.points[j]) <= self.reach_m
    }

    /// Where a recording turned back, if it did just before a repeat that begins at `first`: the
    /// sample about which the recording is most nearly its own mirror image. Noise shifts any one
    /// sample, but hardly the middle of some hundred metres of way out and back.
    fn turn_before(&self, first: usize) -> Option<usize> {
        let piece = self.piece;
        let recent = first.saturating_sub(3 * self.apart).max(piece)..=first - self.apart;
        let before = recent.rev().find(|&j| self.are_beside(first, j))?;
        let asymmetry = |k: usize| {
            let arm = self.least.min(k - piece).min(self.points.len() - 1 - k).max(1);
            let apart_m = |d: usize| self.points[k - d].distance_m(self.points[k + d]);
            (1..=arm).map(apart_m).sum::<f64>() / arm as f64
        };
        (before.max(piece + 1)..first).min_by(|&p, &q| asymmetry(p).total_cmp(&asymmetry(q)))
    }
}

/// Whether the samples from `begin` to the end of a repeat align with those of the piece that they
/// lie beside as one track. Those lie no farther from their median than the repeat is long, unless
/// it only crosses what was recorded again and again.
fn repeats_itself(samples: &Samples, piece: usize, begin: usize, repeat: &Repeat, merge_m: f64) -> bool {
    let end = repeat.last;
    if begin <= piece || end <= begin {
        return false;
    }
    let mut beside = repeat.beside.clone();
    beside.sort_unstable();
    let (middle, length) = (beside[beside.len() / 2], 2 * (end - begin));
    let window = middle.saturating_sub(length).max(piece)..=(middle + length).min(begin);
    let smooth = |points: &[GroundPoint]| {
        Samples { points: points.to_vec(), step_m: samples.step_m }.smoothed(BESIDE_FACTOR * merge_m)
    };
    let earlier = smooth(&samples.points[window]);
    let mut later = smooth(&samples.points[begin..=end]);
    (0..2).any(|_| {
        later.reverse();
        align(&earlier, &later, merge_m).is_some_and(|run| run.is_one_track(samples.step_m, merge_m))
    })
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::Arc;

    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::frame::LonLat;
    use crate::record::{LineKind, SourcePlace};

    const MERGE_M: f64 = 5.0;

    /// A vertex every 10 m along a way given by its corners.
    fn way(corners: &[(f64, f64)]) -> Vec<GroundPoint> {
        let corners: Vec<GroundPoint> = corners.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect();
        let mut path = vec![corners[0]];
        for w in corners.windows(2) {
            let pieces = (w[0].distance_m(w[1]) / 10.0).round().max(1.0);
            path.extend((1..=pieces as usize).map(|k| w[0].lerp(w[1], k as f64 / pieces)));
        }
        path
    }

    fn ring(laps: f64, radius_m: f64) -> Vec<GroundPoint> {
        let count = (laps * std::f64::consts::TAU * radius_m / 10.0) as usize;
        let at = |k: usize| (10.0 * k as f64 / radius_m).sin_cos();
        (0..=count).map(at).map(|(s, c)| GroundPoint::new(radius_m * c, radius_m * s)).collect()
    }

    fn cuts(path: &[GroundPoint]) -> Vec<f64> {
        cuts_m(&Piece::whole(0, path), MERGE_M)
    }

    #[test]
    fn a_way_out_and_back_is_cut_where_it_turns() {
        for (out_m, off_m) in [(400.0, 0.0), (600.0, 4.0), (300.0, -3.0)] {
            let found = cuts(&way(&[(0.0, 0.0), (out_m, 0.0), (out_m, off_m), (0.0, off_m)]));
            let [start, turn, end] = found[..] else { panic!("{found:?}") };
            assert_eq!(start, 0.0);
            assert!((turn - out_m - f64::abs(off_m) / 2.0).abs() <= MERGE_M, "{found:?}");
            assert!((end - 2.0 * out_m - off_m.abs()).abs() < 1e-9);
        }
    }

    #[test]
    fn a_way_there_and_back_and_there_again_is_cut_at_both_turns() {
        let found = cuts(&way(&[(0.0, 0.0), (500.0, 0.0), (0.0, 0.0), (500.0, 0.0)]));
        let [_, first, second, end] = found[..] else { panic!("{found:?}") };
        assert!((first - 500.0).abs() <= MERGE_M && (second - 1000.0).abs() <= MERGE_M, "{found:?}");
        assert_eq!(end, 1500.0);
    }

    #[test]
    fn a_way_that_does_not_turn_just_before_it_repeats_is_cut_where_the_repeat_begins() {
        // Out, round a square with sides of 150 m, and back: the way back begins 600 m on.
        let corners = [
            (0.0, 0.0),
            (400.0, 0.0),
            (400.0, 150.0),
            (550.0, 150.0),
            (550.0, 0.0),
            (400.0, 0.0),
            (0.0, 0.0),
        ];
        let found = cuts(&way(&corners));
        let [_, cut, end] = found[..] else { panic!("{found:?}") };
        assert!((cut - 1000.0).abs() < 35.0, "{found:?}");
        assert_eq!(end, 1400.0);
    }

    #[test]
    fn every_lap_of_a_ring_is_a_piece() {
        let lap_m = std::f64::consts::TAU * 150.0;
        let found = cuts(&ring(3.0, 150.0));
        assert_eq!(found.len(), 4, "{found:?}");
        for (k, c) in found.iter().enumerate() {
            assert!((c - k as f64 * lap_m).abs() < 50.0, "{found:?} of {lap_m} m a lap");
        }
        assert_eq!(cuts(&ring(0.9, 150.0)).len(), 2, "no lap is whole");
    }

    #[test]
    fn what_passes_itself_apart_or_briefly_or_across_is_not_cut() {
        let legs = |apart_m: f64| way(&[(0.0, 0.0), (500.0, 0.0), (500.0, apart_m), (0.0, apart_m)]);
        assert_eq!(cuts(&legs(12.0)).len(), 2, "too far apart for passes of one track");
        assert_eq!(cuts(&legs(60.0)).len(), 2);
        // Only the last 60 m lie beside what came before.
        assert_eq!(
            cuts(&way(&[
                (0.0, 0.0),
                (400.0, 0.0),
                (400.0, 300.0),
                (200.0, 300.0),
                (200.0, 0.0),
                (140.0, 0.0)
            ]))
            .len(),
            2
        );
        // Across itself again and again.
        let zigzag: Vec<(f64, f64)> =
            (0..8).map(|k| (60.0 * f64::from(k), if k % 2 == 0 { 0.0 } else { 200.0 })).collect();
        let back: Vec<(f64, f64)> = zigzag.iter().map(|&(x, y)| (x, 200.0 - y)).rev().collect();
        assert_eq!(cuts(&way(&[zigzag, back].concat())).len(), 2);
    }

    /// For every sample the latest one far enough before it that lies beside it, of all.
    #[test]
    fn the_latest_sample_beside_is_that_of_looking_at_all() {
        let mut rng = ChaCha8Rng::seed_from_u64(5);
        for _ in 0..20 {
            let (mut heading, mut at) = (0.0_f64, GroundPoint::new(-40.0, 25.0));
            let path: Vec<GroundPoint> = (0..400)
                .map(|_| {
                    heading += rng.random_range(-0.5..0.55);
                    at = GroundPoint::new(at.x_m + 5.0 * heading.cos(), at.y_m + 5.0 * heading.sin());
                    at
                })
                .collect();
            let samples = Samples::along(&path, MERGE_M);
            let mut search = RepeatSearch::new(&samples, MERGE_M);
            assert_eq!((search.apart, search.least, search.reach_m), (6, 20, 15.0), "30 m and 100 m");
            let first = search.points[0];
            assert_eq!(
                search.cell(0),
                ((first.x_m / 15.0).floor() as i64, (first.y_m / 15.0).floor() as i64)
            );
            let begin = rng.random_range(0..60);
            search.start_at(begin);
            let (points, headings) = (search.points.clone(), search.headings.clone());
            for i in begin + search.apart..points.len() {
                let j = i - search.apart;
                let cell = search.cell(j);
                search.passed.entry(cell).or_default().push(j);
                let beside = |j: &usize| {
                    let cosine = headings[i].0 * headings[*j].0 + headings[i].1 * headings[*j].1;
                    cosine.abs() >= 0.5 && points[i].distance_m(points[*j]) <= 15.0
                };
                assert_eq!(search.latest_beside(i), (begin..=j).rev().find(beside), "sample {i}");
            }
        }
    }

    #[test]
    fn a_repeat_is_all_of_the_way_back_but_the_turn() {
        let path = way(&[(0.0, 0.0), (500.0, 0.0), (0.0, 0.0)]);
        let samples = Samples::along(&path, MERGE_M);
        let mut search = RepeatSearch::new(&samples, MERGE_M);
        let repeat = search.next_repeat().unwrap();
        // The turn is sample 100; six samples behind a sample are three on either side of it.
        assert!((100..=106).contains(&repeat.first) && repeat.last == 200, "{repeat:?}");
        assert_eq!(repeat.beside.len(), repeat.last - repeat.first + 1);
        for (k, &j) in (repeat.first..).zip(&repeat.beside) {
            // Up to 15 m farther on than the sample's own place on the way out, and 30 m behind.
            assert!(j <= k - 6 && j.abs_diff((203 - k).min(k - 6)) <= 3, "{k}: {j}");
        }
        // Wherever just behind it the repeat begins, it is the middle of the mirror image.
        for first in 101..=108 {
            assert_eq!(search.turn_before(first), Some(100), "from {first}");
        }
        let turn = search.turn_before(repeat.first).unwrap();
        assert!(search.next_repeat().is_none());
        // Begun anew at the turn there is nothing to repeat.
        search.start_at(turn);
        assert!(search.next_repeat().is_none());
    }

    fn recorded(file: &str, path: Vec<GroundPoint>) -> Traced<Line> {
        let source = SourcePlace { file: Arc::from(Path::new(file)), index: 0, id: None };
        let nowhere = LonLat::new(0.0, 0.0).unwrap();
        Traced { what: Line::new(LineKind::Track, source), path: vec![nowhere; path.len()], ground: path }
    }

    #[test]
    fn only_long_recordings_that_pass_over_themselves_come_in_pieces() {
        let back = |out_m: f64| way(&[(0.0, 0.0), (out_m, 0.0), (0.0, 0.0)]);
        let lines = [
            recorded("a.geojson", back(400.0)),
            recorded("b.gpx", back(400.0)),
            recorded("c.gpx", way(&[(0.0, 0.0), (900.0, 0.0)])),
            recorded("d.GPX", back(300.0)),
            // Twice 100 m of two passes is the least.
            recorded("e.gpx", back(90.0)),
        ];
        let found = doubled_pieces(&lines, MERGE_M);
        assert!(found.keys().eq(&[1, 3]), "{:?}", found.keys());
        for (line, out_m) in [(1, 400.0), (3, 300.0)] {
            let [out, back] = &found[&line][..] else { panic!("two pieces") };
            assert_eq!((out.line, back.line), (line, line));
            assert_eq!((out.chainage_m[0], back.chainage_m[back.chainage_m.len() - 1]), (0.0, 2.0 * out_m));
            assert_eq!(out.path.last(), back.path.first());
            assert!((out.length_m() - out_m).abs() <= MERGE_M && (back.length_m() - out_m).abs() <= MERGE_M);
        }
    }

    /// The repeats found one after another, as (first, last).
    fn repeats(corners: &[(f64, f64)]) -> Vec<(usize, usize)> {
        let samples = Samples::along(&way(corners), MERGE_M);
        let mut search = RepeatSearch::new(&samples, MERGE_M);
        std::iter::from_fn(|| search.next_repeat()).map(|r| (r.first, r.last)).collect()
    }

    #[test]
    fn repeats_end_where_nothing_lies_beside_for_more_than_a_few_samples() {
        // Out 1,000 m, and back 300 m beside it, 300 m away from it, and 300 m beside it again.
        let back = |away_m: f64| {
            let corners =
                [(0.0, 0.0), (1000.0, 0.0), (1000.0, 60.0), (900.0, 60.0), (900.0, 3.0), (600.0, 3.0)];
            let rest = [(600.0, 3.0 + away_m), (300.0, 3.0 + away_m), (300.0, 3.0), (0.0, 3.0)];
            repeats(&[&corners[..], &rest].concat())
        };
        let apart = back(80.0);
        assert_eq!(apart.len(), 2, "{apart:?}");
        // The way is 1,217 m long where the first begins, and 1,977 m where the second does.
        for (found, (first, last)) in apart.iter().zip([(243, 303), (395, 455)]) {
            assert!(found.0.abs_diff(first) <= 6 && found.1.abs_diff(last) <= 6, "{apart:?}");
        }
        // Where it never leaves it there is one, 900 m long.
        let whole = back(0.0);
        assert!(whole.len() == 1 && (whole[0].1 - whole[0].0).abs_diff(180) <= 6, "{whole:?}");
    }

    #[test]
    fn a_repeat_is_as_long_as_two_passes_must_be() {
        // Back to the way out from the side, along it for a while, and away across it.
        let along = |length_m: f64| {
            let (from, to) = (400.0 + length_m / 2.0, 400.0 - length_m / 2.0);
            let corners = [
                (0.0, 0.0),
                (800.0, 0.0),
                (800.0, 300.0),
                (from, 300.0),
                (from, 2.0),
                (to, 2.0),
                (to, -300.0),
            ];
            repeats(&corners)
        };
        assert_eq!(along(60.0), []);
        let [(first, last)] = along(200.0)[..] else { panic!("one") };
        assert!((last - first).abs_diff(40) <= 6, "{first} to {last}");
    }

    /// A search of samples 5 m apart: sixty eastward, ten elsewhere, and then beside the first for those
    /// marked, and elsewhere for the others.
    fn marked(beside: &[bool]) -> Vec<(usize, usize)> {
        let at = |x: usize, y_m: f64| GroundPoint::new(5.0 * x as f64, y_m);
        let first = (0..60).map(|k| at(k, 0.0)).chain((60..70).map(|k| at(k, 900.0)));
        let then =
            (0..).zip(beside).map(|(k, &beside)| at(k, if beside { 4.0 } else { -900.0 - 50.0 * k as f64 }));
        let points: Vec<GroundPoint> = first.chain(then).collect();
        let mut search = RepeatSearch {
            headings: vec![(1.0, 0.0); points.len()],
            points,
            reach_m: 15.0,
            apart: 6,
            least: 20,
            piece: 0,
            next: 6,
            seen: 0,
            passed: HashMap::new(),
        };
        std::iter::from_fn(|| search.next_repeat()).map(|r| (r.first - 70, r.last - 70)).collect()
    }

    #[test]
    fn a_repeat_may_lapse_for_three_samples_and_is_twenty_steps_long() {
        let with_hole = |from: usize, hole: usize, count: usize| {
            marked(&(0..count).map(|k| !(from..from + hole).contains(&k)).collect::<Vec<_>>())
        };
        assert_eq!(with_hole(25, 0, 55), [(0, 54)]);
        assert_eq!(with_hole(25, 3, 55), [(0, 54)]);
        // The sample at which one that lapsed ends is looked at for neither.
        assert_eq!(with_hole(25, 4, 55), [(0, 24), (30, 54)]);
        assert_eq!(with_hole(25, 5, 55), [(0, 24), (30, 54)]);
        assert_eq!(with_hole(25, 9, 55), [(0, 24), (34, 54)]);
        // Twenty steps are 21 samples; less is no repeat, at the end or before it.
        assert_eq!((with_hole(21, 6, 30), with_hole(20, 6, 30)), (vec![(0, 20)], vec![]));
        assert_eq!((with_hole(30, 0, 21), with_hole(30, 0, 20)), (vec![(0, 20)], vec![]));
        assert_eq!(with_hole(10, 6, 37), [(16, 36)]);
    }
}
