//! Horizontal strips: the index under every search of the noder.
//!
//! Segments are counted into the strips they meet. A strip is about one and a half mean segment
//! lengths high, which bounds the entries by 5/3 of the segments (a segment of length l meets
//! at most 1 + l/h strips). Whoever works on a strip takes its segments out, in the order of
//! their west ends ([`Strips::sweep`]), so that a forward scan finds all whose x-ranges
//! overlap; a strip's share fits the near caches, so every strip is worked on by itself.

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
        let Extent { south, north, count, length } = parts.into_iter().fold(Extent::NONE, Extent::with);
        let extent = if count == 0 { 0.0 } else { north as f64 - south as f64 };
        // No more strips than segments, and few strips a segment, whatever the lines.
        let height = (1.5 * length / count.max(1) as f64).max(extent / (count + 1) as f64).max(rows as f64);
        let shift = height.log2().round() as u32;
        let mut strips = Self {
            south: if count == 0 { 0 } else { south as i64 },
            shift,
            starts: vec![0; (extent as usize >> shift) + 2],
            segments: Vec::new(),
        };
        strips.add_strands(strands, 0);
        strips
    }

    /// Adds the segments of the strands from a first one on, which must be the last ones.
    pub(crate) fn add_strands(&mut self, strands: &Strands, first: usize) {
        if first == strands.len() {
            return;
        }
        let mut starts = vec![0_u32; self.starts.len()];
        for s in strands.segments_from(first) {
            let (low, high) = self.span(strands.segment(s));
            starts[low + 1..=high + 1].iter_mut().for_each(|count| *count += 1);
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1] + self.starts[i] - self.starts[i - 1];
        }
        let mut next = starts.clone();
        let mut segments = vec![0; starts.last().copied().unwrap_or(0) as usize];
        for (strip, next) in next[..self.len()].iter_mut().enumerate() {
            let known = self.segments(strip);
            segments[*next as usize..][..known.len()].copy_from_slice(known);
            *next += known.len() as u32;
        }
        for s in strands.segments_from(first) {
            let (low, high) = self.span(strands.segment(s));
            for next in &mut next[low..=high] {
                segments[*next as usize] = s;
                *next += 1;
            }
        }
        (self.starts, self.segments) = (starts, segments);
    }

    /// How many rows of the lattice a strip holds.
    pub(crate) fn height(&self) -> i64 {
        1 << self.shift
    }

    /// How many strips there are.
    pub(crate) fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// The segments of a strip, ascending.
    pub(crate) fn segments(&self, strip: usize) -> &[u32] {
        &self.segments[self.starts[strip] as usize..self.starts[strip + 1] as usize]
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

    /// The segments of a strip by their west ends in it.
    pub(crate) fn sweep(&self, strands: &Strands, strip: usize) -> Vec<Swept> {
        let of_segment = |(place, &segment): (u32, &u32)| {
            let (a, b) = strands.segment(segment);
            let (west, east) = self.x_range(a, b, strip);
            Swept { a, b, west, east, segment, place }
        };
        let unsorted: Vec<Swept> = (0..).zip(self.segments(strip)).map(of_segment).collect();
        // Small keys sort faster; of equals the lower segment comes first.
        let mut order: Vec<u64> =
            unsorted.iter().enumerate().map(|(k, s)| (ordered(s.west) as u64) << 32 | k as u64).collect();
        sort_spread(&mut order);
        order.into_iter().map(|key| unsorted[key as u32 as usize]).collect()
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

/// Vertices whose extent a thread finds at a time.
const AT_A_TIME: usize = 1 << 15;

/// The rows that segments cover, their number, and their length in steps of the lattice.
struct Extent {
    south: i32,
    north: i32,
    count: u64,
    length: f64,
}

impl Extent {
    const NONE: Extent = Extent { south: i32::MAX, north: i32::MIN, count: 0, length: 0.0 };

    fn of(strands: &Strands, part: Range<usize>) -> Self {
        part.fold(Self::NONE, |extent, strand| {
            let vertices = &strands.vertices[strands.range(strand)];
            let (south, north) = vertices
                .iter()
                .fold((extent.south, extent.north), |(south, north), v| (south.min(v.y), north.max(v.y)));
            let length = vertices.windows(2).map(|w| {
                let (dx, dy) = ((w[1].x - w[0].x) as f64, (w[1].y - w[0].y) as f64);
                (dx * dx + dy * dy).sqrt()
            });
            let count = extent.count + vertices.len() as u64 - 1;
            Self { south, north, count, length: extent.length + length.sum::<f64>() }
        })
    }

    fn with(self, other: Extent) -> Self {
        Self {
            south: self.south.min(other.south),
            north: self.north.max(other.north),
            count: self.count + other.count,
            length: self.length + other.length,
        }
    }
}

/// A whole number as one without sign that sorts alike.
#[inline]
pub(crate) fn ordered(v: i32) -> u32 {
    v as u32 ^ 1 << 31
}

/// For each swept segment the end of the run behind it whose west ends it reaches: the range that
/// a forward scan looks at. A gallop, since most runs are short.
pub(crate) fn reaches(swept: &[Swept]) -> Vec<u32> {
    let reach = |(i, s): (usize, &Swept)| {
        let mut step = 1;
        while i + step < swept.len() && swept[i + step].west <= s.east {
            step *= 2;
        }
        let (from, to) = (i + step / 2, (i + step).min(swept.len()));
        (from + swept[from..to].partition_point(|o| o.west <= s.east)) as u32
    };
    swept.iter().enumerate().map(reach).collect()
}

/// Refuses to look at so many pairs that noding would not end.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn check_pairs(pairs: u64) -> Result<(), NetworkError> {
    if pairs > PAIR_LIMIT { Err(NetworkError::TooManyCrossings { pairs: PAIR_LIMIT }) } else { Ok(()) }
}
