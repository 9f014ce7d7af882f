//! Parts of recordings, and the centre lines that passes of one track are merged to.

use super::align::{Run, Samples};
use super::strand::{Carried, nearest_on};
use crate::frame::GroundPoint;

/// A part of a line that waits to be matched.
#[derive(Clone, Debug)]
pub(super) struct Piece {
    pub line: u32,
    /// Chainage of every vertex of the path.
    pub chainage_m: Vec<f64>,
    pub path: Vec<GroundPoint>,
}

impl Piece {
    /// Its length along the line as it was recorded.
    pub(super) fn length_m(&self) -> f64 {
        self.chainage_m[self.chainage_m.len() - 1] - self.chainage_m[0]
    }
}

/// A centre line in the making: the longest pass, and those merged with it.
pub(super) struct Track {
    pub piece: Piece,
    pub samples: Samples,
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
    fn last(&self) -> usize {
        self.first + self.chainage_m.len() - 1
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
        Piece { line: self.line, chainage_m, path }
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
