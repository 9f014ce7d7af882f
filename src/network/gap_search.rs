//! The search for what line ends almost meet.

use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::exact::{Hit, crossing, hit, in_box, rounded_share};
use super::gap::ROUND_OFF_M;
use super::lattice::{Lattice, Pixel};
use super::rows::Rows;
use super::strand::{Strands, nearest_on};
use super::strips::Strips;
use super::{NearMiss, NearMissKind, NetworkError};
use crate::frame::GroundPoint;

/// How much farther than the snap distance gaps are looked for, to be listed as not closed.
const LISTED_FACTOR: f64 = 3.0;

/// A foot on the end's own line counts only where the way along the line is more than this
/// many snap distances: a line that does not turn back is then farther away than any gap
/// listed, while the end of a lollipop finds its stem.
const OWN_LINE_FACTOR: f64 = 4.0;

/// How far gaps are looked for, in steps of the lattice, rounding included.
fn reach_steps(lattice: &Lattice, snap_m: f64) -> i64 {
    (LISTED_FACTOR * snap_m / lattice.step_m()).ceil() as i64 + 2
}

/// A distance in whole micrometres, so that ties do not hang on the last bit.
fn micrometres(distance_m: f64) -> i64 {
    (distance_m / ROUND_OFF_M).round() as i64
}

/// The search for what line ends almost meet.
pub(crate) struct Search<'a> {
    strands: &'a Strands,
    strips: Strips,
    lattice: &'a Lattice,
    snap_m: f64,
}

/// An end of a strand.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
struct End {
    strand: usize,
    last: bool,
    vertex: u32,
}

/// What one end found; `near_miss` still lacks the line numbers.
pub(crate) struct Found {
    pub strand: usize,
    pub last: bool,
    pub end: Pixel,
    pub other: usize,
    pub foot: Pixel,
    pub near_miss: NearMiss,
}

/// A segment near an end.
#[derive(Clone, Copy)]
struct Candidate {
    segment: u32,
    strand: usize,
    /// Unrounded distance from the end in metres.
    gap_m: f64,
    foot: Pixel,
}

/// Most pairs of a line end and a line piece beside it.
const NEAR_LIMIT: u64 = 100_000_000;

impl<'a> Search<'a> {
    pub(crate) fn new(strands: &'a Strands, lattice: &'a Lattice, snap_m: f64) -> Self {
        let strips = Strips::padded(strands, reach_steps(lattice, snap_m));
        Self { strands, strips, lattice, snap_m }
    }

    /// What the ends of all strands find, in the order of the strands, starts before ends.
    ///
    /// # Errors
    /// [`NetworkError::TooManyCrossings`].
    pub(crate) fn run(&self) -> Result<Vec<Found>, NetworkError> {
        let ends = self.ends_by_strip();
        let pairs = AtomicU64::new(0);
        let found: Vec<Vec<Found>> = (0..self.strips.len())
            .into_par_iter()
            .map(|strip| self.look_in(strip, ends.row(strip), &pairs))
            .collect();
        if pairs.into_inner() > NEAR_LIMIT {
            return Err(NetworkError::TooManyCrossings { pairs: NEAR_LIMIT });
        }
        let mut found: Vec<Found> = found.into_iter().flatten().collect();
        found.sort_unstable_by_key(|f| (f.strand, f.last));
        Ok(found)
    }

    /// The ends of strands that are no closed rings, by the strip of their row, west to east.
    fn ends_by_strip(&self) -> Rows<End> {
        let at = |vertex: u32| self.strands.vertices[vertex as usize];
        let blank = End { strand: 0, last: false, vertex: 0 };
        let mut ends = Rows::sorted(self.strips.len(), blank, |add| {
            for strand in 0..self.strands.len() {
                let range = self.strands.range(strand);
                let (first, end) = (range.start as u32, range.end as u32 - 1);
                if at(first) != at(end) {
                    for (vertex, last) in [(first, false), (end, true)] {
                        let strip = self.strips.of_row(at(vertex).y as i64) as u32;
                        add(strip, End { strand, last, vertex });
                    }
                }
            }
        });
        ends.sort_rows_by(|p, q| at(p.vertex).cmp(&at(q.vertex)).then(p.vertex.cmp(&q.vertex)));
        ends
    }

    fn look_in(&self, strip: usize, ends: &[End], pairs: &AtomicU64) -> Vec<Found> {
        let Some(beside) = self.segments_beside(strip, ends, pairs) else { return Vec::new() };
        ends.iter().enumerate().filter_map(|(k, &end)| self.look(end, beside.row(k))).collect()
    }

