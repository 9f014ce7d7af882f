//! Repeated GPS passes of one track, made one line before anything is noded.

use std::collections::{BTreeMap, BinaryHeap};

use rayon::prelude::*;

use super::align::{RUN_FACTOR, Run, Samples, align};
use super::lattice::Lattice;
use super::strand::{Carried, Strand, Strands, chainages_m, level_of, nearest_on};
use super::{KindSet, NetworkError};
use crate::frame::{GroundPoint, Traced, path_length_m};
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

/// A line that is no recording of a receiver is taken for a pass only where the run covers
/// this share of it: ordinary tracks often run together for a while.
const ORDINARY_COVER: f64 = 0.8;

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
/// cannot be told from two passes. A line is never merged with itself, so one recording
/// that goes out and back on the same track stays two lines.
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
) -> Result<(Strands, Vec<MergedPass>), NetworkError> {
    let near = lines_that_run_together(lines, merge_m)?;
    if near.is_empty() {
        return Ok((Strands::from_lines(lattice, lines, respect_levels), Vec::new()));
    }
    let step_m = lattice.step_m();
    let (tracks, passes) = (Vec::new(), Vec::new());
    let mut merging = Merging { lines, respect_levels, step_m, merge_m, near, tracks, passes };
    merging.run();
    Ok(merging.into_strands(lattice))
}

/// Whether a line is a recording of a receiver.
fn is_recording(line: &Line) -> bool {
    line.source.file.extension().is_some_and(|e| e.eq_ignore_ascii_case("gpx"))
}

/// For each line that runs near another of its kind for long enough to be a pass of it, those
/// others. A cheap sieve over samples four merge distances apart.
fn lines_that_run_together(
    lines: &[Traced<Line>],
    merge_m: f64,
) -> Result<BTreeMap<u32, Vec<u32>>, NetworkError> {
    let step_m = 4.0 * merge_m;
    let lengths_m: Vec<f64> = lines.par_iter().map(|l| path_length_m(&l.ground)).collect();
    let mut sieve: Vec<Sieved> = lines
        .par_iter()
        .enumerate()
        .filter(|(k, _)| lengths_m[*k] >= RUN_FACTOR * merge_m)
        .flat_map_iter(|(k, line)| sieve_line(k as u32, line, step_m))
        .collect();
    sieve.par_sort_unstable_by_key(|s| (s.cell, s.line));
    let crowd: u64 = sieve.par_iter().map(|s| beside(&sieve, s).map(|b| b.len() as u64).sum::<u64>()).sum();
    if crowd > SIEVE_LIMIT {
        return Err(NetworkError::TooManyCrossings { pairs: SIEVE_LIMIT });
    }
    let mut pairs: Vec<(u32, u32)> = neighbours(&sieve, step_m, 3.7 * merge_m);
    pairs.par_sort_unstable();
    let mut near: BTreeMap<u32, Vec<u32>> = BTreeMap::new();
    for group in pairs.chunk_by(|p, q| p == q) {
        let (i, j) = group[0];
        let (a, b) = (&lines[i as usize].what, &lines[j as usize].what);
        // Allow for samples that fall between.
        let least_m = if is_recording(a) || is_recording(b) {
            RUN_FACTOR * merge_m
        } else {
            ORDINARY_COVER * lengths_m[i as usize].min(lengths_m[j as usize])
        };
        if a.kind == b.kind && group.len() as f64 * step_m >= 0.6 * least_m {
            near.entry(i).or_default().push(j);
            near.entry(j).or_default().push(i);
        }
    }
    Ok(near)
}

/// A sample of a line for the sieve.
#[derive(Clone, Copy)]
struct Sieved {
    /// Row and column of its cell.
    cell: (i32, i32),
    line: u32,
    at: GroundPoint,
    heading: (f32, f32),
}

fn sieve_line(index: u32, line: &Traced<Line>, step_m: f64) -> Vec<Sieved> {
    let samples = Samples::along(&line.ground, step_m).points;
    let n = samples.len();
    (0..n)
        .map(|i| {
            let (a, b) = (samples[i.saturating_sub(1)], samples[(i + 1).min(n - 1)]);
            let length_m = a.distance_m(b).max(1e-9);
            let at = samples[i];
            Sieved {
                cell: ((at.y_m / step_m).floor() as i32, (at.x_m / step_m).floor() as i32),
                line: index,
                at,
                heading: (((b.x_m - a.x_m) / length_m) as f32, ((b.y_m - a.y_m) / length_m) as f32),
            }
        })
        .collect()
}

