//! Parts of recordings, and the centre lines that passes of one track are merged to.

use super::align::{Extent, MATCH_FACTOR, Run, Samples};
use super::strand::{Carried, chainages_m, nearest_on};
use crate::frame::GroundPoint;

/// A part of a line that waits to be matched.
#[derive(Clone, Debug)]
pub(super) struct Piece {
    pub line: u32,
    /// Chainage of every vertex of the path.
    pub chainage_m: Vec<f64>,
    pub path: Vec<GroundPoint>,
    /// What its start and its end join, where the rest of the line was merged.
    pub joints: [Option<Joint>; 2],
}

/// A place on a track.
#[derive(Clone, Copy, Debug)]
pub(super) struct Joint {
    pub track: usize,
    pub sample: usize,
}

impl Piece {
    /// A whole path.
    pub(super) fn whole(line: u32, path: &[GroundPoint]) -> Self {
        Self { line, chainage_m: chainages_m(path), path: path.to_vec(), joints: [None; 2] }
    }

    /// Its length along the line as it was recorded.
    pub(super) fn length_m(&self) -> f64 {
        self.chainage_m[self.chainage_m.len() - 1] - self.chainage_m[0]
    }
}

/// A centre line in the making: the longest pass, and those merged with it.
pub(super) struct Track {
    pub piece: Piece,
    pub samples: Samples,
    /// The samples smoothed, as they are aligned.
    pub centre: Vec<GroundPoint>,
    /// The box around what may match.
    pub extent: Extent,
    /// How many passes each sample is the mean of.
    pub passes: Vec<f64>,
    pub merged: Vec<Merged>,
}

/// A run merged with a track.
pub(super) struct Merged {
    pub line: u32,
    /// First sample of the run.
    pub first: usize,
    /// The line's chainage at each sample of the run.
    pub chainage_m: Vec<f64>,
    /// Whether the passes scatter, so that their mean is better than either.
    pub scattered: bool,
}

impl Merged {
    pub(super) fn last(&self) -> usize {
        self.first + self.chainage_m.len() - 1
    }

    /// Where the track goes on past an end of the run by fewer than `keep` samples, leads the run
    /// on to the track's end, `count` samples from its start, its chainages spread a little wider:
    /// what is left over there is noise, and drawn as it was recorded might cross the centre line.
    pub(super) fn lead_out(&mut self, count: usize, keep: usize) {
        let (before, after) = (self.first, count - self.last());
        if before > 0 && before < keep {
            self.chainage_m = spread(std::mem::take(&mut self.chainage_m), before, 2 * keep);
            self.first = 0;
        }
        if after > 0 && after < keep {
            self.chainage_m.reverse();
            self.chainage_m = spread(std::mem::take(&mut self.chainage_m), after, 2 * keep);
            self.chainage_m.reverse();
        }
    }

    /// The line's chainage at a place between samples.
    fn chainage_m(&self, sample: f64) -> f64 {
        let k = (sample - self.first as f64).clamp(0.0, (self.chainage_m.len() - 1) as f64);
        let (low, high) = (self.chainage_m[k.floor() as usize], self.chainage_m[k.ceil() as usize]);
        low + (high - low) * k.fract()
    }
}

impl Piece {
    /// The part between two chainages; `first` and `last` take the place of its ends.
    pub(super) fn part(
        &self,
        from_m: f64,
        to_m: f64,
        first: Option<GroundPoint>,
        last: Option<GroundPoint>,
    ) -> Piece {
        let mut chainage_m = vec![from_m];
        let mut path = vec![first.unwrap_or_else(|| self.at(from_m))];
        for (&c, &p) in self.chainage_m.iter().zip(&self.path) {
            if c > from_m && c < to_m {
                chainage_m.push(c);
                path.push(p);
            }
        }
        chainage_m.push(to_m);
        path.push(last.unwrap_or_else(|| self.at(to_m)));
        let ends = [self.chainage_m[0], self.chainage_m[self.chainage_m.len() - 1]];
        let joints =
            [self.joints[0].filter(|_| from_m <= ends[0]), self.joints[1].filter(|_| to_m >= ends[1])];
        Piece { line: self.line, chainage_m, path, joints }
    }