    /// For each end in a strip the segments whose boxes come within reach; `None` where there
    /// are too many.
    fn segments_beside(&self, strip: usize, ends: &[End], pairs: &AtomicU64) -> Option<Rows<u32>> {
        let reach = reach_steps(self.lattice, self.snap_m);
        let at = |end: &End| self.strands.vertices[end.vertex as usize];
        let xs: Vec<i64> = ends.iter().map(|e| at(e).x as i64).collect();
        let mut ranges: Vec<(u32, usize, usize)> = Vec::new();
        for &segment in self.strips.segments(strip) {
            let (a, b) = self.strands.segment(segment);
            let (west, east) = self.strips.x_range(a, b, strip);
            let from = xs.partition_point(|&x| x < west as i64 - reach);
            let count = xs[from..].partition_point(|&x| x <= east as i64 + reach);
            if count > 0 {
                ranges.push((segment, from, from + count));
            }
        }
        let own: u64 = ranges.iter().map(|r| (r.2 - r.1) as u64).sum();
        if pairs.fetch_add(own, Ordering::Relaxed) + own > NEAR_LIMIT {
            return None;
        }
        Some(Rows::sorted(ends.len(), 0, |add| {
            for &(segment, from, to) in &ranges {
                let (a, b) = self.strands.segment(segment);
                let (south, north) = (a.y.min(b.y) as i64 - reach, a.y.max(b.y) as i64 + reach);
                for (k, end) in (from as u32..).zip(&ends[from..to]) {
                    if (south..=north).contains(&(at(end).y as i64)) {
                        add(k, segment);
                    }
                }
            }
        }))
    }

    fn look(&self, End { strand, last, vertex }: End, beside: &[u32]) -> Option<Found> {
        let vertex = vertex as usize;
        let candidates = self.near(strand, vertex, beside)?;
        let nearest = *candidates.iter().min_by(|p, q| {
            (micrometres(p.gap_m), p.foot, p.strand).cmp(&(micrometres(q.gap_m), q.foot, q.strand))
        })?;
        let tail = self.tail(strand, last);
        let overshoots = candidates
            .iter()
            .filter(|c| c.strand == nearest.strand && c.strand != strand)
            .any(|c| tail.iter().any(|&t| meet(self.strands.segment(t), self.strands.segment(c.segment))));
        let at = self.strands.vertices[vertex];
        let foot = if overshoots { nearest.foot } else { self.prefer_end(vertex, &nearest) };
        let gap_m = if foot == nearest.foot {
            nearest.gap_m
        } else {
            self.strands.places[vertex].distance_m(self.lattice.ground(foot))
        };
        let near_miss = NearMiss {
            kind: if overshoots { NearMissKind::Overshoot } else { NearMissKind::Gap },
            at: self.lattice.ground(at),
            foot: self.lattice.ground(foot),
            gap_m,
            closed: !overshoots && gap_m <= self.snap_m + ROUND_OFF_M && foot != at,
            line: 0,
            other: 0,
        };
        Some(Found { strand, last, end: at, other: nearest.strand, foot, near_miss })
    }

    /// The segments near an end; `None` if one of them touches it.
    fn near(&self, strand: usize, vertex: usize, beside: &[u32]) -> Option<Vec<Candidate>> {
        let reach_m = LISTED_FACTOR * self.snap_m;
        let mut found: Vec<Candidate> = Vec::new();
        for &segment in beside {
            match self.candidate(strand, vertex, segment, reach_m) {
                Meeting::Touches => return None,
                Meeting::Near(c) => found.push(c),
                Meeting::Far => {}
            }
        }
        Some(found)
    }

    fn candidate(&self, strand: usize, vertex: usize, segment: u32, reach_m: f64) -> Meeting {
        let at = self.strands.vertices[vertex];
        let (a, b) = self.strands.segment(segment);
        let place = self.strands.places[vertex];
        let (p, q) = (self.strands.places[segment as usize], self.strands.places[segment as usize + 1]);
        let foot = nearest_on(p, q, place);
        let gap_m = place.distance_m(foot);
        let touches = in_box(a, b, at) && (at == a || at == b || hit(a, b, at) == Hit::Inside);
        if !touches && gap_m > reach_m + ROUND_OFF_M {
            return Meeting::Far;
        }
        let other = self.strands.strand_of(segment);
        if touches {
            // The end always touches the segment that it ends.
            let own = vertex == segment as usize || vertex == segment as usize + 1;
            return if own { Meeting::Far } else { Meeting::Touches };
        }
        if other == strand && self.is_own_neighbourhood(strand, vertex, segment, foot) {
            return Meeting::Far;
        }
        let (mine, theirs) = (&self.strands.strands[strand], &self.strands.strands[other]);
        if mine.level != theirs.level {
            return Meeting::Far; // it ends above or below that line
        }
        Meeting::Near(Candidate { segment, strand: other, gap_m, foot: entered_pixel(a, b, at) })
    }

