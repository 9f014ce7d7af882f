//! Horizontal strips: the index under every search of the noder.
//!
//! Segments are counted into the strips they meet. A strip is about one and a half mean segment
//! lengths high, which bounds the entries by 5/3 of the segments (a segment of length l meets
//! at most 1 + l/h strips). Whoever works on a strip takes its segments out, in the order of
//! their west ends ([`Strips::sweep`]), so that a forward scan finds all whose x-ranges
//! overlap; a strip's share fits the near caches, so every strip is worked on by itself. The
//! segments are sorted into strips in a few parts, so that threads can share that work too.

use std::ops::Range;

use rayon::prelude::*;

use super::NetworkError;
use super::lattice::Pixel;
use super::spread::sort_spread;
use super::strand::Strands;

/// Most pairs of segments with overlapping x-ranges in one strip that are looked at. Ordinary
/// networks have a few a segment; only very many long or coincident lines come near the limit.
pub(crate) const PAIR_LIMIT: u64 = 5_000_000_000;

/// All segments, by strip.
#[derive(Clone)]
pub(crate) struct Strips {
    south: i64,
    /// A strip is two to this power rows high.
    shift: u32,
    count: usize,
    /// Segments with overlapping x-ranges that a segment of a strip of so many may expect.
    crowding: f64,
    /// The segments of the strands in so many parts, made on different threads.
    parts: Vec<Part>,
}

/// Some segments in a row, by strip.
#[derive(Clone)]
struct Part {
    /// First entry of each strip, and the entry count at the end.
    starts: Vec<u32>,
    /// Segments by strip, ascending in each.
    segments: Vec<u32>,
}

/// A segment in a strip.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Swept {
    pub a: Pixel,
    pub b: Pixel,
    /// West end of the part in the strip.
    pub west: i32,
    /// East end of the part in the strip.
    pub east: i32,
    /// The segment.
    pub segment: u32,
    /// Its position among the segments of the strip.
    pub place: u32,
}

impl Swept {
    /// Whether two segments follow each other on a strand and go on east, west, north or south, so
    /// that their boxes share the vertex between them, and nothing else of either.
    #[inline]
    pub(crate) fn goes_on_with(&self, other: &Swept) -> bool {
        let on = |a: i32, b: i32, c: i32| (a < b && b < c) || (a > b && b > c);
        let onward = |p: &Swept, q: &Swept| {
            p.segment + 1 == q.segment && (on(p.a.x, p.b.x, q.b.x) || on(p.a.y, p.b.y, q.b.y))
        };
        onward(self, other) || onward(other, self)
    }

    /// Its lowest and highest row.
    #[inline]
    pub(crate) fn rows(&self) -> (i32, i32) {
        (self.a.y.min(self.b.y), self.a.y.max(self.b.y))
    }
}

impl Strips {
    /// Sorts the segments into the strips that they meet.
    pub(crate) fn new(strands: &Strands) -> Self {
        Self::at_least(strands, 1)
    }

    /// As [`Strips::new`], with strips at least about so many rows high.
    pub(crate) fn at_least(strands: &Strands, rows: i64) -> Self {
        let parts = strands.parts(AT_A_TIME).into_par_iter().map(|part| Extent::of(strands, part));
        // Put together in order: a sum must not hang on the threads.
        let parts: Vec<Extent> = parts.collect();
        let all = parts.into_iter().fold(Extent::NONE, Extent::with);
        let some = all.count > 0;
        let rows_in_all = if some { all.north as f64 - all.south as f64 } else { 0.0 };
        let count = all.count.max(1) as f64;
        // No more strips than segments, and few strips a segment, whatever the lines.
        let height = (1.5 * all.length / count).max(rows_in_all / (count + 1.0)).max(rows as f64);
        let shift = height.log2().round() as u32;
        let width = if some { all.east as f64 - all.west as f64 } else { 0.0 };
        let mut strips = Self {
            south: if some { all.south as i64 } else { 0 },
            shift,
            count: (rows_in_all as usize >> shift) + 1,
            crowding: all.eastward / count / width.max(1.0),
            parts: Vec::new(),
        };
        let at_a_time = strands.vertices.len().div_ceil(PARTS).max(AT_A_TIME);
        let parts = strands.parts(at_a_time).into_par_iter().map(|part| strips.part(strands, part));
        strips.parts = parts.collect();
        strips
    }

