//! Repeated GPS passes of one track, made one line before anything is noded.

use std::collections::{BTreeMap, BinaryHeap};

use super::NetworkError;
use super::align::{Extent, MATCH_FACTOR, ORDINARY_COVER, RUN_FACTOR, Run, Samples, align};
use super::doubled::doubled_pieces;
use super::lattice::Lattice;
use super::sieve::{is_recording, lines_that_run_together};
use super::strand::{Strand, Strands, level_of};
use super::track::{Joint, Merged, Piece, Track};
use crate::frame::{GroundPoint, Traced};
use crate::record::Line;

/// A stretch of line that was taken for a further pass of another line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MergedPass {
    /// Index of the input line.
    pub line: u32,
    /// Index of the longer line that it was merged with.
    pub into: u32,
    /// Where the stretch begins on the line, in frame metres.
    pub from_m: f64,
    /// Where it ends.
    pub to_m: f64,
}

/// Passes whose offsets scatter less than this share of the merge distance are one line drawn
/// twice: the longer keeps its vertices.
const SCATTER_SHARE: f64 = 0.2;

/// Smoothing for the alignment, in merge distances.
const ALIGN_SIGMA: f64 = 3.0;

/// Smoothing of the centre line, in merge distances.
const CENTRE_SIGMA: f64 = 2.0;

/// What a pass has over at the ends of a run is kept where it is this many merge distances
/// long, and otherwise counts to the run.
const OVERHANG_FACTOR: f64 = 4.0;

/// The working lines of the input with repeated passes merged, and what was merged.
///
/// Longest first, each line is aligned with the centre lines of those before it that run
/// near it for long enough; where they are one track ([`Run::is_one_track`]) the centre line
/// moves to the mean of the passes. Only lines of one kind and level merge. Lines read from a
/// GPX file are recordings of a receiver and may merge for part of their way; any other line
/// only as a whole, or nearly so. The centre line is smoothed along its way (10 m at the
/// default); where no pass was merged, or the passes hardly scatter, the longer line keeps its
/// vertices. Passes that coincide to within two lattice steps are left to the noder.
///
/// Poor where two real tracks run closer together than about 1.6 merge distances: they
/// cannot be told from two passes. A recording that passes over itself is cut where it turns or
/// begins to repeat, and its pieces are merged like lines ([`doubled_pieces`]); any other line is
/// never merged with itself.
///
/// Cost: linear in the length of the lines, and the alignment of those that run together.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`] where very many lines crowd together.
pub(crate) fn merged_strands(
    lattice: &Lattice,
    lines: &[Traced<Line>],
    respect_levels: bool,
    merge_m: f64,
    keeps_places: bool,
) -> Result<(Strands, Vec<MergedPass>), NetworkError> {
    let mut near = lines_that_run_together(lines, merge_m)?;
    let doubled = doubled_pieces(lines, merge_m);
    for &line in doubled.keys() {
        let others = near.entry(line).or_default();
        let at = others.partition_point(|&other| other < line);
        others.insert(at, line);
    }
    if near.is_empty() {
        return Ok((Strands::from_lines(lattice, lines, respect_levels, keeps_places), Vec::new()));
    }
    let step_m = lattice.step_m();
    let (tracks, passes, twins) = (Vec::new(), Vec::new(), Vec::new());
    let mut merging =
        Merging { lines, respect_levels, step_m, merge_m, near, doubled, tracks, passes, twins };
    merging.run();
    Ok(merging.into_strands(lattice, keeps_places))
}

/// A run of a piece along a track that makes it a pass of it.
struct Match {
    track: usize,
    run: Run,
    /// The piece, sampled in the track's direction.
    samples: Samples,
    reversed: bool,
    scatter_m: f64,
}

impl Match {
    /// Whether the run is as long as the piece, but for a sample at either end.
    fn is_whole(&self) -> bool {
        let (first, last) = (self.run.matched[0], self.run.matched[self.run.matched.len() - 1]);
        first.1 <= 1 && last.1 + 2 >= self.samples.points.len()
    }
}

struct Merging<'a> {
    lines: &'a [Traced<Line>],
    respect_levels: bool,
    /// Step of the lattice.
    step_m: f64,
    merge_m: f64,
    near: BTreeMap<u32, Vec<u32>>,
    /// The recordings that pass over themselves, in pieces that do not.
    doubled: BTreeMap<u32, Vec<Piece>>,
    tracks: Vec<Track>,
    passes: Vec<MergedPass>,
    /// Pieces that coincide with a track.
    twins: Vec<(Match, Piece)>,
}