    /// Whether a foot on the end's own line is so close along the line that the distance
    /// says nothing.
    fn is_own_neighbourhood(&self, strand: usize, vertex: usize, segment: u32, foot: GroundPoint) -> bool {
        let first = self.strands.range(strand).start;
        let Some(carried) = self.strands.strands[strand].carried.first() else { return true };
        let (chainage_m, k) = (&carried.chainage_m, segment as usize - first);
        let foot_m = chainage_m[k] + self.strands.places[segment as usize].distance_m(foot);
        (chainage_m[vertex - first] - foot_m).abs() <= OWN_LINE_FACTOR * self.snap_m
    }

    /// The segments of a strand within the snap distance of its end, along the strand.
    fn tail(&self, strand: usize, last: bool) -> Vec<u32> {
        let range = self.strands.range(strand);
        let segments = range.start as u32..range.end as u32 - 1;
        let mut along_m = 0.0;
        let mut tail = Vec::new();
        let mut take = |s: u32| {
            tail.push(s);
            along_m += self.strands.places[s as usize].distance_m(self.strands.places[s as usize + 1]);
            along_m < self.snap_m
        };
        if last {
            segments.rev().all(&mut take);
        } else {
            segments.into_iter().all(&mut take);
        }
        tail
    }

    /// The foot, or the end of the line it lies on where that is within the snap distance
    /// of both the foot and the dangling end: two ends that face each other meet end to end.
    fn prefer_end(&self, vertex: usize, nearest: &Candidate) -> Pixel {
        let range = self.strands.range(nearest.strand);
        let place = self.strands.places[vertex];
        let foot = self.lattice.ground(nearest.foot);
        [range.start, range.end - 1]
            .into_iter()
            .map(|v| (self.strands.places[v].distance_m(place), v))
            .filter(|&(gap_m, v)| {
                v != vertex
                    && gap_m <= self.snap_m + ROUND_OFF_M
                    && self.strands.places[v].distance_m(foot) <= self.snap_m + ROUND_OFF_M
            })
            .min_by_key(|&(gap_m, v)| (micrometres(gap_m), self.strands.vertices[v]))
            .map_or(nearest.foot, |(_, v)| self.strands.vertices[v])
    }
}

enum Meeting {
    Touches,
    Near(Candidate),
    Far,
}

/// Whether two segments share a point, up to the lattice.
fn meet((a, b): (Pixel, Pixel), (c, d): (Pixel, Pixel)) -> bool {
    let enters = |a, b, p| in_box(a, b, p) && (p == a || p == b || hit(a, b, p) == Hit::Inside);
    crossing(a, b, c, d).is_some() || enters(a, b, c) || enters(a, b, d) || enters(c, d, a) || enters(c, d, b)
}

/// The pixel of an end's foot on a rounded segment, of those that the segment enters, so that it
/// will be split there.
///
/// The exact rational foot is rounded, so that the answer depends neither on the direction of the
/// segment nor on where the lattice lies. The foot lies on the segment, so its pixel is entered,
/// or at a tie one beside it; an end of the segment serves where none is.
fn entered_pixel(a: Pixel, b: Pixel, end: Pixel) -> Pixel {
    let (dx, dy) = (b.x as i64 - a.x as i64, b.y as i64 - a.y as i64);
    let length2 = dx * dx + dy * dy;
    let dot = ((end.x as i64 - a.x as i64) * dx + (end.y as i64 - a.y as i64) * dy).clamp(0, length2);
    let centre = Pixel::new(a.x + rounded_share(dx, dot, length2), a.y + rounded_share(dy, dot, length2));
    (-1..=1)
        .flat_map(|dx| (-1..=1).map(move |dy| (dx * dx + dy * dy, dx, dy)))
        .map(|(far, dx, dy)| (far, Pixel::new(centre.x + dx, centre.y + dy)))
        .filter(|&(_, p)| in_box(a, b, p) && (p == a || p == b || hit(a, b, p) == Hit::Inside))
        .min()
        .map_or(a.min(b), |(_, p)| p)
}
