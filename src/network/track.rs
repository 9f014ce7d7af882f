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

#[cfg(test)]
mod tests {
    use super::*;

    /// A straight path east, a vertex every `step_m` metres from `from_m` on, `y_m` north.
    fn east(from_m: f64, step_m: f64, count: usize, y_m: f64) -> Vec<GroundPoint> {
        (0..count).map(|k| GroundPoint::new(from_m + step_m * k as f64, y_m)).collect()
    }

    fn places(path: &[GroundPoint]) -> Vec<(f64, f64)> {
        path.iter().map(|p| (p.x_m, p.y_m)).collect()
    }

    /// 100 m east, then 60 m north, as the part of a line from chainage 40 on.
    fn bend() -> Piece {
        let path = [(0.0, 0.0), (50.0, 0.0), (100.0, 0.0), (100.0, 60.0)];
        let path: Vec<GroundPoint> = path.iter().map(|&(x, y)| GroundPoint::new(x, y)).collect();
        let chainage_m = vec![40.0, 90.0, 140.0, 200.0];
        let joint = |track| Some(Joint { track, sample: 0 });
        Piece { line: 3, chainage_m, path, joints: [joint(1), joint(2)] }
    }

    fn joined(piece: &Piece) -> [Option<usize>; 2] {
        piece.joints.map(|j| j.map(|j| j.track))
    }

    #[test]
    fn a_whole_path_has_the_chainages_of_its_vertices() {
        let piece = Piece::whole(5, &bend().path);
        assert_eq!((piece.line, piece.length_m()), (5, 160.0));
        assert_eq!(piece.chainage_m, [0.0, 50.0, 100.0, 160.0]);
        assert_eq!(joined(&piece), [None, None]);
        assert_eq!(bend().length_m(), 160.0);
    }

    #[test]
    fn a_part_has_the_vertices_between_its_ends_and_the_joints_it_reaches() {
        let part = bend().part(65.0, 170.0, None, None);
        assert_eq!(part.chainage_m, [65.0, 90.0, 140.0, 170.0]);
        assert_eq!(places(&part.path), [(25.0, 0.0), (50.0, 0.0), (100.0, 0.0), (100.0, 30.0)]);
        assert_eq!((part.line, joined(&part)), (3, [None, None]));
        // At vertices each comes once; ends given take the place of those computed.
        let (first, last) = (GroundPoint::new(1.0, 2.0), GroundPoint::new(3.0, 4.0));
        let part = bend().part(40.0, 140.0, Some(first), Some(last));
        assert_eq!(part.chainage_m, [40.0, 90.0, 140.0]);
        assert_eq!(places(&part.path), [(1.0, 2.0), (50.0, 0.0), (3.0, 4.0)]);
        assert_eq!(joined(&part), [Some(1), None]);
        let part = bend().part(90.0, 200.0, None, None);
        assert_eq!(places(&part.path), [(50.0, 0.0), (100.0, 0.0), (100.0, 60.0)]);
        assert_eq!(joined(&part), [None, Some(2)]);
        assert_eq!(joined(&bend().part(40.0, 200.0, None, None)), [Some(1), Some(2)]);
    }

    #[test]
    fn a_place_outside_a_piece_is_its_end() {
        let found = [39.0, 40.0, 66.0, 140.0, 170.0, 200.0, 300.0].map(|m| bend().at(m));
        let wanted =
            [(0.0, 0.0), (0.0, 0.0), (26.0, 0.0), (100.0, 0.0), (100.0, 30.0), (100.0, 60.0), (100.0, 60.0)];
        assert_eq!(places(&found), wanted);
        // Between vertices of one chainage there is nothing to divide by.
        let mut still = bend();
        (still.chainage_m[1], still.path[1]) = (40.0, still.path[0]);
        assert_eq!(places(&[still.at(40.0), still.at(90.0)]), [(0.0, 0.0), (50.0, 0.0)]);
    }

    #[test]
    fn a_bridge_leads_evenly_from_one_pair_to_another() {
        assert_eq!(bridge((0, 0), (4, 2)), [(0, 0), (1, 1), (2, 1), (3, 2), (4, 2)]);
        assert_eq!(
            bridge((10, 7), (12, 13)),
            [(10, 7), (10, 8), (11, 9), (11, 10), (11, 11), (12, 12), (12, 13)]
        );
        assert_eq!(bridge((3, 5), (5, 7)), [(3, 5), (4, 6), (5, 7)]);
        assert_eq!(bridge((3, 5), (3, 5)), [(3, 5), (3, 5)]);
    }

