//! The search for what lies near line ends.

use std::borrow::Cow;
use std::sync::atomic::{AtomicU64, Ordering};

use rayon::prelude::*;

use super::NetworkError;
use super::exact::{Hit, crossing, hit, in_box, rounded_share};
use super::gap::ROUND_OFF_M;
use super::lattice::{Lattice, Pixel};
use super::rows::Rows;
use super::strand::{Strands, nearest_on};
use super::strips::Strips;
use crate::frame::GroundPoint;

/// How much farther than the snap distance gaps are looked for, to be listed as not closed.
const LISTED_FACTOR: f64 = 3.0;

/// A foot on the end's own line counts only where the way along the line is more than this
/// many snap distances: a line that does not turn back is then farther away than any gap
/// listed, while the end of a lollipop finds its stem.
const OWN_LINE_FACTOR: f64 = 4.0;

/// What meets at most this many snap distances from an end, or along a line from it, meets there.
pub(super) const CLOSE_BY_FACTOR: f64 = 4.0;

/// How far gaps are looked for, in steps of the lattice, rounding included.
fn reach_steps(lattice: &Lattice, snap_m: f64) -> i64 {
    (LISTED_FACTOR * snap_m / lattice.step_m()).ceil() as i64 + 2
}

/// A distance in whole micrometres, so that ties do not hang on the last bit.
pub(super) fn micrometres(distance_m: f64) -> i64 {
    (distance_m / ROUND_OFF_M).round() as i64
}

/// The search for what lies near line ends.
pub(crate) struct Search<'a> {
    strands: &'a Strands,
    strips: Cow<'a, Strips>,
    lattice: &'a Lattice,
    /// How far gaps are looked for, in steps of the lattice.
    reach: i64,
    snap_m: f64,
}

/// An end of a strand.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) struct End {
    pub strand: usize,
    pub last: bool,
    pub vertex: u32,
}

/// An end and what lies within reach of it.
pub(crate) struct Seen {
    pub end: End,
    /// In the order of the strands.
    pub near: Vec<Beside>,
}

/// A stretch of a strand near an end: segments one after another, all within reach.
#[derive(Clone, Debug)]
pub(crate) struct Beside {
    pub strand: usize,
    /// The first and the last segment.
    pub segments: (u32, u32),
    /// The segment on which the foot lies.
    pub nearest: u32,
    /// Unrounded distance from the end in metres.
    pub gap_m: f64,
    pub foot: Pixel,
    /// Whether it runs through the end, up to the lattice, on whatever level.
    pub touches: bool,
    /// Whether the end crosses it close by.
    pub crossed: bool,
    /// Whether it does so within the snap distance of the end.
    pub just_crossed: bool,
}

impl Beside {
    /// What orders stretches by how near they are, whatever the order of the lines.
    pub(super) fn rank(&self) -> (i64, Pixel, usize) {
        (micrometres(self.gap_m), self.foot, self.strand)
    }
}

/// A segment near an end.
struct Candidate {
    segment: u32,
    strand: usize,
    /// Unrounded distance from the end in metres.
    gap_m: f64,
    foot: Pixel,
    touches: bool,
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

