//! The search for what line ends almost meet.

use std::borrow::Cow;
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
    strips: Cow<'a, Strips>,
    lattice: &'a Lattice,
    /// How far gaps are looked for, in steps of the lattice.
    reach: i64,
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
    /// `strips` are those of the strands.
    pub(crate) fn new(strands: &'a Strands, strips: &'a Strips, lattice: &'a Lattice, snap_m: f64) -> Self {
        let reach = reach_steps(lattice, snap_m);
        let strips = if strips.height() < reach {
            Cow::Owned(Strips::at_least(strands, reach))
        } else {
            Cow::Borrowed(strips)
        };
        Self { strands, strips, lattice, reach, snap_m }
    }

    /// What the ends of all strands find, in the order of the strands, starts before ends.
    ///
    /// # Errors
    /// [`NetworkError::TooManyCrossings`].
    pub(crate) fn run(&self) -> Result<Vec<Found>, NetworkError> {
        let ends = self.ends();
        let by_strip = self.by_strip(&ends);
        let count = AtomicU64::new(0);
        let found: Vec<Vec<(u32, u32)>> = (0..self.strips.len())
            .into_par_iter()
            .map(|strip| self.pairs_in(strip, &ends, by_strip.row(strip), &count))
            .collect();
        if count.into_inner() > NEAR_LIMIT {
            return Err(NetworkError::TooManyCrossings { pairs: NEAR_LIMIT });
        }
        let mut pairs = found.concat();
        pairs.par_sort_unstable();
        pairs.dedup();
        let groups: Vec<&[(u32, u32)]> = pairs.chunk_by(|p, q| p.0 == q.0).collect();
        Ok(groups.into_par_iter().filter_map(|pairs| self.look(ends[pairs[0].0 as usize], pairs)).collect())
    }

    /// The ends of strands that are no closed rings, in the order of the strands.
    fn ends(&self) -> Vec<End> {
        let at = |vertex: u32| self.strands.vertices[vertex as usize];
        let mut ends = Vec::with_capacity(2 * self.strands.len());
        for strand in 0..self.strands.len() {
            let range = self.strands.range(strand);
            let (first, end) = (range.start as u32, range.end as u32 - 1);
            if at(first) != at(end) {
                ends.push(End { strand, last: false, vertex: first });
                ends.push(End { strand, last: true, vertex: end });
            }
        }
        ends
    }

    fn at(&self, end: End) -> Pixel {
        self.strands.vertices[end.vertex as usize]
    }

    /// For every strip the ends within reach of it, from west to east.
    fn by_strip(&self, ends: &[End]) -> Rows<u32> {
        let mut by_strip = Rows::sorted(self.strips.len(), 0, |add| {
            for (k, &end) in (0..).zip(ends) {
                let y = self.at(end).y as i64;
                for strip in self.strips.of_row(y - self.reach)..=self.strips.of_row(y + self.reach) {
                    add(strip as u32, k);
                }
            }
        });
        by_strip.sort_rows_by(|&p, &q| (self.at(ends[p as usize]), p).cmp(&(self.at(ends[q as usize]), q)));
        by_strip
    }

    /// Pairs of an end and a segment whose box comes within reach of it, as far as this shows in a
    /// strip; none where there are too many.
    fn pairs_in(&self, strip: usize, all: &[End], ends: &[u32], count: &AtomicU64) -> Vec<(u32, u32)> {
        let reach = self.reach;
        let at = |&end: &u32| self.at(all[end as usize]);
        let xs: Vec<i64> = ends.iter().map(|e| at(e).x as i64).collect();
        let columns = Columns::new(&xs, reach);
        let mut ranges: Vec<(u32, usize, usize)> = Vec::new();
        for segment in self.strips.segments(strip) {
            let (a, b) = self.strands.segment(segment);
            let (west, east) = self.strips.x_range(a, b, strip);
            if columns.may_hold(west as i64, east as i64) {
                let from = xs.partition_point(|&x| x < west as i64 - reach);
                let to = xs.partition_point(|&x| x <= east as i64 + reach);
                ranges.push((segment, from, to));
            }
        }
        let own: u64 = ranges.iter().map(|r| (r.2 - r.1) as u64).sum();
        if count.fetch_add(own, Ordering::Relaxed) + own > NEAR_LIMIT {
            return Vec::new();
        }
        let mut pairs = Vec::new();
        for (segment, from, to) in ranges {
            let (a, b) = self.strands.segment(segment);
            let rows = a.y.min(b.y) as i64 - reach..=a.y.max(b.y) as i64 + reach;
            let beside = ends[from..to].iter().filter(|end| rows.contains(&(at(end).y as i64)));
            pairs.extend(beside.map(|&end| (end, segment)));
        }
        pairs
    }

    /// What an end finds among its pairs.
    fn look(&self, End { strand, last, vertex }: End, beside: &[(u32, u32)]) -> Option<Found> {
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
    fn near(&self, strand: usize, vertex: usize, beside: &[(u32, u32)]) -> Option<Vec<Candidate>> {
        let reach_m = LISTED_FACTOR * self.snap_m;
        let mut found: Vec<Candidate> = Vec::new();
        for &(_, segment) in beside {
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
        if self.strands.lines_on(strand).is_empty() {
            return true;
        }
        let chainage_m = |vertex| self.strands.vertex_chainage_m(strand, 0, vertex);
        let foot_m = chainage_m(segment) + self.strands.places[segment as usize].distance_m(foot);
        (chainage_m(vertex as u32) - foot_m).abs() <= OWN_LINE_FACTOR * self.snap_m
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

/// Which columns of a strip hold an end within reach, as a quick sieve: column numbers are kept
/// only up to a multiple of [`COLUMNS`].
struct Columns {
    shift: u32,
    held: [u64; (COLUMNS / 64) as usize],
}

const COLUMNS: i64 = 4096;

impl Columns {
    /// A column is about two reaches wide.
    fn new(xs: &[i64], reach: i64) -> Self {
        let mut columns = Self { shift: (2 * reach).ilog2(), held: [0; (COLUMNS / 64) as usize] };
        for &x in xs {
            for column in (x - reach) >> columns.shift..=(x + reach) >> columns.shift {
                columns.held[((column & (COLUMNS - 1)) / 64) as usize] |= 1 << (column & 63);
            }
        }
        columns
    }

    /// False only if no end is within reach of the x-range.
    #[inline]
    fn may_hold(&self, west: i64, east: i64) -> bool {
        let (first, last) = (west >> self.shift, east >> self.shift);
        let held =
            |column: i64| self.held[((column & (COLUMNS - 1)) / 64) as usize] >> (column & 63) & 1 != 0;
        last - first >= COLUMNS || (first..=last).any(held)
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

#[cfg(test)]
mod tests {
    use super::meet;
    use crate::network::lattice::Pixel;

    #[test]
    fn segments_meet_where_they_cross_or_one_ends_on_the_other() {
        let segment = |p: (i32, i32), q: (i32, i32)| (Pixel::new(p.0, p.1), Pixel::new(q.0, q.1));
        let level = segment((0, 0), (100, 0));
        // Its first end, its last end, or neither lies on the other segment, whichever comes first.
        for other in [((50, 0), (50, 80)), ((50, 80), (50, 0)), ((30, -40), (60, 70))] {
            let other = segment(other.0, other.1);
            assert!(meet(level, other) && meet(other, level), "{other:?}");
        }
        for other in [((50, 2), (50, 80)), ((102, 0), (180, 0)), ((-50, 3), (160, 3)), ((101, -9), (101, 9))]
        {
            let other = segment(other.0, other.1);
            assert!(!meet(level, other) && !meet(other, level), "{other:?}");
        }
    }
}