/// Most pairs of samples in neighbouring cells; ordinary networks have a few a sample.
const SIEVE_LIMIT: u64 = 500_000_000;

/// The samples in a sample's own cell and the eight around it, by row.
fn beside<'a>(sieve: &'a [Sieved], s: &Sieved) -> impl Iterator<Item = &'a [Sieved]> + use<'a> {
    let (row, column) = s.cell;
    (row - 1..=row + 1).map(move |r| {
        let from = sieve.partition_point(|o| o.cell < (r, column - 1));
        let to = from + sieve[from..].partition_point(|o| o.cell <= (r, column + 1));
        &sieve[from..to]
    })
}

/// (lesser line, greater line) once for every sample of either that has a sample of the other
/// with like or opposite heading within `reach_m`, counted on the line with the lower number.
fn neighbours(sieve: &[Sieved], step_m: f64, reach_m: f64) -> Vec<(u32, u32)> {
    debug_assert!(reach_m <= step_m);
    sieve
        .par_iter()
        .with_min_len(4096)
        .map_init(Vec::new, |found: &mut Vec<u32>, s| {
            found.clear();
            for o in beside(sieve, s).flatten() {
                let cosine = s.heading.0 * o.heading.0 + s.heading.1 * o.heading.1;
                if o.line > s.line && cosine.abs() >= 0.4 && s.at.distance_m(o.at) <= reach_m {
                    found.push(o.line);
                }
            }
            found.sort_unstable();
            found.dedup();
            found.iter().map(|&o| (s.line, o)).collect::<Vec<_>>()
        })
        .flatten_iter()
        .collect()
}

/// A part of a line that waits to be matched.
#[derive(Clone, Debug)]
struct Piece {
    line: u32,
    /// Chainage of every vertex of the path.
    chainage_m: Vec<f64>,
    path: Vec<GroundPoint>,
}

impl Piece {
    /// Its length along the line as it was recorded.
    fn length_m(&self) -> f64 {
        self.chainage_m[self.chainage_m.len() - 1] - self.chainage_m[0]
    }
}

/// A centre line in the making: the longest pass, and those merged with it.
struct Track {
    piece: Piece,
    samples: Samples,
    /// How many passes each sample is the mean of.
    passes: Vec<f64>,
    merged: Vec<Merged>,
}

