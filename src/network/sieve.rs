//! Which lines run together for long enough to be passes of one track: a cheap sieve.

use std::collections::BTreeMap;
use std::ops::Range;

use rayon::prelude::*;

use super::NetworkError;
use super::align::{ORDINARY_COVER, RUN_FACTOR, Samples};
use super::strand::way_length_m;
use crate::frame::{GroundPoint, Traced};
use crate::record::Line;

/// Keeps the heading of a line of no length defined, in metres.
const LEAST_LENGTH_M: f64 = 1e-9;

/// Whether a line is a recording of a receiver.
pub(super) fn is_recording(line: &Line) -> bool {
    line.source.file.extension().is_some_and(|e| e.eq_ignore_ascii_case("gpx"))
}

/// For each line that runs near another of its kind for long enough to be a pass of it, those
/// others. A cheap sieve over samples four merge distances apart.
pub(super) fn lines_that_run_together(
    lines: &[Traced<Line>],
    merge_m: f64,
) -> Result<BTreeMap<u32, Vec<u32>>, NetworkError> {
    let step_m = 4.0 * merge_m;
    let lengths_m: Vec<f64> = lines.par_iter().map(|l| way_length_m(&l.ground)).collect();
    let sieve = gather(lines, &lengths_m, merge_m, Looks::ordinary())?;
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
            let length_m = a.distance_m(b).max(LEAST_LENGTH_M);
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
/// Most samples: 2 GB of them, or a million km of lines at the usual merge distance.
const SAMPLE_LIMIT: u64 = 50_000_000;
/// Samples that a thread works on at a time.
const AT_A_TIME: usize = 4096;
/// From so many samples on, pairs are counted before more are taken.
const FIRST_LOOK: usize = 1 << 20;

/// When samples are looked at, and how much of them is too much.
#[derive(Clone, Copy)]
struct Looks {
    /// From so many samples on.
    first: usize,
    /// Most samples.
    samples: u64,
    /// Most pairs in neighbouring cells.
    pairs: u64,
}

impl Looks {
    fn ordinary() -> Self {
        Self { first: FIRST_LOOK, samples: SAMPLE_LIMIT, pairs: SIEVE_LIMIT }
    }
}

/// The samples of all lines that are long enough, by cell and line.
///
/// Pairs are counted whenever the samples have doubled, and more lines only add to them: lines
/// that crowd together are refused before all their samples are held. Cost: about twice that of
/// sorting the samples once.
fn gather(
    lines: &[Traced<Line>],
    lengths_m: &[f64],
    merge_m: f64,
    looks: Looks,
) -> Result<Vec<Sieved>, NetworkError> {
    let step_m = 4.0 * merge_m;
    let long: Vec<usize> = (0..lines.len()).filter(|&k| lengths_m[k] >= RUN_FACTOR * merge_m).collect();
    let samples = |k: usize| (lengths_m[k] / step_m).ceil() as u64 + 1;
    let all = long.iter().fold(0_u64, |sum, &k| sum.saturating_add(samples(k)));
    if all > looks.samples {
        let length_km = long.iter().map(|&k| lengths_m[k]).sum::<f64>() / 1000.0;
        return Err(NetworkError::TooLong { length_km, step_m });
    }
    let (mut sieve, mut rest): (Vec<Sieved>, &[usize]) = (Vec::new(), &long);
    while !rest.is_empty() {
        let room = (2 * sieve.len()).max(looks.first) as u64;
        let mut held = sieve.len() as u64;
        let full = |&k: &usize| {
            held += samples(k);
            held >= room
        };
        let (now, later) = rest.split_at(rest.iter().position(full).map_or(rest.len(), |last| last + 1));
        sieve.par_extend(now.par_iter().flat_map_iter(|&k| sieve_line(k as u32, &lines[k], step_m)));
        sieve.par_sort_unstable_by_key(|s| (s.cell, s.line));
        if pairs_beside(&sieve) > looks.pairs {
            return Err(NetworkError::TooManyCrossings { pairs: looks.pairs });
        }
        rest = later;
    }
    Ok(sieve)
}

/// The samples in a sample's own cell and the eight around it, by row, for one sample after another.
///
/// Samples come by cell, so what is beside them only moves on: each row of cells has a window that
/// does, and none is searched for. Cost: linear in the samples that the windows pass.
struct Beside<'a> {
    sieve: &'a [Sieved],
    /// The windows in the row below, the sample's own, and the row above.
    windows: [Range<usize>; 3],
}