    /// Adds the segments of the strands from a first one on, which must be the last ones.
    pub(crate) fn add_strands(&mut self, strands: &Strands, first: usize) {
        if first < strands.len() {
            self.parts.push(self.part(strands, first..strands.len()));
        }
    }

    /// The segments of some strands, by strip.
    fn part(&self, strands: &Strands, part: Range<usize>) -> Part {
        let mut starts = vec![0_u32; self.len() + 1];
        for s in strands.segments_in(part.clone()) {
            let (low, high) = self.span(strands.segment(s));
            starts[low + 1..=high + 1].iter_mut().for_each(|count| *count += 1);
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        let mut next = starts.clone();
        let mut segments = vec![0; starts[self.len()] as usize];
        for s in strands.segments_in(part) {
            let (low, high) = self.span(strands.segment(s));
            for next in &mut next[low..=high] {
                segments[*next as usize] = s;
                *next += 1;
            }
        }
        Part { starts, segments }
    }

    /// How many rows of the lattice a strip holds.
    pub(crate) fn height(&self) -> i64 {
        1 << self.shift
    }

    /// How many strips there are.
    pub(crate) fn len(&self) -> usize {
        self.count
    }

    /// The segments of a strip, ascending.
    pub(crate) fn segments(&self, strip: usize) -> impl Iterator<Item = u32> + '_ {
        let of = move |part: &'_ Part| part.starts[strip] as usize..part.starts[strip + 1] as usize;
        self.parts.iter().flat_map(move |part| part.segments[of(part)].iter().copied())
    }

    /// Whether in a strip of so many segments most have nothing beside them, should they lie about
    /// evenly.
    pub(crate) fn is_sparse(&self, segments: usize) -> bool {
        self.crowding * (segments as f64) < SPARSE
    }

    /// The strip that holds a row of the lattice; rows outside belong to the outermost.
    #[inline]
    pub(crate) fn of_row(&self, y: i64) -> usize {
        (((y - self.south).max(0) >> self.shift) as usize).min(self.len() - 1)
    }

    /// The first and last strip of a segment.
    #[inline]
    fn span(&self, (a, b): (Pixel, Pixel)) -> (usize, usize) {
        (self.of_row(a.y.min(b.y) as i64), self.of_row(a.y.max(b.y) as i64))
    }

    /// Segments of a strip, each with its place among all of them, by their west ends in it.
    pub(crate) fn sweep(
        &self,
        strands: &Strands,
        strip: usize,
        segments: impl Iterator<Item = (u32, u32)>,
    ) -> Vec<Swept> {
        let of_segment = |(place, segment): (u32, u32)| {
            let (a, b) = strands.segment(segment);
            let (west, east) = self.x_range(a, b, strip);
            Swept { a, b, west, east, segment, place }
        };
        by_west(segments.map(of_segment).collect(), |s| s.west)
    }

    /// The x-range of a segment in a strip. Where the segment is much longer than the strip is
    /// high, the range is cut to the strip, so that long oblique lines do not overlap everything.
    #[inline]
    pub(crate) fn x_range(&self, a: Pixel, b: Pixel, strip: usize) -> (i32, i32) {
        let (low, high) = self.span((a, b));
        if high - low > 2 { self.cut(a, b, strip) } else { (a.x.min(b.x), a.x.max(b.x)) }
    }

    /// The x-range of a segment over the rows of a strip and one row more on either side,
    /// widened by a step against rounding.
    fn cut(&self, a: Pixel, b: Pixel, strip: usize) -> (i32, i32) {
        let bottom = (self.south + ((strip as i64) << self.shift) - 1) as f64;
        let top = bottom + self.height() as f64 + 1.0;
        let slope = (b.x as f64 - a.x as f64) / (b.y as f64 - a.y as f64);
        let x_at =
            |y: f64| a.x as f64 + (y.clamp(a.y.min(b.y) as f64, a.y.max(b.y) as f64) - a.y as f64) * slope;
        let (p, q) = (x_at(bottom), x_at(top));
        ((p.min(q).floor() as i32 - 1).max(a.x.min(b.x)), (p.max(q).ceil() as i32 + 1).min(a.x.max(b.x)))
    }
}

/// Vertices whose extent a thread finds at a time; least in a part.
const AT_A_TIME: usize = 1 << 15;

/// How many parts segments are sorted into strips in. Each holds a number a strip.
const PARTS: usize = 8;

