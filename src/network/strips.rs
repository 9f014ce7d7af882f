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