impl<'a> Beside<'a> {
    /// For samples from a first one on.
    fn from(sieve: &'a [Sieved], first: &Sieved) -> Self {
        let (row, column) = first.cell;
        let windows = [row - 1, row, row + 1].map(|r| {
            let start = sieve.partition_point(|o| o.cell < (r, column - 1));
            start..start
        });
        Self { sieve, windows }
    }

    /// What is beside a sample that comes no earlier than the one before it.
    fn of(&mut self, s: &Sieved) -> [&'a [Sieved]; 3] {
        let (sieve, (row, column)) = (self.sieve, s.cell);
        for (window, r) in self.windows.iter_mut().zip(row - 1..) {
            while sieve.get(window.start).is_some_and(|o| o.cell < (r, column - 1)) {
                window.start += 1;
            }
            window.end = window.end.max(window.start);
            while sieve.get(window.end).is_some_and(|o| o.cell <= (r, column + 1)) {
                window.end += 1;
            }
        }
        self.windows.clone().map(|window| &sieve[window])
    }
}

/// How many pairs of a sample and one in its own cell or the eight around it there are.
fn pairs_beside(sieve: &[Sieved]) -> u64 {
    let of_part = |part: &[Sieved]| {
        let mut beside = Beside::from(sieve, &part[0]);
        let count = |s| beside.of(s).iter().map(|row| row.len() as u64).sum::<u64>();
        part.iter().map(count).sum::<u64>()
    };
    sieve.par_chunks(AT_A_TIME).map(of_part).sum()
}

