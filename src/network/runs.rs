//! A sieve before the sweep of a strip: which segments can meet another at all.

use super::strand::Strands;
use super::strips::{Strips, by_west, pairs_in, reaches};

/// Segments that follow each other on a strand, all of them eastward, or westward, northward or
/// southward. Their boxes have no more than the vertices between them in common.
#[derive(Clone, Copy)]
struct Run {
    west: i32,
    east: i32,
    low: i32,
    high: i32,
    /// The place of its first segment among those of the strip, and the end behind its last.
    first: u32,
    end: u32,
    /// The ways that all of them go.
    ways: u8,
}

/// Which segments of a strip, by place, have a box that may meet the box of another that they do not
/// merely go on from: those of runs whose boxes meet. Also how many pairs of runs there were to
/// look at; they are not looked at, and all segments kept, where these are more than `most`.
///
/// Where lines are few, most runs meet nothing, and there are several segments to a run.
pub(crate) fn may_meet(
    strands: &Strands,
    strips: &Strips,
    strip: usize,
    segments: &[u32],
    most: u64,
) -> (Vec<bool>, u64) {
    let runs = by_west(runs(strands, strips, strip, segments), |run| run.west);
    let reaches = reaches(&runs, |run| (run.west, run.east));
    let pairs = pairs_in(&reaches);
    let mut kept = vec![pairs > most; segments.len()];
    if pairs > most {
        return (kept, pairs);
    }
    for (i, first) in runs.iter().enumerate() {
        for second in &runs[i + 1..reaches[i] as usize] {
            if second.low <= first.high && first.low <= second.high {
                for run in [first, second] {
                    kept[run.first as usize..run.end as usize].fill(true);
                }
            }
        }
    }
    (kept, pairs)
}

/// The segments of a strip in runs.
fn runs(strands: &Strands, strips: &Strips, strip: usize, segments: &[u32]) -> Vec<Run> {
    let mut runs: Vec<Run> = Vec::with_capacity(segments.len() / 2);
    let mut before = None;
    for (place, &segment) in (0..).zip(segments) {
        let (a, b) = strands.segment(segment);
        let (west, east) = strips.x_range(a, b, strip);
        let ways = u8::from(b.x > a.x)
            | u8::from(b.x < a.x) << 1
            | u8::from(b.y > a.y) << 2
            | u8::from(b.y < a.y) << 3;
        let (low, high) = (a.y.min(b.y), a.y.max(b.y));
        match runs.last_mut().filter(|run| before == Some(segment) && run.ways & ways != 0) {
            Some(run) => {
                (run.west, run.east) = (run.west.min(west), run.east.max(east));
                (run.low, run.high) = (run.low.min(low), run.high.max(high));
                (run.end, run.ways) = (place + 1, run.ways & ways);
            }
            None => runs.push(Run { west, east, low, high, first: place, end: place + 1, ways }),
        }
        before = Some(segment + 1);
    }
    runs
}
