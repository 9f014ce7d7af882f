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