    fn merged(line: u32, first: usize, chainage_m: Vec<f64>) -> Merged {
        Merged { line, first, chainage_m, scattered: true }
    }

    #[test]
    fn chainages_are_spread_over_the_samples_put_before_them() {
        assert_eq!(spread(vec![10.0, 20.0, 30.0, 40.0], 2, 2), [10.0, 15.0, 20.0, 25.0, 30.0, 40.0]);
        assert_eq!(spread(vec![10.0, 22.0], 2, 9), [10.0, 14.0, 18.0, 22.0]);
        assert_eq!(spread(vec![8.0, 4.0, 0.0], 0, 1), [8.0, 4.0, 0.0]);
        assert_eq!(spread(vec![5.0], 3, 4), [5.0; 4]);
    }

    #[test]
    fn a_run_leads_on_to_a_near_end_of_the_track_and_not_to_a_far_one() {
        let run: Vec<f64> = (0..21).map(|k| 100.0 + 10.0 * f64::from(k)).collect();
        // Samples 2 to 22 of 24: two before, two after; up to three are led over.
        let mut led = merged(0, 2, run.clone());
        led.lead_out(24, 3);
        assert_eq!((led.first, led.last()), (0, 24));
        // Twice three steps at either end are spread over two more.
        let front = (0..8).map(|k| 100.0 + 7.5 * f64::from(k));
        let middle = (6..=14).map(|k| 100.0 + 10.0 * f64::from(k));
        let back = (0..8).rev().map(|k| 300.0 - 7.5 * f64::from(k));
        assert_eq!(led.chainage_m, front.chain(middle).chain(back).collect::<Vec<_>>());
        // As many as are kept stay.
        let mut kept = merged(0, 3, run.clone());
        kept.lead_out(26, 3);
        assert_eq!((kept.first, kept.last(), &kept.chainage_m), (3, 23, &run));
        // Where it reaches the ends nothing changes, however uneven.
        let uneven: Vec<f64> = (0..21).map(|k: u32| f64::from(k * k)).collect();
        let mut whole = merged(0, 0, uneven.clone());
        whole.lead_out(20, 3);
        assert_eq!((whole.first, whole.chainage_m), (0, uneven));
        let mut whole = merged(0, 0, run.clone());
        whole.lead_out(20, 3);
        assert_eq!((whole.first, whole.chainage_m), (0, run));
    }

    #[test]
    fn a_chainage_between_samples_lies_between_theirs() {
        let run = merged(0, 4, vec![50.0, 60.0, 80.0]);
        assert_eq!(run.last(), 6);
        let found = [0.0, 4.0, 4.25, 5.0, 5.5, 6.0, 9.0].map(|sample| run.chainage_m(sample));
        assert_eq!(found, [50.0, 50.0, 52.5, 60.0, 70.0, 80.0, 80.0]);
    }

    /// A straight track of 200 m with a sample every 5 m.
    fn straight(line: u32) -> Track {
        Track::new(Piece::whole(line, &east(0.0, 20.0, 11, 0.0)), 3.0, 5.0)
    }

    fn run(matched: Vec<(usize, usize)>) -> Run {
        Run { offsets_m: vec![0.0; matched.len()], matched, score: 0.0 }
    }

    #[test]
    fn a_new_track_is_its_own_only_pass() {
        let mut track = straight(7);
        assert_eq!((track.samples.points.len(), track.centre.len()), (41, 41));
        assert_eq!(track.passes, [1.0; 41]);
        assert!(!track.is_moved() && track.merged.is_empty());
        // Its box is wider by what may match: three merge distances.
        let beside = |x_m: f64, y_m: f64| track.extent.meets(&Extent::of(&[GroundPoint::new(x_m, y_m)], 0.0));
        assert!(beside(100.0, 15.0) && beside(-15.0, 0.0) && !beside(100.0, 15.1) && !beside(215.1, 0.0));
        track.merged.push(Merged { scattered: false, ..merged(1, 0, vec![0.0]) });
        assert!(!track.is_moved());
        track.merged.push(merged(1, 0, vec![0.0]));
        assert!(track.is_moved());
        let (first, last) = (GroundPoint::new(-1.0, 1.0), GroundPoint::new(201.0, 2.0));
        track.put_end(false, first);
        track.put_end(true, last);
        let both = |path: &[GroundPoint]| (path[0], path[path.len() - 1], path.len());
        assert_eq!(both(&track.piece.path), (first, last, 11));
        assert_eq!(both(&track.samples.points), (first, last, 41));
    }

