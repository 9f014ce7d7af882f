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
            assert!(meet(level, other) && meet(other, level), "{other:?}");
        }
        for other in [((50, 2), (50, 80)), ((102, 0), (180, 0)), ((-50, 3), (160, 3)), ((101, -9), (101, 9))]
        {
            let other = segment(other.0, other.1);
            assert!(!meet(level, other) && !meet(other, level), "{other:?}");
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

    /// What the ends of some tracks find, with gaps closed up to 5 m.
    fn found(lines: &[Traced<Line>]) -> Vec<Found> {
        let extent = lines.iter().map(|l| Extent::of(&l.ground)).fold(Extent::NONE, Extent::with);
        let lattice = Lattice::covering(0.01, extent).unwrap();
        let strands = Strands::from_lines(&lattice, lines, true, true);
        let strips = Strips::new(&strands);
        Search::new(&strands, &strips, &lattice, 5.0).run().unwrap()
    }

    /// (strand, whether its last end, kind, metres, closed).
    fn told(lines: &[Traced<Line>]) -> Vec<(usize, bool, NearMissKind, f64, bool)> {
        let told = |f: Found| {
            (f.strand, f.last, f.near_miss.kind, (f.near_miss.gap_m * 1e6).round() / 1e6, f.near_miss.closed)
        };
        found(lines).into_iter().map(told).collect()
    }

    use NearMissKind::{Gap, Overshoot};

    #[test]
    fn gaps_are_looked_for_three_snap_distances_far_with_room_for_rounding() {
        let extent = Extent::of(&[GroundPoint::new(0.0, 0.0), GroundPoint::new(50.0, 50.0)]);
        assert_eq!(reach_steps(&Lattice::covering(0.01, extent).unwrap(), 5.0), 1502);
        assert_eq!(reach_steps(&Lattice::covering(0.003, extent).unwrap(), 0.004), 6);
        assert_eq!([0.0, 1.499_999_4, 1.499_999_6].map(micrometres), [0, 1_499_999, 1_500_000]);
    }

    /// The foot, distance, kind and whether it is closed of every end among straight tracks, by
    /// measuring all of them.
    #[test]
    fn every_end_finds_the_nearest_track_of_all() {
        let mut rng = ChaCha8Rng::seed_from_u64(33);
        let (mut gaps, mut overshoots, mut at_ends) = (0, 0, 0);
        for _ in 0..60 {
            // Whole centimetres, so that rounding moves nothing.
            let mut whole = |wide: f64| (rng.random_range(-wide..wide) * 100.0).round() / 100.0;
            let lines: Vec<Traced<Line>> = (0..14)
                .map(|_| {
                    let (x, y) = (whole(120.0), whole(120.0));
                    track(&[(x, y), (x + whole(90.0), y + whole(90.0))])
                })
                .collect();
            let mut told = found(&lines).into_iter().peekable();
            for (strand, own) in lines.iter().enumerate() {
                for last in [false, true] {
                    let at = own.ground[usize::from(last)];
                    let others = (0..lines.len()).filter(|&o| o != strand);
                    let feet = others.map(|o| (nearest_on(lines[o].ground[0], lines[o].ground[1], at), o));
                    let (foot, other) =
                        feet.min_by(|p, q| p.0.distance_m(at).total_cmp(&q.0.distance_m(at))).unwrap();
                    let gap_m = foot.distance_m(at);
                    let Some(f) = told.next_if(|f| (f.strand, f.last) == (strand, last)) else {
                        assert!(!(0.02..=15.0).contains(&gap_m), "nothing is listed {gap_m} m off");
                        continue;
                    };
                    assert!(gap_m <= 15.0 + 1e-6 && f.other == other);
                    let side = |p: GroundPoint, q: GroundPoint, r: GroundPoint| {
                        ((q.x_m - p.x_m) * (r.y_m - p.y_m) - (q.y_m - p.y_m) * (r.x_m - p.x_m)).signum()
                    };
                    let ([a, b], [c, d]) =
                        ([0, 1].map(|k| own.ground[k]), [0, 1].map(|k| lines[other].ground[k]));
                    let crosses = side(a, b, c) != side(a, b, d) && side(c, d, a) != side(c, d, b);
                    assert_eq!(f.near_miss.kind == Overshoot, crosses);
                    let nearest_end_m = c.distance_m(at).min(d.distance_m(at));
                    let to_end =
                        [c, d].into_iter().filter(|e| e.distance_m(at) <= 5.0 && e.distance_m(foot) <= 4.98);
                    let to_end = !crosses && to_end.count() > 0;
                    let wanted_m = if to_end { nearest_end_m } else { gap_m };
                    if f.near_miss.gap_m != wanted_m {
                        // The end itself may be the foot.
                        assert!(
                            (f.near_miss.gap_m - wanted_m).abs() < 0.01 && !crosses,
                            "{} m, not {wanted_m} m",
                            f.near_miss.gap_m
                        );
                    }
                    assert_eq!(f.near_miss.closed, !crosses && f.near_miss.gap_m <= 5.0 + 1e-6);
                    assert!(
                        f.near_miss.foot.distance_m(if to_end && c.distance_m(at) == nearest_end_m {
                            c
                        } else if to_end {
                            d
                        } else {
                            foot
                        }) < 0.02
                    );
                    assert!(f.near_miss.at.distance_m(at) < 1e-9);
                    (gaps, overshoots) = (gaps + usize::from(!crosses), overshoots + usize::from(crosses));
                    at_ends += usize::from(to_end);
                }
            }
            assert!(told.next().is_none(), "each end once, in the order of the strands");
        }
        assert!(
            gaps > 300 && overshoots > 100 && at_ends > 10,
            "{gaps} gaps, {overshoots}, {at_ends} at ends"
        );
    }

    #[test]
    fn an_end_finds_its_own_line_only_where_that_has_turned_back() {
        // A lollipop: 100 m up its stem, round, and back to 3 m from the stem.
        let lollipop = |end: (f64, f64)| {
            track(&[(0.0, 0.0), (0.0, 100.0), (40.0, 140.0), (80.0, 100.0), (40.0, 60.0), end])
        };
        assert_eq!(told(&[lollipop((3.0, 60.0))]), [(0, true, Gap, 3.0, true)]);
        assert_eq!(told(&[lollipop((8.0, 60.0))]), [(0, true, Gap, 8.0, false)]);
        assert_eq!(told(&[lollipop((16.0, 60.0))]), []);
        // A hook whose end is 4 m from its stem: the way round to the foot is 8 m + 2·reach, and counts
        // beyond 20 m.
        let hook = |reach_m: f64| track(&[(0.0, 0.0), (0.0, 100.0), (4.0, 100.0), (4.0, 100.0 - reach_m)]);
        assert_eq!(told(&[hook(7.9)]), []);
        assert_eq!(told(&[hook(8.1)]), [(0, true, Gap, 4.0, true)]);
        // The other end too.
        let mut back = hook(8.1);
        back.ground.reverse();
        assert_eq!(told(&[back]), [(0, false, Gap, 4.0, true)]);
    }

    #[test]
    fn ends_that_touch_lie_on_rings_or_above_find_nothing() {
        let level = track(&[(0.0, 0.0), (100.0, 0.0)]);
        let up = |y_m: f64| track(&[(50.0, y_m), (50.0, 80.0)]);
        assert_eq!(told(&[level.clone(), up(0.0)]), [], "it lies on the line");
        assert_eq!(told(&[level.clone(), up(0.01)]), [(1, false, Gap, 0.01, true)]);
        assert_eq!(told(&[level.clone(), track(&[(100.0, 0.0), (180.0, 40.0)])]), [], "end to end");
        let ring = track(&[(50.0, 3.0), (90.0, 40.0), (10.0, 40.0), (50.0, 3.0)]);
        assert_eq!(told(&[level.clone(), ring]), [], "a ring has no end");
        let mut bridge = up(4.0);
        bridge.what.bridge = true;
        assert_eq!(told(&[level, bridge]), [], "it ends above the line");
    }

    #[test]
    fn only_the_tail_within_the_snap_distance_overshoots() {
        let level = track(&[(0.0, 0.0), (100.0, 0.0)]);
        let tail = |corners: &[(f64, f64)]| told(&[level.clone(), track(corners)]);
        assert_eq!(tail(&[(50.0, 80.0), (50.0, -3.0)]), [(1, true, Overshoot, 3.0, false)]);
        assert_eq!(tail(&[(50.0, -3.0), (50.0, 80.0)]), [(1, false, Overshoot, 3.0, false)]);
        // The piece that crosses begins 4 m, or 5 m, from the end along the line.
        assert_eq!(tail(&[(50.0, 80.0), (50.0, -2.0), (54.0, -2.0)]), [(1, true, Overshoot, 2.0, false)]);
        assert_eq!(tail(&[(50.0, 80.0), (50.0, -2.0), (55.0, -2.0)]), [(1, true, Gap, 2.0, true)]);
        assert_eq!(tail(&[(54.0, -2.0), (50.0, -2.0), (50.0, 80.0)]), [(1, false, Overshoot, 2.0, false)]);
        assert_eq!(tail(&[(55.0, -2.0), (50.0, -2.0), (50.0, 80.0)]), [(1, false, Gap, 2.0, true)]);
    }

    #[test]
    fn the_end_of_a_line_is_preferred_where_it_is_near_both_foot_and_end() {
        let meets = |x_m: f64, y_m: f64| {
            let found = found(&[track(&[(0.0, 0.0), (100.0, 0.0)]), track(&[(x_m, y_m), (x_m, 90.0)])]);
            let of_second = found.into_iter().find(|f| f.strand == 1).unwrap().near_miss;
            (of_second.foot.x_m, of_second.foot.y_m, of_second.closed)
        };
        assert_eq!(meets(97.0, 3.9), (100.0, 0.0, true));
        assert_eq!(meets(3.0, 4.0), (0.0, 0.0, true), "just 5 m from the end");
        assert_eq!(meets(3.0, 4.02), (3.0, 0.0, true), "farther from the end than the snap distance");
        assert_eq!(meets(50.0, 4.0), (50.0, 0.0, true));
        assert_eq!(meets(100.0, 5.0), (100.0, 0.0, true));
        assert_eq!(meets(100.0, 5.01), (100.0, 0.0, false));
    }

    /// Long segments need higher strips than short ones do, and both find the same.
    #[test]
    fn pairs_are_found_whatever_the_height_of_the_strips() {
        let fence = |n: usize, y_m: f64| {
            (0..n).map(move |k| track(&[(10.0 * k as f64, y_m), (10.0 * k as f64 + 4.0, y_m + 2.0)]))
        };
        let lines: Vec<Traced<Line>> = (0..30).flat_map(|row| fence(30, 7.0 * f64::from(row))).collect();
        let extent = lines.iter().map(|l| Extent::of(&l.ground)).fold(Extent::NONE, Extent::with);
        let lattice = Lattice::covering(0.01, extent).unwrap();
        let strands = Strands::from_lines(&lattice, &lines, true, true);
        let told = |strips: &Strips, snap_m: f64| {
            let found = Search::new(&strands, strips, &lattice, snap_m).run().unwrap();
            found.iter().map(|f| (f.end, f.foot, f.other)).collect::<Vec<_>>()
        };
        let low = Strips::new(&strands);
        for (snap_m, ends) in [(1.0, 0), (3.0, 1800), (7.0, 1800)] {
            assert_eq!(told(&low, snap_m).len(), ends, "{snap_m} m");
            assert_eq!(told(&low, snap_m), told(&Strips::at_least(&strands, 100_000), snap_m));
        }
    }
}