/// A run merged with a track.
struct Merged {
    line: u32,
    /// First sample of the run.
    first: usize,
    /// The line's chainage at each sample of the run.
    chainage_m: Vec<f64>,
    /// Whether the passes scatter, so that their mean is better than either.
    scattered: bool,
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

/// A run of a piece along a track that makes it a pass of it.
struct Match {
    track: usize,
    run: Run,
    /// The piece, sampled in the track's direction.
    samples: Samples,
    reversed: bool,
    scatter_m: f64,
}

struct Merging<'a> {
    lines: &'a [Traced<Line>],
    respect_levels: bool,
    /// Step of the lattice.
    step_m: f64,
    merge_m: f64,
    near: BTreeMap<u32, Vec<u32>>,
    tracks: Vec<Track>,
    passes: Vec<MergedPass>,
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
            let path = self.lines[line as usize].ground.clone();
            add(Piece { line, chainage_m: chainages_m(&path), path }, &mut queue, &mut waiting);
        }
        while let Some((.., k)) = queue.pop() {
            let piece = waiting[k].clone();
            for rest in self.place(piece) {
                add(rest, &mut queue, &mut waiting);
            }
        }
    }

    /// Merges a piece with a track, or makes it one; gives back what is left over.
    fn place(&mut self, piece: Piece) -> Vec<Piece> {
        let best = if piece.length_m() < RUN_FACTOR * self.merge_m { None } else { self.best_run(&piece) };
        match best {
            Some(best) => self.merge(best, piece),
            None => {
                let samples = Samples::along(&piece.path, self.merge_m);
                let passes = vec![1.0; samples.points.len()];
                self.tracks.push(Track { piece, samples, passes, merged: Vec::new() });
                Vec::new()
            }
        }
    }

    /// The best run of a piece along the tracks of lines near its own.
    fn best_run(&self, piece: &Piece) -> Option<Match> {
        let near = self.near.get(&piece.line)?;
        let level = |line: u32| level_of(&self.lines[line as usize].what);
        let mut best: Option<Match> = None;
        for (t, track) in self.tracks.iter().enumerate() {
            let carries = |l: u32| near.binary_search(&l).is_ok();
            let other = track.piece.line;
            if other == piece.line
                || track.merged.iter().any(|m| m.line == piece.line)
                || !(carries(other) || track.merged.iter().any(|m| carries(m.line)))
                || (self.respect_levels && level(other) != level(piece.line))
            {
                continue;
            }
            let centre = track.samples.smoothed(ALIGN_SIGMA * self.merge_m);
            for reversed in [false, true] {
                let mut path = piece.path.clone();
                if reversed {
                    path.reverse();
                }
                // Steps as long as the track's, so that a match is as long on both.
                let samples = Samples::along(&path, track.samples.step_m);
                let smooth = samples.smoothed(ALIGN_SIGMA * self.merge_m);
                let Some(run) = align(&centre, &smooth, self.merge_m) else { continue };
                if best.as_ref().is_some_and(|b| run.score <= b.run.score)
                    || !self.accepts(&run, track, piece, &samples)
                {
                    continue;
                }
                let scatter_m = track.scatter_m(&run, &samples);
                if scatter_m > 2.0 * self.step_m {
                    best = Some(Match { track: t, run, samples, reversed, scatter_m });
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
        let Match { track: t, run, samples, reversed, scatter_m } = found;
        let track = &mut self.tracks[t];
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
        track.merged.push(Merged { line: piece.line, first: first.0, chainage_m: chain, scattered });
        let (a, b) = (chainage_m(begin as f64), chainage_m(end as f64));
        self.passes.push(MergedPass {
            line: piece.line,
            into: track.piece.line,
            from_m: a.min(b),
            to_m: a.max(b),
        });
        // What is left over joins the centre line where the run ends.
        let (low_m, high_m) = (a.min(b), a.max(b));
        let (low_i, high_i) = if reversed { (last.0, first.0) } else { (first.0, last.0) };
        let end_m = piece.chainage_m[piece.chainage_m.len() - 1];
        let mut rest = Vec::new();
        if low_m > start_m {
            rest.push(piece.part(start_m, low_m, None, Some(track.samples.points[low_i])));
        }
        if high_m < end_m {
            rest.push(piece.part(high_m, end_m, Some(track.samples.points[high_i]), None));
        }
        rest
    }

    fn into_strands(self, lattice: &Lattice) -> (Strands, Vec<MergedPass>) {
        let total = self.lines.iter().map(|l| l.ground.len()).sum();
        let mut by_line: BTreeMap<u32, Vec<&Track>> = BTreeMap::new();
        for track in &self.tracks {
            by_line.entry(track.piece.line).or_default().push(track);
        }
        let mut all = Strands::with_capacity(self.lines.len(), total);
        for (index, line) in self.lines.iter().enumerate() {
            let index = index as u32;
            let strand = |carried| Strand {
                kind: line.what.kind,
                kinds: KindSet::of(line.what.kind),
                level: if self.respect_levels { level_of(&line.what) } else { 0 },
                carried,
            };
            if !self.near.contains_key(&index) {
                let carried = vec![Carried { line: index, chainage_m: chainages_m(&line.ground) }];
                if !all.push(lattice, strand(carried), &line.ground) {
                    all.vanished.push(index);
                }
                continue;
            }
            for track in by_line.get(&index).into_iter().flatten() {
                for (path, carried) in track.parts(CENTRE_SIGMA * self.merge_m) {
                    all.push(lattice, strand(carried), &path);
                }
            }
        }
        let mut passes = self.passes;
        passes.sort_by(|p, q| p.line.cmp(&q.line).then(p.from_m.total_cmp(&q.from_m)));
        (all, passes)
    }
}

impl Piece {
    /// The part between two chainages; `first` and `last` take the place of its ends.
    fn part(&self, from_m: f64, to_m: f64, first: Option<GroundPoint>, last: Option<GroundPoint>) -> Piece {
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
    fn scatter_m(&self, run: &Run, samples: &Samples) -> f64 {
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
    fn parts(&self, sigma_m: f64) -> Vec<(Vec<GroundPoint>, Vec<Carried>)> {
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