    fn at(&self, chainage_m: f64) -> GroundPoint {
        let last = self.path.len() - 1;
        let k = self.chainage_m.partition_point(|&c| c <= chainage_m).clamp(1, last);
        let (a_m, b_m) = (self.chainage_m[k - 1], self.chainage_m[k]);
        let t = if b_m > a_m { ((chainage_m - a_m) / (b_m - a_m)).clamp(0.0, 1.0) } else { 0.0 };
        self.path[k - 1].lerp(self.path[k], t)
    }
}

impl Track {
    /// A piece as a track, smoothed for the alignment over `sigma` merge distances.
    pub(super) fn new(piece: Piece, sigma: f64, merge_m: f64) -> Self {
        let samples = Samples::along(&piece.path, merge_m);
        let passes = vec![1.0; samples.points.len()];
        let extent = Extent::of(&[], 0.0);
        let mut track = Self { piece, samples, centre: Vec::new(), extent, passes, merged: Vec::new() };
        track.smooth(sigma, merge_m);
        track
    }

    /// Smooths the samples again after they moved.
    pub(super) fn smooth(&mut self, sigma: f64, merge_m: f64) {
        self.centre = self.samples.smoothed(sigma * merge_m);
        self.extent = Extent::of(&self.samples.points, MATCH_FACTOR * merge_m);
    }

    /// Puts its start or its end where what it joins came to lie.
    pub(super) fn put_end(&mut self, at_end: bool, at: GroundPoint) {
        let (path, points) = (&mut self.piece.path, &mut self.samples.points);
        let (vertex, sample) = if at_end { (path.len() - 1, points.len() - 1) } else { (0, 0) };
        (path[vertex], points[sample]) = (at, at);
    }

    /// Whether a pass that scattered was merged, so that the centre line is not the piece.
    pub(super) fn is_moved(&self) -> bool {
        self.merged.iter().any(|m| m.scattered)
    }

    /// Root mean square distance of a run from the longest pass as it was recorded.
    pub(super) fn scatter_m(&self, run: &Run, samples: &Samples) -> f64 {
        let (start_m, end_m) =
            (self.piece.chainage_m[0], self.piece.chainage_m[self.piece.chainage_m.len() - 1]);
        let per_sample_m = (end_m - start_m) / (self.samples.points.len() - 1) as f64;
        let squares = run.matched.iter().map(|&(i, j)| {
            let at_m = start_m + i as f64 * per_sample_m;
            let near = |m: f64| {
                self.piece.chainage_m.partition_point(|&c| c <= m).clamp(1, self.piece.path.len() - 1)
            };
            let (low, high) = (near(at_m - 3.0 * per_sample_m), near(at_m + 3.0 * per_sample_m));
            (low - 1..high)
                .map(|k| nearest_on(self.piece.path[k], self.piece.path[k + 1], samples.points[j]))
                .map(|foot| foot.distance_m(samples.points[j]).powi(2))
                .fold(f64::INFINITY, f64::min)
        });
        (squares.sum::<f64>() / run.matched.len() as f64).sqrt()
    }

    /// Where track and piece are what one recording did before and after it turned back, and the
    /// run ends a little before the turn, leads it on to the turn.
    ///
    /// Around a turn headings differ and noise draws a loop, so no alignment gets quite there;
    /// what is left of both would make a false junction. Where they part by more than
    /// [`TURN_WIDTH`] merge distances it is a loop that was driven, and stays.
    pub(super) fn reach_turns(
        &self,
        run: &mut Run,
        piece: &Piece,
        samples: &Samples,
        reversed: bool,
        merge_m: f64,
    ) {
        if piece.line != self.piece.line {
            return;
        }
        let last = |p: &Piece| p.chainage_m[p.chainage_m.len() - 1];
        let (mut start_m, mut end_m) = (piece.chainage_m[0], last(piece));
        if reversed {
            std::mem::swap(&mut start_m, &mut end_m);
        }
        let (ends, matched) = ((self.samples.points.len() - 1, samples.points.len() - 1), &mut run.matched);
        let bridges = |a: (usize, usize), b: (usize, usize)| {
            let pairs = bridge(a, b);
            let near = |&(i, j): &(usize, usize)| {
                self.samples.points[i].distance_m(samples.points[j]) <= TURN_WIDTH * merge_m
            };
            let most = (TURN_LENGTH * merge_m / self.samples.step_m.min(samples.step_m)) as usize;
            (pairs.len() <= most && pairs.iter().all(near)).then_some(pairs)
        };
        if last(&self.piece) == end_m
            && let Some(pairs) = bridges(matched[matched.len() - 1], ends)
        {
            matched.extend(&pairs[1..]);
        }
        if self.piece.chainage_m[0] == start_m
            && let Some(pairs) = bridges((0, 0), matched[0])
        {
            matched.splice(..1, pairs);
        }
    }