    /// What lies near the ends of all strands, in the order of the strands, starts before ends; ends
    /// with nothing near them are left out.
    ///
    /// # Errors
    /// [`NetworkError::TooManyCrossings`].
    pub(crate) fn run(&self) -> Result<Vec<Seen>, NetworkError> {
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

    /// What an end sees among its pairs.
    fn look(&self, end: End, beside: &[(u32, u32)]) -> Option<Seen> {
        let found = beside.iter().filter_map(|&(_, segment)| self.candidate(end, segment));
        let mut near: Vec<Beside> = Vec::new();
        for c in found {
            match near.last_mut().filter(|b| b.strand == c.strand && b.segments.1 + 1 == c.segment) {
                Some(b) => {
                    b.segments.1 = c.segment;
                    b.touches |= c.touches;
                    if (micrometres(c.gap_m), c.foot) < (micrometres(b.gap_m), b.foot) {
                        (b.nearest, b.gap_m, b.foot) = (c.segment, c.gap_m, c.foot);
                    }
                }
                None => near.push(Beside {
                    strand: c.strand,
                    segments: (c.segment, c.segment),
                    nearest: c.segment,
                    gap_m: c.gap_m,
                    foot: c.foot,
                    touches: c.touches,
                    crossed: false,
                    just_crossed: false,
                }),
            }
        }
        if near.is_empty() {
            return None;
        }
        let tail = self.tail(end.strand, end.last);
        let level = |strand: usize| self.strands.strands[strand].level;
        for b in near.iter_mut().filter(|b| b.strand != end.strand && level(b.strand) == level(end.strand)) {
            let off_m = (b.segments.0..=b.segments.1)
                .flat_map(|s| tail.iter().filter_map(move |&t| self.meet_m(end, t, s)))
                .fold(f64::INFINITY, f64::min);
            b.crossed = off_m <= CLOSE_BY_FACTOR * self.snap_m;
            b.just_crossed = off_m <= self.snap_m + ROUND_OFF_M;
        }
        Some(Seen { end, near })
    }

    /// How far from an end two segments meet, in metres, if they do. Long ones may meet far away.
    fn meet_m(&self, end: End, a: u32, b: u32) -> Option<f64> {
        let at = self.lattice.ground(self.strands.vertices[end.vertex as usize]);
        let place = meet(self.strands.segment(a), self.strands.segment(b))?;
        Some(self.lattice.ground(place).distance_m(at))
    }

    /// Whether two stretches near an end meet close by it.
    pub(super) fn stretches_meet(&self, end: End, a: &Beside, b: &Beside) -> bool {
        let segments = |b: &Beside| b.segments.0..=b.segments.1;
        let reach_m = CLOSE_BY_FACTOR * self.snap_m;
        segments(a).any(|s| segments(b).any(|t| self.meet_m(end, s, t).is_some_and(|off_m| off_m <= reach_m)))
    }

    /// The distance up to which gaps are closed, in metres.
    pub(super) fn snap_m(&self) -> f64 {
        self.snap_m
    }

    fn candidate(&self, End { strand, vertex, .. }: End, segment: u32) -> Option<Candidate> {
        let at = self.strands.vertices[vertex as usize];
        let (a, b) = self.strands.segment(segment);
        let place = self.strands.places[vertex as usize];
        let (p, q) = (self.strands.places[segment as usize], self.strands.places[segment as usize + 1]);
        let foot = nearest_on(p, q, place);
        let gap_m = place.distance_m(foot);
        let touches = in_box(a, b, at) && (at == a || at == b || hit(a, b, at) == Hit::Inside);
        if !touches && gap_m > LISTED_FACTOR * self.snap_m + ROUND_OFF_M {
            return None;
        }
        let other = self.strands.strand_of(segment);
        if touches {
            // The end always touches the segment that it ends.
            let own = vertex == segment || vertex == segment + 1;
            return (!own).then_some(Candidate { segment, strand: other, gap_m, foot: at, touches });
        }
        if other == strand && self.is_own_neighbourhood(strand, vertex, segment, foot) {
            return None;
        }
        let (mine, theirs) = (&self.strands.strands[strand], &self.strands.strands[other]);
        if mine.level != theirs.level {
            return None; // it ends above or below that line
        }
        Some(Candidate { segment, strand: other, gap_m, foot: entered_pixel(a, b, at), touches })
    }

    /// Whether a foot on the end's own line is so close along the line that the distance
    /// says nothing.
    fn is_own_neighbourhood(&self, strand: usize, vertex: u32, segment: u32, foot: GroundPoint) -> bool {
        if self.strands.lines_on(strand).is_empty() {
            return true;
        }
        let chainage_m = |vertex| self.strands.vertex_chainage_m(strand, 0, vertex);
        let foot_m = chainage_m(segment) + self.strands.places[segment as usize].distance_m(foot);
        (chainage_m(vertex) - foot_m).abs() <= OWN_LINE_FACTOR * self.snap_m
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

    /// The end of a strand that serves instead of a foot on it: one within the snap distance of both
    /// the foot and the dangling end, so that two ends that face each other meet end to end. Its
    /// vertex, and its distance from the dangling end.
    pub(crate) fn end_near(&self, end: End, beside: &Beside) -> Option<(u32, f64)> {
        let range = self.strands.range(beside.strand);
        let place = self.strands.places[end.vertex as usize];
        let foot = self.lattice.ground(beside.foot);
        [range.start, range.end - 1]
            .into_iter()
            .map(|v| (self.strands.places[v].distance_m(place), v))
            .filter(|&(gap_m, v)| {
                v != end.vertex as usize
                    && gap_m <= self.snap_m + ROUND_OFF_M
                    && self.strands.places[v].distance_m(foot) <= self.snap_m + ROUND_OFF_M
            })
            .min_by_key(|&(gap_m, v)| (micrometres(gap_m), self.strands.vertices[v]))
            .map(|(gap_m, v)| (v as u32, gap_m))
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

/// Where two segments share a point, up to the lattice.
fn meet((a, b): (Pixel, Pixel), (c, d): (Pixel, Pixel)) -> Option<Pixel> {
    let enters = |a, b, p| in_box(a, b, p) && (p == a || p == b || hit(a, b, p) == Hit::Inside);
    let ends = [(a, b, c), (a, b, d), (c, d, a), (c, d, b)];
    crossing(a, b, c, d).or_else(|| ends.into_iter().find(|&(a, b, p)| enters(a, b, p)).map(|(.., p)| p))
}

/// The pixel of an end's foot on a rounded segment, of those that the segment enters, so that it
/// will be split there.
///
/// The exact rational foot is rounded, so that the answer depends neither on the direction of the
/// segment nor on where the lattice lies. The foot lies on the segment, so its pixel is entered,
/// or at a tie one beside it; an end of the segment serves where none is.
pub(super) fn entered_pixel(a: Pixel, b: Pixel, end: Pixel) -> Pixel {
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
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::frame::Traced;
    use crate::network::lattice::Extent;
    use crate::network::tests::track;
    use crate::record::Line;

    #[test]
    fn segments_meet_where_they_cross_or_one_ends_on_the_other() {
        let segment = |p: (i32, i32), q: (i32, i32)| (Pixel::new(p.0, p.1), Pixel::new(q.0, q.1));
        let level = segment((0, 0), (100, 0));
        // Its first end, its last end, or neither lies on the other segment, whichever comes first.
        for other in [((50, 0), (50, 80)), ((50, 80), (50, 0)), ((30, -40), (60, 70))] {
            let other = segment(other.0, other.1);
            let foot = Pixel::new(50, 0);
            let there = |p: Option<Pixel>| p.is_some_and(|p| p == foot || p == Pixel::new(41, 0));
            assert!(there(meet(level, other)) && there(meet(other, level)), "{other:?}");
        }
        for other in [((50, 2), (50, 80)), ((102, 0), (180, 0)), ((-50, 3), (160, 3)), ((101, -9), (101, 9))]
        {
            let other = segment(other.0, other.1);
            assert!(meet(level, other).is_none() && meet(other, level).is_none(), "{other:?}");
        }
    }

    #[test]
    fn a_foot_is_the_pixel_nearest_to_the_true_foot_that_the_segment_enters() {
        let mut rng = ChaCha8Rng::seed_from_u64(31);
        for _ in 0..3000 {
            let wide = [4, 40, 3000][rng.random_range(0..3)];
            let mut pixel = || Pixel::new(rng.random_range(-wide..=wide), rng.random_range(-wide..=wide));
            let (a, b, end) = (pixel(), pixel(), pixel());
            if a == b {
                continue;
            }
            let found = entered_pixel(a, b, end);
            assert_eq!(found, entered_pixel(b, a, end), "whichever way the segment runs");
            let (dx, dy) = (f64::from(b.x - a.x), f64::from(b.y - a.y));
            let dot = f64::from(end.x - a.x) * dx + f64::from(end.y - a.y) * dy;
            let t = (dot / (dx * dx + dy * dy)).clamp(0.0, 1.0);
            let foot = (f64::from(a.x) + t * dx, f64::from(a.y) + t * dy);
            let off = |p: Pixel| (f64::from(p.x) - foot.0).abs().max((f64::from(p.y) - foot.1).abs());
            assert!(off(found) <= 1.5, "{found:?}, the foot is {foot:?}");
            let enters = |p: Pixel| p == a || p == b || (in_box(a, b, p) && hit(a, b, p) == Hit::Inside);
            assert!(enters(found));
            // The foot's own pixel, where it is clear which that is.
            let own = Pixel::new(foot.0.round() as i32, foot.1.round() as i32);
            assert!(off(own) > 0.5 - 1e-9 || !enters(own) || found == own, "{found:?}, not {own:?}");
        }
    }

    #[test]
    fn the_sieve_of_columns_never_leaves_out_an_end_and_mostly_what_has_none() {
        let mut rng = ChaCha8Rng::seed_from_u64(32);
        for reach in [1_i64, 7, 64, 1502] {
            let wide = 300_000 * reach.min(40);
            let mut xs: Vec<i64> = (0..60).map(|_| rng.random_range(-wide..wide)).collect();
            xs.sort_unstable();
            let columns = Columns::new(&xs, reach);
            let (mut held, mut none) = (0, 0);
            for k in 0..4000 {
                let west = if k % 2 == 0 {
                    rng.random_range(-wide..wide)
                } else {
                    xs[k % 60] + rng.random_range(-3..=3) * reach
                };
                let east = west + rng.random_range(0..2 * reach);
                let near = xs.iter().any(|x| (west - reach..=east + reach).contains(x));
                assert!(columns.may_hold(west, east) || !near, "{west} to {east}");
                none += usize::from(k % 2 == 0 && !near);
                held += usize::from(k % 2 == 0 && !near && columns.may_hold(west, east));
            }
            assert!(none > 1000 && held * 4 < none, "{held} of {none} held, reach {reach}");
            assert!(
                columns.may_hold(-wide, -wide + COLUMNS * 4 * reach),
                "a long segment is always looked at"
            );
        }
        assert!(!Columns::new(&[], 5).may_hold(0, 100));
    }

    #[test]
    fn gaps_are_looked_for_three_snap_distances_far_with_room_for_rounding() {
        let extent = Extent::of(&[GroundPoint::new(0.0, 0.0), GroundPoint::new(50.0, 50.0)]);
        assert_eq!(reach_steps(&Lattice::covering(0.01, extent).unwrap(), 5.0), 1502);
        assert_eq!(reach_steps(&Lattice::covering(0.003, extent).unwrap(), 0.004), 6);
        assert_eq!([0.0, 1.499_999_4, 1.499_999_6].map(micrometres), [0, 1_499_999, 1_500_000]);
    }

    fn strands_of(lines: &[Traced<Line>]) -> (Lattice, Strands) {
        let extent = lines.iter().map(|l| Extent::of(&l.ground)).fold(Extent::NONE, Extent::with);
        let lattice = Lattice::covering(0.01, extent).unwrap();
        let strands = Strands::from_lines(&lattice, lines, true, true);
        (lattice, strands)
    }

    /// Every straight track near every end, by measuring all of them.
    #[test]
    fn every_end_sees_all_tracks_near_it() {
        let mut rng = ChaCha8Rng::seed_from_u64(33);
        let (mut near, mut crossed, mut just) = (0, 0, 0);
        for _ in 0..60 {
            // Whole centimetres, so that rounding moves nothing.
            let mut whole = |wide: f64| (rng.random_range(-wide..wide) * 100.0).round() / 100.0;
            let lines: Vec<Traced<Line>> = (0..14)
                .map(|_| {
                    let (x, y) = (whole(120.0), whole(120.0));
                    track(&[(x, y), (x + whole(90.0), y + whole(90.0))])
                })
                .collect();
            let (lattice, strands) = strands_of(&lines);
            let strips = Strips::new(&strands);
            let mut all = Search::new(&strands, &strips, &lattice, 5.0).run().unwrap().into_iter().peekable();
            for (strand, own) in lines.iter().enumerate() {
                for last in [false, true] {
                    let (at, from) = (own.ground[usize::from(last)], own.ground[usize::from(!last)]);
                    let seen = all.next_if(|s| (s.end.strand, s.end.last) == (strand, last));
                    let seen: Vec<Beside> = seen.map_or(Vec::new(), |s| s.near);
                    let mut told = seen.iter().peekable();
                    for (o, other) in lines.iter().enumerate().filter(|&(o, _)| o != strand) {
                        let (c, d) = (other.ground[0], other.ground[1]);
                        let foot = nearest_on(c, d, at);
                        let gap_m = foot.distance_m(at);
                        let Some(b) = told.next_if(|b| b.strand == o) else {
                            assert!(gap_m > 15.0, "a track {gap_m} m off is not seen");
                            continue;
                        };
                        assert!(gap_m <= 15.0 + 1e-6 && b.gap_m == gap_m);
                        assert!(lattice.ground(b.foot).distance_m(foot) < 0.02);
                        // Where the straight lines meet, if that lies on both.
                        let det =
                            (from.x_m - at.x_m) * (d.y_m - c.y_m) - (from.y_m - at.y_m) * (d.x_m - c.x_m);
                        let share = |p: GroundPoint, q: GroundPoint| {
                            ((c.x_m - at.x_m) * (q.y_m - p.y_m) - (c.y_m - at.y_m) * (q.x_m - p.x_m)) / det
                        };
                        let (t, u) = (share(c, d), share(at, from));
                        let on_both = (0.0..=1.0).contains(&t) && (0.0..=1.0).contains(&u);
                        let off_m = if on_both { t * from.distance_m(at) } else { f64::INFINITY };
                        for (is, within_m) in [(b.crossed, 20.0), (b.just_crossed, 5.0)] {
                            assert!(
                                is == (off_m <= within_m) || (off_m - within_m).abs() < 0.02,
                                "{off_m} m"
                            );
                        }
                        near += 1;
                        crossed += usize::from(b.crossed);
                        just += usize::from(b.just_crossed);
                    }
                    assert!(told.next().is_none(), "each track once, in their order");
                }
            }
            assert!(all.next().is_none(), "each end once, in the order of the strands");
        }
        assert!(near > 600 && crossed > 100 && just > 40 && just < crossed, "{near} {crossed} {just}");
    }

    /// Long segments need higher strips than short ones do, and both find the same.
    #[test]
    fn pairs_are_found_whatever_the_height_of_the_strips() {
        let fence = |n: usize, y_m: f64| {
            (0..n).map(move |k| track(&[(10.0 * k as f64, y_m), (10.0 * k as f64 + 4.0, y_m + 2.0)]))
        };
        let lines: Vec<Traced<Line>> = (0..30).flat_map(|row| fence(30, 7.0 * f64::from(row))).collect();
        let (lattice, strands) = strands_of(&lines);
        let told = |strips: &Strips, snap_m: f64| {
            let seen = Search::new(&strands, strips, &lattice, snap_m).run().unwrap();
            let feet = |s: &Seen| s.near.iter().map(|b| (b.foot, b.strand)).collect::<Vec<_>>();
            seen.iter().map(|s| (s.end, feet(s))).collect::<Vec<_>>()
        };
        let low = Strips::new(&strands);
        for (snap_m, ends) in [(1.0, 0), (3.0, 1800), (7.0, 1800)] {
            assert_eq!(told(&low, snap_m).len(), ends, "{snap_m} m");
            assert_eq!(told(&low, snap_m), told(&Strips::at_least(&strands, 100_000), snap_m));
        }
    }
}