impl Merging<'_> {
    fn run(&mut self) {
        // Longest first; of equals the one that lies farther west, then south.
        let mut queue: BinaryHeap<(u64, i64, i64, std::cmp::Reverse<u32>, usize)> = BinaryHeap::new();
        let mut waiting: Vec<Piece> = Vec::new();
        let add = |piece: Piece, queue: &mut BinaryHeap<_>, waiting: &mut Vec<Piece>| {
            let corner =
                piece.path.iter().fold((f64::MAX, f64::MAX), |(x, y), p| (x.min(p.x_m), y.min(p.y_m)));
            let (x, y) = ((corner.0 * 1000.0) as i64, (corner.1 * 1000.0) as i64);
            queue.push((piece.length_m().to_bits(), -x, -y, std::cmp::Reverse(piece.line), waiting.len()));
            waiting.push(piece);
        };
        for &line in self.near.keys() {
            for piece in self.pieces(line) {
                add(piece, &mut queue, &mut waiting);
            }
        }
        while let Some((.., k)) = queue.pop() {
            let piece = waiting[k].clone();
            for rest in self.place(piece) {
                add(rest, &mut queue, &mut waiting);
            }
        }
        self.place_twins();
        self.settle_joints();
    }

    /// A line in the pieces in which it is merged.
    fn pieces(&self, line: u32) -> Vec<Piece> {
        self.doubled
            .get(&line)
            .cloned()
            .unwrap_or_else(|| vec![Piece::whole(line, &self.lines[line as usize].ground)])
    }

    /// Whether a piece may be a pass of a track: one of a line near its own, or of its own line
    /// where that passes over itself. No line is merged twice with the same track but then.
    fn may_follow(&self, piece: &Piece, track: &Track, near: &[u32]) -> bool {
        let carries = |line: u32| near.binary_search(&line).is_ok();
        let level = |line: u32| level_of(&self.lines[line as usize].what);
        let other = track.piece.line;
        let again = other == piece.line || track.merged.iter().any(|m| m.line == piece.line);
        (!again || self.doubled.contains_key(&piece.line))
            && (carries(other) || track.merged.iter().any(|m| carries(m.line)))
            && (!self.respect_levels || level(other) == level(piece.line))
    }

    /// Merges a piece with a track, or makes it one; gives back what is left over.
    fn place(&mut self, piece: Piece) -> Vec<Piece> {
        let best = if piece.length_m() < RUN_FACTOR * self.merge_m { None } else { self.best_run(&piece) };
        match best {
            Some(best) if best.scatter_m > 2.0 * self.step_m => self.merge(best, piece),
            Some(twin) => {
                self.twins.push((twin, piece));
                Vec::new()
            }
            None => {
                self.tracks.push(Track::new(piece, ALIGN_SIGMA, self.merge_m));
                Vec::new()
            }
        }
    }

    /// Pieces that coincide with a track go its way where it was moved; else they stay as they
    /// are, for the noder to find.
    fn place_twins(&mut self) {
        for (twin, piece) in std::mem::take(&mut self.twins) {
            if self.tracks[twin.track].is_moved() {
                self.merge(twin, piece);
            } else {
                self.tracks.push(Track::new(piece, ALIGN_SIGMA, self.merge_m));
            }
        }
    }

    /// The best run of a piece along the tracks of lines near its own; or, where the whole piece
    /// coincides with a track, that run, and then no other track needs to be looked at.
    fn best_run(&self, piece: &Piece) -> Option<Match> {
        let near = self.near.get(&piece.line)?;
        let extent = Extent::of(&piece.path, MATCH_FACTOR * self.merge_m);
        let mut best: Option<Match> = None;
        for (t, track) in self.tracks.iter().enumerate() {
            if !extent.meets(&track.extent) || !self.may_follow(piece, track, near) {
                continue;
            }
            for reversed in [false, true] {
                let mut path = piece.path.clone();
                if reversed {
                    path.reverse();
                }
                // Steps as long as the track's, so that a match is as long on both.
                let samples = Samples::along(&path, track.samples.step_m);
                let smooth = samples.smoothed(ALIGN_SIGMA * self.merge_m);
                let Some(run) = align(&track.centre, &smooth, self.merge_m) else { continue };
                if best.as_ref().is_some_and(|b| run.score <= b.run.score)
                    || !self.accepts(&run, track, piece, &samples)
                {
                    continue;
                }
                let scatter_m = track.scatter_m(&run, &samples);
                let found = Match { track: t, run, samples, reversed, scatter_m };
                if scatter_m > 2.0 * self.step_m {
                    best = Some(found);
                } else if found.is_whole() {
                    return Some(found);
                }
            }
        }
        best
    }

    fn accepts(&self, run: &Run, track: &Track, piece: &Piece, samples: &Samples) -> bool {
        let step_m = track.samples.step_m.min(samples.step_m);
        let recording = |line: u32| is_recording(&self.lines[line as usize].what);
        let covered = run.matched[run.matched.len() - 1].1 - run.matched[0].1;
        let cover = covered as f64 / (samples.points.len() - 1) as f64;
        let both_recorded = recording(piece.line) && recording(track.piece.line);
        run.is_one_track(step_m, self.merge_m) && (both_recorded || cover >= ORDINARY_COVER)
    }

    fn merge(&mut self, found: Match, piece: Piece) -> Vec<Piece> {
        let Match { track: t, mut run, samples, reversed, scatter_m } = found;
        let track = &mut self.tracks[t];
        track.reach_turns(&mut run, &piece, &samples, reversed, self.merge_m);
        let scattered = scatter_m > SCATTER_SHARE * self.merge_m;
        let count = samples.points.len() - 1;
        let (first, last) = (run.matched[0], run.matched[run.matched.len() - 1]);
        let keep = (OVERHANG_FACTOR * self.merge_m / samples.step_m).ceil() as usize;
        // A short overhang counts to the run.
        let begin = if first.1 < keep { 0 } else { first.1 };
        let end = if count - last.1 < keep { count } else { last.1 };
        let length_m = piece.length_m();
        let start_m = piece.chainage_m[0];
        let chainage_m = |sample: f64| {
            let along_m = sample / count as f64 * length_m;
            start_m + if reversed { length_m - along_m } else { along_m }
        };
        let mut chain = Vec::with_capacity(last.0 - first.0 + 1);
        for group in run.matched.chunk_by(|p, q| p.0 == q.0) {
            let i = group[0].0;
            let n = group.len() as f64;
            let mean = |f: &dyn Fn(usize) -> f64| group.iter().map(|m| f(m.1)).sum::<f64>() / n;
            let at = GroundPoint::new(mean(&|j| samples.points[j].x_m), mean(&|j| samples.points[j].y_m));
            if scattered {
                track.samples.points[i] = track.samples.points[i].lerp(at, 1.0 / (track.passes[i] + 1.0));
                track.passes[i] += 1.0;
            }
            let sample = if i == first.0 {
                begin as f64
            } else if i == last.0 {
                end as f64
            } else {
                mean(&|j| j as f64)
            };
            chain.push(chainage_m(sample));
        }
        let mut merged = Merged { line: piece.line, first: first.0, chainage_m: chain, scattered };
        if scattered {
            merged.lead_out(track.samples.points.len() - 1, keep);
            track.smooth(ALIGN_SIGMA, self.merge_m);
        }
        let (low_i, high_i) =
            if reversed { (merged.last(), merged.first) } else { (merged.first, merged.last()) };
        track.merged.push(merged);
        let (a, b) = (chainage_m(begin as f64), chainage_m(end as f64));
        self.passes.push(MergedPass {
            line: piece.line,
            into: track.piece.line,
            from_m: a.min(b),
            to_m: a.max(b),
        });
        self.left_over(&piece, t, (a.min(b), low_i), (a.max(b), high_i))
    }

    /// The parts of a piece before and after a merged stretch, which runs between two places of
    /// it (metres, and the sample of the track there). They join the centre line where it ends.
    fn left_over(&self, piece: &Piece, t: usize, low: (f64, usize), high: (f64, usize)) -> Vec<Piece> {
        let ((low_m, low_i), (high_m, high_i)) = (low, high);
        let points = &self.tracks[t].samples.points;
        let (start_m, end_m) = (piece.chainage_m[0], piece.chainage_m[piece.chainage_m.len() - 1]);
        let joint = |sample: usize| Some(Joint { track: t, sample });
        let mut rest = Vec::new();
        if low_m > start_m {
            let mut before = piece.part(start_m, low_m, None, Some(points[low_i]));
            before.joints[1] = joint(low_i);
            rest.push(before);
        }
        if high_m < end_m {
            let mut after = piece.part(high_m, end_m, Some(points[high_i]), None);
            after.joints[0] = joint(high_i);
            rest.push(after);
        }
        rest
    }

    /// Centre lines move as passes are merged: what joined one goes where it came to lie.
    fn settle_joints(&mut self) {
        for t in 0..self.tracks.len() {
            for (at_end, joint) in [false, true].into_iter().zip(self.tracks[t].piece.joints) {
                if let Some(joint) = joint {
                    let at = self.tracks[joint.track].samples.points[joint.sample];
                    self.tracks[t].put_end(at_end, at);
                }
            }
        }
    }

    fn into_strands(self, lattice: &Lattice, keeps_places: bool) -> (Strands, Vec<MergedPass>) {
        let total = self.lines.iter().map(|l| l.ground.len()).sum();
        let mut by_line: BTreeMap<u32, Vec<&Track>> = BTreeMap::new();
        for track in &self.tracks {
            by_line.entry(track.piece.line).or_default().push(track);
        }
        let mut all = Strands::with_capacity(self.lines.len(), total, keeps_places);
        for (index, line) in self.lines.iter().enumerate() {
            let index = index as u32;
            if !self.near.contains_key(&index) {
                all.push_line(lattice, index, line, self.respect_levels);
                continue;
            }
            let strand = Strand::of(&line.what, self.respect_levels);
            for track in by_line.get(&index).into_iter().flatten() {
                for (path, carried) in track.parts(CENTRE_SIGMA * self.merge_m) {
                    all.push(lattice, strand, &carried, &path);
                }
            }
        }
        let mut passes = self.passes;
        passes.sort_by(|p, q| p.line.cmp(&q.line).then(p.from_m.total_cmp(&q.from_m)));
        (all, passes)
    }
}