    /// The centre line, cut wherever a merged run begins or ends, each part with the
    /// lines it carries.
    pub(super) fn parts(&self, sigma_m: f64) -> Vec<(Vec<GroundPoint>, Vec<Carried>)> {
        if self.merged.is_empty() {
            let own = Carried { line: self.piece.line, chainage_m: self.piece.chainage_m.clone() };
            return vec![(self.piece.path.clone(), vec![own])];
        }
        let count = self.samples.points.len() - 1;
        let mut cuts: Vec<usize> = vec![0, count];
        cuts.extend(self.merged.iter().flat_map(|m| [m.first, m.last()]));
        cuts.sort_unstable();
        cuts.dedup();
        // Ends of runs stay where the passes' mean puts them: left-over pieces join there.
        let mut smooth = self.samples.smoothed(sigma_m);
        for &c in &cuts {
            smooth[c] = self.samples.points[c];
        }
        cuts.windows(2).map(|w| self.part(w[0], w[1], &smooth)).collect()
    }

    fn part(&self, from: usize, to: usize, smooth: &[GroundPoint]) -> (Vec<GroundPoint>, Vec<Carried>) {
        let (start_m, end_m) =
            (self.piece.chainage_m[0], self.piece.chainage_m[self.piece.chainage_m.len() - 1]);
        let count = (self.samples.points.len() - 1) as f64;
        let own_m = |i: usize| start_m + (end_m - start_m) * i as f64 / count;
        let runs: Vec<&Merged> = self.merged.iter().filter(|m| m.first <= from && m.last() >= to).collect();
        let (path, own_m) = if runs.iter().any(|m| m.scattered) {
            (smooth[from..=to].to_vec(), (from..=to).map(own_m).collect::<Vec<f64>>())
        } else {
            let part = self.piece.part(own_m(from), own_m(to), Some(smooth[from]), Some(smooth[to]));
            (part.path, part.chainage_m)
        };
        let sample = |own_m: f64| (own_m - start_m) / (end_m - start_m) * count;
        let mut carried = vec![Carried { line: self.piece.line, chainage_m: own_m.clone() }];
        for m in runs {
            let chainage_m = own_m.iter().map(|&c| m.chainage_m(sample(c))).collect();
            carried.push(Carried { line: m.line, chainage_m });
        }
        // The order of the lines, whichever was the longest.
        carried[1..].sort_by_key(|c| c.line);
        (path, carried)
    }
}

/// What one recording did before and after it turned back may part by this many merge distances
/// near the turn and still be one track.
const TURN_WIDTH: f64 = 5.0;

/// An alignment ends within this many merge distances of the turn.
const TURN_LENGTH: f64 = 16.0;

/// Pairs of samples that lead evenly from one pair to another, both included.
fn bridge(from: (usize, usize), to: (usize, usize)) -> Vec<(usize, usize)> {
    let steps = (to.0 - from.0).max(to.1 - from.1).max(1);
    let between = |a: usize, b: usize, k: usize| a + ((b - a) * k + steps / 2) / steps;
    (0..=steps).map(|k| (between(from.0, to.0, k), between(from.1, to.1, k))).collect()
}

/// Chainages with `more` samples put before them; those and the first `over` after are spread evenly.
fn spread(chainage_m: Vec<f64>, more: usize, over: usize) -> Vec<f64> {
    let over = over.min(chainage_m.len() - 1);
    let (from_m, to_m) = (chainage_m[0], chainage_m[over]);
    let share = |k: usize| k as f64 / (more + over).max(1) as f64;
    let fresh = (0..more + over).map(|k| from_m + (to_m - from_m) * share(k));
    fresh.chain(chainage_m[over..].iter().copied()).collect()
}
