//! Line ends that almost meet another line, and ends that overshoot one.

use rayon::prelude::*;

use super::exact::{Hit, crossing, hit, in_box, rounded_share};
use super::lattice::{Lattice, Pixel};
use super::strand::{Strand, Strands};
use super::strips::Strips;
use super::{KindSet, NetworkError};
use crate::frame::GroundPoint;

/// What is amiss at a line end.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum NearMissKind {
    /// The end stops short of another line.
    Gap,
    /// The end runs past another line by no more than the snap distance.
    Overshoot,
}

impl NearMissKind {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            NearMissKind::Gap => "gap",
            NearMissKind::Overshoot => "overshoot",
        }
    }
}

/// A line end that almost meets another line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NearMiss {
    /// What is amiss.
    pub kind: NearMissKind,
    /// The line end.
    pub at: GroundPoint,
    /// The place on the other line.
    pub foot: GroundPoint,
    /// Frame metres between the two, measured before rounding.
    pub gap_m: f64,
    /// Whether the gap was closed, or the overshoot cut.
    pub closed: bool,
    /// Index of the input line that ends.
    pub line: u32,
    /// Index of the input line that it almost meets.
    pub other: u32,
}

/// How much farther than the snap distance gaps are looked for, to be listed as not closed.
const LISTED_FACTOR: f64 = 3.0;

/// A foot on the end's own line counts only where the way along the line is more than this
/// many snap distances: a line that does not turn back is then farther away than any gap
/// listed, while the end of a lollipop finds its stem.
const OWN_LINE_FACTOR: f64 = 4.0;

/// Distances that differ by less are equal: coordinates in metres carry about nine decimals.
pub(crate) const ROUND_OFF_M: f64 = 1e-6;

/// A distance in whole micrometres, so that ties do not hang on the last bit.
fn micrometres(distance_m: f64) -> i64 {
    (distance_m / ROUND_OFF_M).round() as i64
}

/// What was found at the line ends.
#[derive(Default)]
pub(crate) struct Gaps {
    /// All near misses, in the order of the strands, starts before ends.
    pub near_misses: Vec<NearMiss>,
    /// The lattice points of the ends that have a gap, sorted.
    pub ends: Vec<Pixel>,
    /// The ends to cut: strand and whether it is its last vertex.
    pub overshoots: Vec<Overshoot>,
    /// Line end and foot of every gap to close.
    connectors: Vec<(usize, Pixel, Pixel)>,
}

/// An end that runs past another line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Overshoot {
    pub strand: usize,
    pub last: bool,
    /// Its entry in the list of near misses.
    pub near_miss: usize,
}

/// Looks at every strand end for another line within three times `snap_m` and decides what
/// to do: nothing where the end touches a line already or none is near; a connector to the
/// nearest foot where that is within `snap_m`; a cut where the end has just crossed the
/// line that is nearest.
///
/// Nothing but line ends is ever joined, and no vertex is moved: lines that merely run
/// close together stay apart.
///
/// Cost: n log n for n ends plus the segments near each.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn find_gaps(strands: &Strands, lattice: &Lattice, snap_m: f64) -> Result<Gaps, NetworkError> {
    let strips = Strips::new(strands);
    strips.check_crowding()?;
    let search = Search { strands, strips: &strips, lattice, snap_m, widest: widest(&strips) };
    let ends: Vec<(usize, bool)> = (0..strands.len()).flat_map(|s| [(s, false), (s, true)]).collect();
    let found: Vec<Option<Found>> =
        ends.par_iter().with_min_len(64).map(|&(s, last)| search.look(s, last)).collect();
    let mut gaps = Gaps::default();
    let mut seen = std::collections::HashSet::new();
    for found in found.into_iter().flatten() {
        gaps.add(strands, found, &mut seen);
    }
    gaps.ends.sort_unstable();
    gaps.ends.dedup();
    Ok(gaps)
}