    #[test]
    fn scatter_is_the_root_mean_square_distance_from_the_pass_as_recorded() {
        let mut track = straight(0);
        let samples = |y_m: &dyn Fn(usize) -> f64| {
            let points = (0..41).map(|k| GroundPoint::new(5.0 * k as f64, y_m(k))).collect();
            Samples { points, step_m: 5.0 }
        };
        let all = run((0..41).map(|k| (k, k)).collect());
        assert!((track.scatter_m(&all, &samples(&|_| 2.0)) - 2.0).abs() < 1e-12);
        let odd = samples(&|k| if k % 2 == 1 { 4.0 } else { 0.0 });
        assert!((track.scatter_m(&all, &odd) - (20.0 * 16.0 / 41.0_f64).sqrt()).abs() < 1e-12);
        // Where the centre line has moved to plays no part; matched a sample farther on, the foot is
        // still found.
        track.samples.points.iter_mut().for_each(|p| p.y_m = 9.0);
        let shifted = run((0..40).map(|k| (k, k + 1)).collect());
        assert!((track.scatter_m(&shifted, &samples(&|_| 3.0)) - 3.0).abs() < 1e-12);
        // Vertices as dense as samples: the foot of one matched two samples off is 10 m along.
        let dense = Track::new(Piece::whole(0, &east(0.0, 5.0, 41, 0.0)), 3.0, 5.0);
        for shift in [(0, 2), (2, 0)] {
            let shifted = run((0..39).map(|k| (k + shift.0, k + shift.1)).collect());
            assert!((dense.scatter_m(&shifted, &samples(&|_| 3.0)) - 3.0).abs() < 1e-12, "{shift:?}");
        }
        // A hairpin: the other leg is nearer, but not near along the way.
        let legs = [east(0.0, 20.0, 6, 0.0), east(0.0, 20.0, 6, 8.0).into_iter().rev().collect()].concat();
        let track = Track::new(Piece::whole(0, &legs), 3.0, 5.0);
        let along = Samples { points: east(0.0, 5.0, 9, 7.0), step_m: 5.0 };
        let first = run((0..9).map(|k| (k, k)).collect());
        assert!((track.scatter_m(&first, &along) - 7.0).abs() < 1e-9);
    }

    /// Out 200 m and back beside it; the run ends some samples before the turn.
    fn turned(off_m: f64, ends_at: usize, other: u32) -> Vec<(usize, usize)> {
        let out = straight(0);
        let mut back = Piece::whole(other, &east(0.0, 20.0, 11, off_m).into_iter().rev().collect::<Vec<_>>());
        back.chainage_m.iter_mut().for_each(|c| *c += 200.0);
        // Sampled in the direction of the track: from the end of the way back to the turn.
        let samples = Samples { points: east(0.0, 5.0, 41, off_m), step_m: 5.0 };
        let mut found = run((0..=ends_at).map(|k| (k, k)).collect());
        out.reach_turns(&mut found, &back, &samples, true, 5.0);
        found.matched
    }

    #[test]
    fn a_run_that_ends_a_little_before_a_turn_leads_on_to_it() {
        let whole: Vec<(usize, usize)> = (0..41).map(|k| (k, k)).collect();
        // Up to sixteen merge distances are 16 samples; a bridge holds the last pair too.
        assert_eq!(turned(3.0, 25, 0), whole);
        assert_eq!(turned(3.0, 24, 0), whole[..25], "too far from the turn");
        assert_eq!(turned(25.0, 30, 0), whole, "five merge distances apart");
        assert_eq!(turned(25.1, 30, 0), whole[..31], "a loop that was driven");
        assert_eq!(turned(3.0, 30, 1), whole[..31], "another recording turns elsewhere");
    }