/// In a strip whose segments may expect fewer than this to have overlapping x-ranges, looking for
/// those that have none pays.
const SPARSE: f64 = 0.5;

/// The rows and columns that segments cover, their number, and their length, in all and eastward or
/// westward, in steps of the lattice.
struct Extent {
    south: i32,
    north: i32,
    west: i32,
    east: i32,
    count: u64,
    length: f64,
    eastward: f64,
}

impl Extent {
    const NONE: Extent = Extent {
        south: i32::MAX,
        north: i32::MIN,
        west: i32::MAX,
        east: i32::MIN,
        count: 0,
        length: 0.0,
        eastward: 0.0,
    };

    fn of(strands: &Strands, part: Range<usize>) -> Self {
        part.fold(Self::NONE, |mut all, strand| {
            let vertices = &strands.vertices[strands.range(strand)];
            for v in vertices {
                (all.south, all.north) = (all.south.min(v.y), all.north.max(v.y));
                (all.west, all.east) = (all.west.min(v.x), all.east.max(v.x));
            }
            for w in vertices.windows(2) {
                let (dx, dy) = ((w[1].x - w[0].x) as f64, (w[1].y - w[0].y) as f64);
                all.length += (dx * dx + dy * dy).sqrt();
                all.eastward += dx.abs();
            }
            all.count += vertices.len() as u64 - 1;
            all
        })
    }

    fn with(self, other: Extent) -> Self {
        Self {
            south: self.south.min(other.south),
            north: self.north.max(other.north),
            west: self.west.min(other.west),
            east: self.east.max(other.east),
            count: self.count + other.count,
            length: self.length + other.length,
            eastward: self.eastward + other.eastward,
        }
    }
}

/// A whole number as one without sign that sorts alike.
#[inline]
pub(crate) fn ordered(v: i32) -> u32 {
    v as u32 ^ 1 << 31
}

/// Sorts by west ends; of equals the first stays first.
pub(crate) fn by_west<T: Copy>(unsorted: Vec<T>, west: impl Fn(&T) -> i32) -> Vec<T> {
    // Small keys sort faster.
    let mut order: Vec<u64> =
        unsorted.iter().enumerate().map(|(k, s)| (ordered(west(s)) as u64) << 32 | k as u64).collect();
    sort_spread(&mut order);
    order.into_iter().map(|key| unsorted[key as u32 as usize]).collect()
}

/// For each of a list sorted by west ends the end of the run behind it whose west ends it reaches: the
/// range that a forward scan looks at. A gallop, since most runs are short.
pub(crate) fn reaches<T>(sorted: &[T], range: impl Fn(&T) -> (i32, i32)) -> Vec<u32> {
    let reach = |(i, s): (usize, &T)| {
        let (east, mut step) = (range(s).1, 1);
        while i + step < sorted.len() && range(&sorted[i + step]).0 <= east {
            step *= 2;
        }
        let (from, to) = (i + step / 2, (i + step).min(sorted.len()));
        (from + sorted[from..to].partition_point(|o| range(o).0 <= east)) as u32
    };
    sorted.iter().enumerate().map(reach).collect()
}

/// How many pairs a forward scan over such ranges looks at.
pub(crate) fn pairs_in(reaches: &[u32]) -> u64 {
    reaches.iter().enumerate().map(|(i, &to)| to as u64 - i as u64 - 1).sum()
}