impl Gaps {
    fn add(&mut self, strands: &Strands, found: Found, seen: &mut std::collections::HashSet<(Pixel, Pixel)>) {
        let line = |strand: usize| strands.strands[strand].carried.first().map_or(u32::MAX, |c| c.line);
        if found.near_miss.kind == NearMissKind::Overshoot {
            let near_miss = self.near_misses.len();
            self.overshoots.push(Overshoot { strand: found.strand, last: found.last, near_miss });
        } else {
            self.ends.push(found.end);
            // Two ends that face each other find each other: one gap.
            if !seen.insert((found.end.min(found.foot), found.end.max(found.foot))) {
                return;
            }
            if found.near_miss.closed {
                self.connectors.push((found.strand, found.end, found.foot));
            }
        }
        self.near_misses.push(NearMiss {
            line: line(found.strand),
            other: line(found.other),
            ..found.near_miss
        });
    }

    /// Adds the connectors to the strands, each of the kind of the line that ended short.
    pub(crate) fn connect(&self, strands: &mut Strands, lattice: &Lattice) {
        for &(strand, end, foot) in &self.connectors {
            let kind = strands.strands[strand].kind;
            let connector = Strand { kind, kinds: KindSet::of(kind), level: 0, carried: Vec::new() };
            strands.push(lattice, connector, &[lattice.ground(end), lattice.ground(foot)]);
        }
    }
}

/// The widest entry of every strip, in steps.
fn widest(strips: &Strips) -> Vec<i64> {
    (0..strips.len())
        .map(|s| strips.entries(s).iter().map(|e| e.east as i64 - e.west as i64).max().unwrap_or(0))
        .collect()
}

struct Search<'a> {
    strands: &'a Strands,
    strips: &'a Strips,
    lattice: &'a Lattice,
    snap_m: f64,
    widest: Vec<i64>,
}

/// What one end found; `near_miss` still lacks the line numbers.
struct Found {
    strand: usize,
    last: bool,
    end: Pixel,
    other: usize,
    foot: Pixel,
    near_miss: NearMiss,
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

impl Search<'_> {
    fn look(&self, strand: usize, last: bool) -> Option<Found> {
        let range = self.strands.range(strand);
        let (first, end) = (range.start, range.end - 1);
        if self.strands.vertices[first] == self.strands.vertices[end] {
            return None; // a closed ring has no ends
        }
        let vertex = if last { end } else { first };
        let candidates = self.near(strand, vertex)?;
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
    fn near(&self, strand: usize, vertex: usize) -> Option<Vec<Candidate>> {
        let at = self.strands.vertices[vertex];
        let reach_m = LISTED_FACTOR * self.snap_m;
        let reach = (reach_m / self.lattice.step_m()).ceil() as i64 + 2;
        let (low, high) = (self.strips.of_row(at.y as i64 - reach), self.strips.of_row(at.y as i64 + reach));
        let mut found: Vec<Candidate> = Vec::new();
        for strip in low..=high {
            let entries = self.strips.entries(strip);
            let west = at.x as i64 - reach - self.widest[strip];
            let from = entries.partition_point(|e| (e.west as i64) < west);
            for e in entries[from..].iter().take_while(|e| e.west as i64 <= at.x as i64 + reach) {
                if (e.east as i64) < at.x as i64 - reach {
                    continue;
                }
                match self.candidate(strand, vertex, e.segment, reach_m) {
                    Meeting::Touches => return None,
                    Meeting::Near(c) => found.push(c),
                    Meeting::Far => {}
                }
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

/// The point of the segment from `a` to `b` nearest to `p`.
pub(crate) fn nearest_on(a: GroundPoint, b: GroundPoint, p: GroundPoint) -> GroundPoint {
    // From west to east, so that the direction of a line changes no bit of the answer.
    let (a, b) = if (b.x_m, b.y_m) < (a.x_m, a.y_m) { (b, a) } else { (a, b) };
    let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
    let squared = dx * dx + dy * dy;
    if squared == 0.0 {
        return a;
    }
    let t = ((p.x_m - a.x_m) * dx + (p.y_m - a.y_m) * dy) / squared;
    if t >= 1.0 { b } else { a.lerp(b, t.max(0.0)) }
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
