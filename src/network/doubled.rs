//! Recordings that pass over themselves: out and back, or round a loop more than once.

use std::collections::{BTreeMap, HashMap};

use rayon::prelude::*;

use super::align::{RUN_FACTOR, Samples, align, headings};
use super::sieve::is_recording;
use super::strand::{chainages_m, way_length_m};
use super::track::Piece;
use crate::frame::{GroundPoint, Traced};
use crate::record::Line;

/// Samples count as beside each other up to this many merge distances.
const BESIDE_FACTOR: f64 = 3.0;

/// Along the recording they are at least this many merge distances apart.
const APART_FACTOR: f64 = 6.0;

/// Samples that may lack a neighbour within a repeat.
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
        let whole = (is_recording(&line.what) && long).then(|| Piece {
            line: k as u32,
            chainage_m: chainages_m(&line.ground),
            path: line.ground.clone(),
        })?;
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
    let search = RepeatSearch::new(&samples, merge_m);
    let mut cuts = vec![0];
    let (mut piece, mut seen) = (0, 0);
    while let Some((first, end)) = search.first_repeat(piece, seen) {
        let begin = search.turn_before(piece, first).unwrap_or(first);
        seen = end;
        if repeats_itself(&samples, piece, begin, end, merge_m) {
            cuts.push(begin);
            (piece, seen) = (begin, begin);
        }
    }
    cuts.push(last);
    let length_m = whole.length_m();
    cuts.iter().map(|&c| if c == last { length_m } else { length_m * c as f64 / last as f64 }).collect()
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
}

impl RepeatSearch {
    fn new(samples: &Samples, merge_m: f64) -> Self {
        let points = samples.smoothed(BESIDE_FACTOR * merge_m);
        let steps = |merges: f64| (merges * merge_m / samples.step_m).ceil() as usize;
        Self {
            headings: headings(&points),
            points,
            reach_m: BESIDE_FACTOR * merge_m,
            apart: steps(APART_FACTOR),
            least: steps(RUN_FACTOR),
        }
    }

    /// The first run of samples from `seen` on that lie beside samples of the piece that begins at
    /// `piece`, as its first and last sample.
    fn first_repeat(&self, piece: usize, seen: usize) -> Option<(usize, usize)> {
        let cell =
            |p: GroundPoint| ((p.x_m / self.reach_m).floor() as i64, (p.y_m / self.reach_m).floor() as i64);
        let mut passed: HashMap<(i64, i64), Vec<usize>> = HashMap::new();
        let mut run: Option<(usize, usize)> = None;
        for i in piece + self.apart..self.points.len() {
            let j = i - self.apart;
            passed.entry(cell(self.points[j])).or_default().push(j);
            let (x, y) = cell(self.points[i]);
            let beside = (x - 1..=x + 1)
                .flat_map(|x| (y - 1..=y + 1).map(move |y| (x, y)))
                .flat_map(|key| passed.get(&key).into_iter().flatten())
                .any(|&j| self.are_beside(i, j));
            run = match run {
                Some((first, last)) if i - last <= LAPSE => Some((first, if beside { i } else { last })),
                Some((first, last)) if last - first >= self.least => return Some((first, last)),
                _ => (beside && i > seen).then_some((i, i)),
            };
        }
        run.filter(|(first, last)| last - first >= self.least)
    }

    fn are_beside(&self, i: usize, j: usize) -> bool {
        let ((ax, ay), (bx, by)) = (self.headings[i], self.headings[j]);
        (ax * bx + ay * by).abs() >= 0.5 && self.points[i].distance_m(self.points[j]) <= self.reach_m
    }

    /// Where a recording turned back, if it did just before a repeat that begins at `first`: of the
    /// samples since the one it lies beside, that farthest from it.
    fn turn_before(&self, piece: usize, first: usize) -> Option<usize> {
        let recent = first.saturating_sub(3 * self.apart).max(piece)..=first - self.apart;
        let before = recent.rev().find(|&j| self.are_beside(first, j))?;
        let far_m = |k: usize| self.points[k].distance_m(self.points[first]);
        (before..first).max_by(|&p, &q| far_m(p).total_cmp(&far_m(q)))
    }
}

/// Whether the samples from `begin` to `end` align with the piece before them as one track.
fn repeats_itself(samples: &Samples, piece: usize, begin: usize, end: usize, merge_m: f64) -> bool {
    if begin <= piece || end <= begin {
        return false;
    }
    let smooth = |points: &[GroundPoint]| {
        Samples { points: points.to_vec(), step_m: samples.step_m }.smoothed(BESIDE_FACTOR * merge_m)
    };
    let earlier = smooth(&samples.points[piece..=begin]);
    let mut later = smooth(&samples.points[begin..=end]);
    (0..2).any(|_| {
        later.reverse();
        align(&earlier, &later, merge_m).is_some_and(|run| run.is_one_track(samples.step_m, merge_m))
    })
}