/// Refuses to look at so many pairs that noding would not end.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn check_pairs(pairs: u64) -> Result<(), NetworkError> {
    if pairs > PAIR_LIMIT { Err(NetworkError::TooManyCrossings { pairs: PAIR_LIMIT }) } else { Ok(()) }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::network::lattice::{self, Lattice};
    use crate::network::tests::tracks;

    /// Walks of some segments each; where `long`, some segments run across many strips.
    fn walks(rng: &mut ChaCha8Rng, long: bool) -> Strands {
        let walk = |_| {
            let (mut x, mut y) = (rng.random_range(-900.0..900.0), rng.random_range(-900.0..900.0));
            let mut step = |_| {
                let reach = if long && rng.random_range(0..6) == 0 { 1500.0 } else { 30.0 };
                (x, y) = (x + rng.random_range(-reach..reach), y + rng.random_range(-reach..reach));
                (x, y)
            };
            (0..9).map(&mut step).collect()
        };
        let lines = tracks(&(0..50).map(walk).collect::<Vec<Vec<(f64, f64)>>>());
        let extent = lines
            .iter()
            .map(|l| lattice::Extent::of(&l.ground))
            .fold(lattice::Extent::NONE, lattice::Extent::with);
        Strands::from_lines(&Lattice::covering(0.01, extent).unwrap(), &lines, true, false)
    }

    fn all_segments(strands: &Strands) -> Vec<u32> {
        strands.segments_in(0..strands.len()).collect()
    }

    #[test]
    fn a_strip_holds_the_segments_that_meet_its_rows_each_once() {
        let mut rng = ChaCha8Rng::seed_from_u64(71);
        for k in 0..12 {
            let strands = walks(&mut rng, k % 2 == 0);
            let least = [1, 40_000, 1 << 30][k % 3];
            let strips = Strips::at_least(&strands, least);
            // To a power of two, from 1/√2 of it on.
            assert!(strips.height() as f64 >= least as f64 / 1.4143);
            let rows_of = |s: u32| {
                let (a, b) = strands.segment(s);
                (i64::from(a.y.min(b.y)), i64::from(a.y.max(b.y)))
            };
            let all = all_segments(&strands);
            let south = all.iter().map(|&s| rows_of(s).0).min().unwrap();
            let north = all.iter().map(|&s| rows_of(s).1).max().unwrap();
            assert_eq!(strips.len() as i64, (north - south) / strips.height() + 1);
            let mut entries = 0;
            for strip in 0..strips.len() {
                let low = south + strip as i64 * strips.height();
                let wanted = all
                    .iter()
                    .copied()
                    .filter(|&s| rows_of(s).0 < low + strips.height() && rows_of(s).1 >= low);
                let found: Vec<u32> = strips.segments(strip).collect();
                assert!(found.iter().copied().eq(wanted), "strip {strip}");
                assert_eq!((strips.of_row(low), strips.of_row(low + strips.height() - 1)), (strip, strip));
                entries += found.len();
            }
            assert!(entries <= all.len() * 3, "few strips a segment: {entries} of {}", all.len());
            let beyond = strips.of_row(north + 9 * strips.height());
            assert_eq!(
                (strips.of_row(south - 5), beyond),
                (0, strips.len() - 1),
                "rows outside fall to the ends"
            );
        }
    }

    #[test]
    fn strands_added_later_are_found_with_the_others() {
        let mut rng = ChaCha8Rng::seed_from_u64(72);
        let strands = walks(&mut rng, false);
        let mut strips = Strips::new(&strands);
        let fewer: Vec<Vec<u32>> = (0..strips.len()).map(|s| strips.segments(s).collect()).collect();
        strips.add_strands(&strands, strands.len());
        assert!((0..strips.len()).all(|s| strips.segments(s).eq(fewer[s].iter().copied())), "none was added");
        strips.add_strands(&strands, strands.len() - 3);
        let first = strands.starts[strands.len() - 3];
        for (s, fewer) in fewer.iter().enumerate() {
            let twice = fewer.iter().copied().filter(|&segment| segment >= first);
            assert!(strips.segments(s).eq(fewer.iter().copied().chain(twice)));
        }
    }

    /// Every row of the strip and one beyond on either side.
    #[test]
    fn the_range_of_a_segment_in_a_strip_holds_it_there_and_little_more() {
        let mut rng = ChaCha8Rng::seed_from_u64(73);
        let (mut cut, mut whole) = (0, 0);
        for _ in 0..6 {
            let strands = walks(&mut rng, true);
            let strips = Strips::new(&strands);
            let south = strands.vertices.iter().map(|v| v.y).min().unwrap();
            for strip in 0..strips.len() {
                let low = i64::from(south) + strip as i64 * strips.height();
                let (bottom, top) = (low as f64 - 1.0, (low + strips.height()) as f64);
                for s in strips.segments(strip) {
                    let (a, b) = strands.segment(s);
                    let (west, east) = strips.x_range(a, b, strip);
                    let (min, max) = (a.x.min(b.x), a.x.max(b.x));
                    if (west, east) == (min, max) {
                        whole += 1;
                    }
                    assert!(min <= west && west <= east && east <= max);
                    let (ay, by) = (f64::from(a.y), f64::from(b.y));
                    let x_at = |y: f64| {
                        let y = y.clamp(ay.min(by), ay.max(by));
                        if by == ay {
                            f64::from(a.x)
                        } else {
                            f64::from(a.x) + (y - ay) / (by - ay) * f64::from(b.x - a.x)
                        }
                    };
                    let (p, q) = (x_at(bottom), x_at(top));
                    if (by - ay).abs() > 3.0 * strips.height() as f64 {
                        // Spans four strips at least, so it is cut.
                        let (true_west, true_east) = (p.min(q), p.max(q));
                        assert!(f64::from(west) <= true_west + 1e-6 && f64::from(east) >= true_east - 1e-6);
                        assert!(f64::from(west) >= true_west - 2.01 && f64::from(east) <= true_east + 2.01);
                        cut += 1;
                    } else if (by - ay).abs() < strips.height() as f64 {
                        assert_eq!((west, east), (min, max), "in two strips it is whole");
                    }
                }
            }
        }
        assert!(cut > 100 && whole > 1000, "{cut} {whole}");
    }

    #[test]
    fn a_sweep_takes_segments_by_their_west_ends() {
        let mut rng = ChaCha8Rng::seed_from_u64(74);
        let strands = walks(&mut rng, true);
        let strips = Strips::new(&strands);
        for strip in 0..strips.len() {
            let segments: Vec<u32> = strips.segments(strip).collect();
            let swept = strips.sweep(&strands, strip, (0..).zip(segments.iter().copied()));
            assert!(swept.is_sorted_by_key(|s| (s.west, s.place)) && swept.len() == segments.len());
            for s in &swept {
                assert_eq!(segments[s.place as usize], s.segment);
                assert_eq!((s.a, s.b), strands.segment(s.segment));
                assert_eq!((s.west, s.east), strips.x_range(s.a, s.b, strip));
                assert_eq!(s.rows(), (s.a.y.min(s.b.y), s.a.y.max(s.b.y)));
            }
        }
    }

    #[test]
    fn reaches_are_those_of_looking_at_all_that_follow() {
        let mut rng = ChaCha8Rng::seed_from_u64(75);
        for count in [0, 1, 2, 3, 9, 100, 400] {
            let range = |_| {
                let west: i32 = rng.random_range(-500..500);
                (west, west + [0, 3, 40, 700][rng.random_range(0..4)])
            };
            let sorted = by_west((0..count).map(range).collect::<Vec<(i32, i32)>>(), |r| r.0);
            assert!(sorted.is_sorted_by_key(|r| r.0));
            let found = reaches(&sorted, |r| *r);
            let end = |i: usize| i + 1 + sorted[i + 1..].iter().filter(|o| o.0 <= sorted[i].1).count();
            let wanted: Vec<u32> = (0..sorted.len()).map(|i| end(i) as u32).collect();
            assert_eq!(found, wanted);
            let pairs =
                (0..sorted.len()).map(|i| sorted[i + 1..].iter().filter(|o| o.0 <= sorted[i].1).count());
            assert_eq!(pairs_in(&found), pairs.sum::<usize>() as u64);
        }
    }

    #[test]
    fn keys_and_sorting_keep_the_order_of_whole_numbers_and_of_equals() {
        let numbers = [i32::MIN, -70_000, -1, 0, 1, 70_000, i32::MAX];
        assert!(numbers.map(ordered).is_sorted_by(|p, q| p < q));
        assert!(numbers.iter().all(|&v| ordered(ordered(v) as i32) as i32 == v));
        let unsorted: Vec<(i32, usize)> = (0..300).map(|k| ((k * 7 % 11) as i32 - 5, k)).collect();
        assert!(by_west(unsorted, |p| p.0).is_sorted());
    }

    #[test]
    fn segments_go_on_where_their_boxes_share_a_vertex_and_no_more() {
        let swept = |segment: u32, a: (i32, i32), b: (i32, i32)| {
            let (a, b) = (Pixel::new(a.0, a.1), Pixel::new(b.0, b.1));
            Swept { a, b, west: a.x.min(b.x), east: a.x.max(b.x), segment, place: 0 }
        };
        let first = swept(7, (0, 0), (10, 4));
        for (next, goes_on) in [
            ((20, 0), true),
            ((11, -50), true),
            ((10, 9), true),
            ((4, 5), true),
            ((10, 2), false),
            ((3, 3), false),
            ((10, 4), false),
            ((-5, 4), false),
        ] {
            let (second, elsewhere) = (swept(8, (10, 4), next), swept(9, (10, 4), next));
            assert_eq!(
                (first.goes_on_with(&second), second.goes_on_with(&first)),
                (goes_on, goes_on),
                "{next:?}"
            );
            assert!(!first.goes_on_with(&elsewhere) && !elsewhere.goes_on_with(&first), "not of one strand");
            // What goes on has a box beside or above that of the other.
            let (x, y) = ((next.0.min(10), next.0.max(10)), (next.1.min(4), next.1.max(4)));
            let apart = x.0.max(0) == x.1.min(10) || y.0.max(0) == y.1.min(4);
            assert!(!goes_on || apart, "{next:?}");
        }
    }

    #[test]
    fn segments_go_on_from_level_and_upright_ones_too() {
        let goes_on = |a: (i32, i32), b: (i32, i32), c: (i32, i32)| {
            let pixel = |p: (i32, i32)| Pixel::new(p.0, p.1);
            let swept = |segment, a, b| Swept { a, b, west: 0, east: 0, segment, place: 0 };
            swept(0, pixel(a), pixel(b)).goes_on_with(&swept(1, pixel(b), pixel(c)))
        };
        for sign in [1, -1] {
            let at = |x: i32, y: i32| (sign * x, sign * y);
            // Up 9; then on up, level, or down beside itself.
            assert!(goes_on(at(0, 0), at(0, 9), at(3, 12)) && goes_on(at(0, 0), at(0, 9), at(-3, 12)));
            for next in [at(5, 9), at(-5, 9), at(5, 4), at(-5, 4), at(-1, 0), at(1, 0)] {
                assert!(!goes_on(at(0, 0), at(0, 9), next), "{next:?}");
                assert!(!goes_on(at(0, 0), at(9, 0), (next.1, next.0)), "{next:?}");
            }
            assert!(goes_on(at(0, 0), at(9, 0), at(12, 3)) && goes_on(at(0, 0), at(9, 0), at(12, -3)));
        }
    }

    #[test]
    fn pairs_up_to_the_limit_are_looked_at() {
        assert_eq!(check_pairs(PAIR_LIMIT), Ok(()));
        assert_eq!(check_pairs(PAIR_LIMIT + 1), Err(NetworkError::TooManyCrossings { pairs: PAIR_LIMIT }));
    }

    #[test]
    fn the_extent_of_some_strands_is_that_of_their_parts_together() {
        let mut rng = ChaCha8Rng::seed_from_u64(76);
        let strands = walks(&mut rng, false);
        let told = |e: Extent| (e.south, e.north, e.west, e.east, e.count, e.length.round(), e.eastward);
        let whole = told(Extent::of(&strands, 0..50));
        assert_eq!(told(Extent::of(&strands, 0..13).with(Extent::of(&strands, 13..50))), whole);
        let (mut length, mut eastward) = (0.0, 0.0);
        for s in all_segments(&strands) {
            let (a, b) = strands.segment(s);
            let (dx, dy) = (f64::from(b.x - a.x), f64::from(b.y - a.y));
            (length, eastward) = (length + dx.hypot(dy), eastward + dx.abs());
        }
        let rows = strands.vertices.iter().map(|v| v.y);
        let columns = strands.vertices.iter().map(|v| v.x);
        assert_eq!((whole.0, whole.1), (rows.clone().min().unwrap(), rows.max().unwrap()));
        assert_eq!((whole.2, whole.3), (columns.clone().min().unwrap(), columns.max().unwrap()));
        assert_eq!((whole.4, whole.5, whole.6), (400, f64::round(length), eastward));
    }

    /// Of n segments 10 m long across 1 km, each may expect n / 100 others beside it.
    #[test]
    fn a_strip_is_sparse_where_fewer_than_half_a_segment_is_expected_beside_each() {
        let mut paths: Vec<Vec<(f64, f64)>> =
            (0..99).map(|k| vec![(10.0 * f64::from(k), 0.0), (10.0 * f64::from(k) + 10.0, 3.0)]).collect();
        paths.push(vec![(1000.0, 50.0), (990.0, 50.0)]);
        let lines = tracks(&paths);
        let extent = lines
            .iter()
            .map(|l| lattice::Extent::of(&l.ground))
            .fold(lattice::Extent::NONE, lattice::Extent::with);
        let strands = Strands::from_lines(&Lattice::covering(0.01, extent).unwrap(), &lines, true, false);
        let strips = Strips::new(&strands);
        assert_eq!([0, 1, 49, 51, 5000].map(|n| strips.is_sparse(n)), [true, true, true, false, false]);
    }
}