    #[test]
    fn a_run_that_begins_a_little_after_a_turn_is_led_back_to_it() {
        // The track is the way back here: it starts where the way out ends.
        let mut back = straight(0);
        back.piece.chainage_m.iter_mut().for_each(|c| *c += 200.0);
        let out = Piece::whole(0, &east(0.0, 20.0, 11, 2.0).into_iter().rev().collect::<Vec<_>>());
        let samples = Samples { points: east(0.0, 5.0, 41, 2.0), step_m: 5.0 };
        let mut found = run((6..41).map(|k| (k, k)).collect());
        back.reach_turns(&mut found, &out, &samples, true, 5.0);
        assert!(found.matched.into_iter().eq((0..41).map(|k| (k, k))));
        // A pass in the same direction begins elsewhere.
        let mut found = run((6..41).map(|k| (k, k)).collect());
        back.reach_turns(&mut found, &out, &samples, false, 5.0);
        assert_eq!(found.matched.len(), 35);
    }

    #[test]
    fn a_track_without_passes_is_one_part_as_it_was_recorded() {
        let track = straight(4);
        let parts = track.parts(10.0);
        assert_eq!((parts.len(), &parts[0].0), (1, &track.piece.path));
        assert_eq!((parts[0].1.len(), parts[0].1[0].line), (1, 4));
        assert_eq!(parts[0].1[0].chainage_m, track.piece.chainage_m);
    }

    #[test]
    fn parts_begin_and_end_with_runs_and_carry_the_lines_of_those_that_cover_them() {
        let mut track = straight(4);
        // Line 9 from sample 8 to 24 against the track, line 2 from 16 to the end; they do not scatter.
        let falling = (0..17).map(|k| 500.0 - 5.0 * f64::from(k)).collect();
        let rising = (0..25).map(|k| 10.0 * f64::from(k)).collect();
        track.merged.push(Merged { scattered: false, ..merged(9, 8, falling) });
        track.merged.push(Merged { scattered: false, ..merged(2, 16, rising) });
        let parts = track.parts(10.0);
        let ends: Vec<_> = parts.iter().map(|(path, _)| (path[0].x_m, path[path.len() - 1].x_m)).collect();
        assert_eq!(ends, [(0.0, 40.0), (40.0, 80.0), (80.0, 120.0), (120.0, 200.0)]);
        let lines: Vec<Vec<u32>> = parts.iter().map(|(_, c)| c.iter().map(|c| c.line).collect()).collect();
        assert_eq!(lines, [vec![4], vec![4, 9], vec![4, 2, 9], vec![4, 2]]);
        // Vertices every 20 m, and the chainages at them.
        let carried = &parts[2].1;
        assert_eq!(places(&parts[2].0), [(80.0, 0.0), (100.0, 0.0), (120.0, 0.0)]);
        assert_eq!(carried[0].chainage_m, [80.0, 100.0, 120.0]);
        assert_eq!(carried[1].chainage_m, [0.0, 40.0, 80.0]);
        assert_eq!(carried[2].chainage_m, [460.0, 440.0, 420.0]);
        assert!(parts.iter().all(|(path, c)| c.iter().all(|c| c.chainage_m.len() == path.len())));
    }

    #[test]
    fn where_passes_scatter_a_part_is_the_smoothed_mean_of_all() {
        let mut track = straight(4);
        track.merged.push(merged(9, 8, (0..17).map(|k| 5.0 * f64::from(k)).collect()));
        track.samples.points[16].y_m = 8.0;
        let parts = track.parts(10.0);
        let (path, carried) = &parts[1];
        assert_eq!(path.len(), 17, "a vertex a sample");
        assert!(path[8].y_m > 1.0 && path[8].y_m < 3.0, "smoothed: {} m", path[8].y_m);
        assert!((path[7].y_m - path[9].y_m).abs() < 1e-12);
        assert!(
            (carried[0].chainage_m[8] - 80.0).abs() < 1e-12
                && (carried[1].chainage_m[8] - 40.0).abs() < 1e-12
        );
        // The ends of the run stay where the passes' mean puts them.
        track.samples.points[8].y_m = 6.0;
        let parts = track.parts(10.0);
        assert_eq!((parts[1].0[0].y_m, parts[0].0[2].y_m), (6.0, 6.0));
        assert_eq!(places(&parts[0].0[..2]), [(0.0, 0.0), (20.0, 0.0)], "and beyond them the piece stays");
    }
}