/// (lesser line, greater line) once for every sample of either that has a sample of the other
/// with like or opposite heading within `reach_m`, counted on the line with the lower number.
fn neighbours(sieve: &[Sieved], step_m: f64, reach_m: f64) -> Vec<(u32, u32)> {
    debug_assert!(reach_m <= step_m);
    let of_part = |part: &[Sieved]| {
        let mut beside = Beside::from(sieve, &part[0]);
        let (mut pairs, mut found) = (Vec::new(), Vec::new());
        for s in part {
            found.clear();
            for o in beside.of(s).into_iter().flatten() {
                let cosine = s.heading.0 * o.heading.0 + s.heading.1 * o.heading.1;
                if o.line > s.line && cosine.abs() >= 0.4 && s.at.distance_m(o.at) <= reach_m {
                    found.push(o.line);
                }
            }
            found.sort_unstable();
            found.dedup();
            pairs.extend(found.iter().map(|&o| (s.line, o)));
        }
        pairs
    };
    sieve.par_chunks(AT_A_TIME).flat_map_iter(of_part).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::frame::LonLat;
    use crate::record::{LineKind, SourcePlace};

    /// Straight lines of a length through one place.
    fn star(lines: usize, length_m: f64) -> Vec<Traced<Line>> {
        let of = |k: usize| {
            let (sin, cos) = (std::f64::consts::PI * k as f64 / lines as f64).sin_cos();
            let end = |sign: f64| GroundPoint::new(sign * length_m / 2.0 * cos, sign * length_m / 2.0 * sin);
            traced(k, vec![end(-1.0), end(1.0)])
        };
        (0..lines).map(of).collect()
    }

    /// Straight lines beside each other, too far apart to meet in neighbouring cells.
    fn fence(lines: usize, length_m: f64) -> Vec<Traced<Line>> {
        let of = |k: usize| {
            let x_m = 100.0 * k as f64;
            traced(k, vec![GroundPoint::new(x_m, 0.0), GroundPoint::new(x_m, length_m)])
        };
        (0..lines).map(of).collect()
    }

    fn traced(index: usize, ground: Vec<GroundPoint>) -> Traced<Line> {
        let path = vec![LonLat::new(148.0, -35.0).unwrap(); ground.len()];
        let file: std::sync::Arc<std::path::Path> = std::path::Path::new("tracks.geojson").into();
        let what = Line::new(LineKind::Track, SourcePlace { file, index, id: None });
        Traced { what, path, ground }
    }

    /// The cells that a line has samples in, and the line.
    type Told = Vec<((i32, i32), u32)>;

    fn gathered(lines: &[Traced<Line>], looks: Looks) -> Result<Told, NetworkError> {
        let lengths_m: Vec<f64> = lines.iter().map(|l| way_length_m(&l.ground)).collect();
        Ok(gather(lines, &lengths_m, 5.0, looks)?.iter().map(|s| (s.cell, s.line)).collect())
    }

    /// What is held is the same however often it is looked at on the way.
    #[test]
    fn looking_on_the_way_changes_nothing() {
        let lines = fence(60, 900.0);
        let at_once = gathered(&lines, Looks { first: usize::MAX / 4, ..Looks::ordinary() }).unwrap();
        assert_eq!(at_once.len(), 60 * 46);
        for first in [1, 46, 47, 500] {
            assert_eq!(
                gathered(&lines, Looks { first, ..Looks::ordinary() }).unwrap(),
                at_once,
                "from {first}"
            );
        }
        assert!(at_once.is_sorted());
    }

    /// The pairs of a fence are its samples with those before and after on the same line: just
    /// so many pass, one less does not.
    #[test]
    fn pairs_are_counted_over_all_that_is_held() {
        let lines = fence(60, 900.0);
        // 46 samples a line, each beside itself and its neighbours.
        let pairs = 60 * (3 * 46 - 2);
        for first in [1, 500, usize::MAX / 4] {
            assert!(gathered(&lines, Looks { first, pairs, samples: SAMPLE_LIMIT }).is_ok());
            let refused = gathered(&lines, Looks { first, pairs: pairs - 1, samples: SAMPLE_LIMIT });
            assert_eq!(refused.err(), Some(NetworkError::TooManyCrossings { pairs: pairs - 1 }));
        }
    }

    /// The last lines of a star have no length that could be sampled: they are never looked at,
    /// since those before them are too many already.
    #[test]
    fn a_crowd_is_refused_before_all_of_it_is_sampled() {
        let mut lines = star(4000, 400.0);
        let lengths_m: Vec<f64> = lines.iter().map(|l| way_length_m(&l.ground)).collect();
        // Sampling these panics.
        lines[2000..].iter_mut().for_each(|line| line.ground.clear());
        let looks = Looks { first: 1000, pairs: 100_000, samples: SAMPLE_LIMIT };
        let refused = gather(&lines, &lengths_m, 5.0, looks).map(|sieve| sieve.len());
        assert_eq!(refused.err(), Some(NetworkError::TooManyCrossings { pairs: 100_000 }));
    }

    /// Refused by length alone, before anything is sampled.
    #[test]
    fn more_samples_than_fit_are_refused_by_their_number() {
        let lines = fence(60, 900.0);
        let with = |samples| gathered(&lines, Looks { samples, ..Looks::ordinary() });
        assert!(with(60 * 46).is_ok());
        let refused = with(60 * 46 - 1).err();
        assert_eq!(refused, Some(NetworkError::TooLong { length_km: 54.0, step_m: 20.0 }));
    }

    /// Walks of a length with a kink now and then.
    fn walks(rng: &mut ChaCha8Rng, count: usize, steps: usize) -> Vec<Traced<Line>> {
        let walk = |k: usize| {
            let (mut x_m, mut y_m) = (rng.random_range(-150.0..150.0), rng.random_range(-150.0..150.0));
            let mut heading: f64 = rng.random_range(0.0..std::f64::consts::TAU);
            let mut step = |_| {
                heading += rng.random_range(-0.6..0.6);
                (x_m, y_m) = (x_m + 9.0 * heading.cos(), y_m + 9.0 * heading.sin());
                GroundPoint::new(x_m, y_m)
            };
            traced(k, (0..steps).map(&mut step).collect())
        };
        (0..count).map(walk).collect()
    }

    #[test]
    fn samples_of_lines_beside_each_other_are_those_of_looking_at_every_pair() {
        let mut rng = ChaCha8Rng::seed_from_u64(81);
        let mut found = 0;
        for _ in 0..15 {
            let lines = walks(&mut rng, 8, 25);
            let mut sieve: Vec<Sieved> =
                (0..).zip(&lines).flat_map(|(k, line)| sieve_line(k, line, 20.0)).collect();
            sieve.sort_by_key(|s| (s.cell, s.line));
            let mut wanted = Vec::new();
            for s in &sieve {
                let like = |o: &&Sieved| {
                    let cosine = s.heading.0 * o.heading.0 + s.heading.1 * o.heading.1;
                    o.line > s.line && cosine.abs() >= 0.4 && s.at.distance_m(o.at) <= 18.5
                };
                let others: BTreeSet<u32> = sieve.iter().filter(like).map(|o| o.line).collect();
                wanted.extend(others.into_iter().map(|o| (s.line, o)));
            }
            let mut pairs = neighbours(&sieve, 20.0, 18.5);
            pairs.sort_unstable();
            wanted.sort_unstable();
            assert_eq!(pairs, wanted);
            found += pairs.len();
        }
        assert!(found > 100, "{found}");
    }

    #[test]
    fn samples_for_the_sieve_know_their_cell_and_direction() {
        let bend = [(-30.0, 5.0), (30.0, 5.0), (30.0, 85.0)].map(|(x_m, y_m)| GroundPoint::new(x_m, y_m));
        let found = sieve_line(7, &traced(7, bend.to_vec()), 20.0);
        let told: Vec<_> = found.iter().map(|s| (s.cell, s.at.x_m, s.at.y_m)).collect();
        assert_eq!(
            told[..4],
            [((0, -2), -30.0, 5.0), ((0, -1), -10.0, 5.0), ((0, 0), 10.0, 5.0), ((0, 1), 30.0, 5.0)]
        );
        assert_eq!(
            told[4..],
            [((1, 1), 30.0, 25.0), ((2, 1), 30.0, 45.0), ((3, 1), 30.0, 65.0), ((4, 1), 30.0, 85.0)]
        );
        let half = std::f32::consts::FRAC_1_SQRT_2;
        for (k, s) in found.iter().enumerate() {
            let wanted = match k {
                ..=2 => (1.0, 0.0),
                3 => (half, half),
                _ => (0.0, 1.0),
            };
            assert!((s.heading.0 - wanted.0).abs() < 1e-6 && (s.heading.1 - wanted.1).abs() < 1e-6, "{k}");
            assert_eq!(s.line, 7);
        }
    }

    /// East through some places, of a kind and from a file.
    fn level(kind: LineKind, file: &str, from_m: f64, to_m: f64, y_m: f64) -> Traced<Line> {
        let mut line = traced(0, vec![GroundPoint::new(from_m, y_m), GroundPoint::new(to_m, y_m)]);
        (line.what.kind, line.what.source.file) = (kind, std::path::Path::new(file).into());
        line
    }

    #[test]
    fn lines_of_one_kind_that_run_together_for_long_enough_are_near_each_other() {
        let near = |lines: &[Traced<Line>]| {
            let near = lines_that_run_together(lines, 5.0).unwrap();
            near.into_iter().collect::<Vec<_>>()
        };
        let track = |from_m, to_m, y_m| level(LineKind::Track, "a.geojson", from_m, to_m, y_m);
        let recorded = |from_m, to_m, y_m| level(LineKind::Track, "a.gpx", from_m, to_m, y_m);
        let all = [
            track(0.0, 500.0, 0.0),
            track(0.0, 500.0, 4.0),
            level(LineKind::Road, "a.geojson", 0.0, 500.0, 2.0),
            track(0.0, 500.0, 90.0),
            track(500.0, 0.0, -4.0),
        ];
        assert_eq!(near(&all), [(0, vec![1, 4]), (1, vec![0, 4]), (4, vec![0, 1])]);
        // 18.5 m apart at most, in samples 20 m apart along the line.
        assert_eq!(near(&[track(0.0, 500.0, 0.0), track(0.0, 500.0, 18.4)]).len(), 2);
        assert_eq!(near(&[track(0.0, 500.0, 0.0), track(0.0, 500.0, 18.6)]).len(), 0);
        // Shorter than 100 m nothing is looked at.
        assert_eq!(near(&[track(0.0, 100.0, 0.0), track(0.0, 100.0, 3.0)]).len(), 2);
        assert_eq!(near(&[track(0.0, 99.0, 0.0), track(0.0, 300.0, 3.0)]).len(), 0);
        // Ordinary lines: 0.6 of 0.8 of the shorter; recordings: 0.6 of 100 m, which three samples are.
        let overlap = |over_m: f64| [track(0.0, 400.0, 0.0), track(400.0 - over_m, 800.0 - over_m, 3.0)];
        assert_eq!((near(&overlap(160.0)).len(), near(&overlap(240.0)).len()), (0, 2));
        let recordings =
            |over_m: f64| [recorded(0.0, 400.0, 0.0), recorded(400.0 - over_m, 800.0 - over_m, 3.0)];
        assert_eq!((near(&recordings(20.0)).len(), near(&recordings(40.0)).len()), (0, 2));
        let one = [recorded(0.0, 400.0, 0.0), track(300.0, 800.0, 3.0)];
        assert_eq!(near(&one).len(), 2, "a recording and another line");
    }

    #[test]
    fn recordings_come_from_gpx_files() {
        let is = |file: &str| is_recording(&level(LineKind::Track, file, 0.0, 1.0, 0.0).what);
        assert_eq!(
            ["a.gpx", "b.GPX", "c.geojson", "gpx", "d.gpx.zip"].map(is),
            [true, true, false, false, false]
        );
    }
}
