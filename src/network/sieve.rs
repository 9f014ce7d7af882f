//! Which lines run together for long enough to be passes of one track: a cheap sieve.

use std::collections::BTreeMap;

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
