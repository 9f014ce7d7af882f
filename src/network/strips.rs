//! Horizontal strips: the index under every search of the noder.
//!
//! Segments are counted into the strips they meet; within a strip they are sorted by their
//! west end, so that a forward scan finds all whose x-ranges overlap. A strip is about one
//! and a half mean segment lengths high, which bounds the entries by 5/3 of the segments
//! (a segment of length l meets at most 1 + l/h strips). Where a segment is much longer
//! than a strip is high, its x-range is cut to the strip, so that long oblique lines do not
//! overlap everything.

use rayon::prelude::*;

use super::NetworkError;
use super::lattice::Pixel;
use super::strand::Strands;

/// Most pairs of segments with overlapping boxes that are looked at. Ordinary networks have
/// a few a segment; only very many long or coincident lines come near the limit.
pub(crate) const PAIR_LIMIT: u64 = 5_000_000_000;

/// A segment in a strip.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Entry {
    /// West end of the part in the strip.
    pub west: i32,
    /// East end of the part in the strip.
    pub east: i32,
    /// The segment.
    pub segment: u32,
}

/// All segments, by strip.
pub(crate) struct Strips {
    south: i64,
    height: i64,
    /// First entry of each strip, and the entry count at the end.
    starts: Vec<u32>,
    entries: Vec<Entry>,
}

impl Strips {
    /// Sorts the segments into strips.
    pub(crate) fn new(strands: &Strands) -> Self {
        let (south, north) =
            strands.vertices.iter().fold((i32::MAX, i32::MIN), |(s, n), v| (s.min(v.y), n.max(v.y)));
        let (mut count, mut length) = (0_u64, 0.0);
        for s in strands.segments() {
            let (a, b) = strands.segment(s);
            length += ((b.x - a.x) as f64).hypot((b.y - a.y) as f64);
            count += 1;
        }
        let mean = length / count.max(1) as f64;
        let extent = if count == 0 { 0 } else { north as i64 - south as i64 };
        let height = ((1.5 * mean).ceil() as i64).max(extent / (count as i64 + 1) + 1);
        let mut strips = Self {
            south: if count == 0 { 0 } else { south as i64 },
            height,
            starts: vec![0; (extent / height) as usize + 2],
            entries: Vec::new(),
        };
        strips.fill(strands);
        strips
    }

    fn fill(&mut self, strands: &Strands) {
        for s in strands.segments() {
            let (lo, hi) = self.span(strands.segment(s));
            for strip in lo..=hi {
                self.starts[strip + 1] += 1;
            }
        }
        for i in 1..self.starts.len() {
            self.starts[i] += self.starts[i - 1];
        }
        let mut next = self.starts.clone();
        let total = self.starts.last().copied().unwrap_or(0) as usize;
        self.entries = vec![Entry { west: 0, east: 0, segment: 0 }; total];
        for s in strands.segments() {
            let (a, b) = strands.segment(s);
            let (lo, hi) = self.span((a, b));
            for (strip, next) in next.iter_mut().enumerate().take(hi + 1).skip(lo) {
                let (west, east) =
                    if hi - lo > 2 { self.cut(a, b, strip) } else { (a.x.min(b.x), a.x.max(b.x)) };
                self.entries[*next as usize] = Entry { west, east, segment: s };
                *next += 1;
            }
        }
        let mut rest = self.entries.as_mut_slice();
        let mut slices = Vec::with_capacity(self.starts.len());
        for w in self.starts.windows(2) {
            let (head, tail) = rest.split_at_mut((w[1] - w[0]) as usize);
            slices.push(head);
            rest = tail;
        }
        slices.into_par_iter().for_each(|slice| slice.sort_unstable_by_key(|e| (e.west, e.segment)));
    }

    /// How many pairs of entries in one strip overlap in x: what a scan for crossings looks at.
    pub(crate) fn pairs(&self) -> u64 {
        let in_strip = |strip: usize| -> u64 {
            let entries = self.entries(strip);
            let after = |(i, e): (usize, &Entry)| entries.partition_point(|o| o.west <= e.east) - i - 1;
            entries.iter().enumerate().map(|e| after(e) as u64).sum()
        };
        (0..self.len()).into_par_iter().map(in_strip).sum()
    }

    /// Refuses lines of which so many overlap that looking at all pairs would not end.
    ///
    /// # Errors
    /// [`NetworkError::TooManyCrossings`].
    pub(crate) fn check_crowding(&self) -> Result<(), NetworkError> {
        if self.pairs() > PAIR_LIMIT {
            return Err(NetworkError::TooManyCrossings { pairs: PAIR_LIMIT });
        }
        Ok(())
    }

    /// How many strips there are.
    pub(crate) fn len(&self) -> usize {
        self.starts.len() - 1
    }

    /// The entries of a strip, by west end.
    pub(crate) fn entries(&self, strip: usize) -> &[Entry] {
        &self.entries[self.starts[strip] as usize..self.starts[strip + 1] as usize]
    }

    /// The strip that holds a row of the lattice; rows outside belong to the outermost.
    #[inline]
    pub(crate) fn of_row(&self, y: i64) -> usize {
        let strip = (y - self.south).max(0) / self.height;
        (strip as usize).min(self.len() - 1)
    }

    /// The first and last strip of a segment.
    #[inline]
    fn span(&self, (a, b): (Pixel, Pixel)) -> (usize, usize) {
        (self.of_row(a.y.min(b.y) as i64), self.of_row(a.y.max(b.y) as i64))
    }

    /// Whether the x-ranges of a segment's entries are cut to their strips.
    #[inline]
    pub(crate) fn is_cut(&self, a: Pixel, b: Pixel) -> bool {
        let (lo, hi) = self.span((a, b));
        hi - lo > 2
    }

    /// The x-range of a segment over the rows of a strip and one row more on either side,
    /// widened by a step against rounding.
    fn cut(&self, a: Pixel, b: Pixel, strip: usize) -> (i32, i32) {
        let bottom = (self.south + strip as i64 * self.height - 1) as f64;
        let top = bottom + self.height as f64 + 1.0;
        let slope = (b.x as f64 - a.x as f64) / (b.y as f64 - a.y as f64);
        let x_at =
            |y: f64| a.x as f64 + (y.clamp(a.y.min(b.y) as f64, a.y.max(b.y) as f64) - a.y as f64) * slope;
        let (p, q) = (x_at(bottom), x_at(top));
        ((p.min(q).floor() as i32 - 1).max(a.x.min(b.x)), (p.max(q).ceil() as i32 + 1).min(a.x.max(b.x)))
    }
}
