//! What noding yields: lines as chains of hot pixels.

use super::lattice::Pixel;
use super::strand::Strands;

/// How a line comes to a hot pixel.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Manner {
    /// A vertex lies there.
    Vertex,
    /// A segment enters it between its ends.
    Inner,
    /// A segment barely misses it.
    Near,
}

/// A vertex or segment and the hot pixel that it comes to, in one number: they sort by vertex or
/// segment, then by manner, then by pixel.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub(crate) struct Pass(u64);

/// Hot pixels have numbers below this, so that a manner fits beside them.
pub(crate) const PIXEL_LIMIT: usize = 1 << 30;

impl Pass {
    /// `of` is the number of a vertex, or of a segment.
    #[inline]
    pub(crate) fn new(of: u32, manner: Manner, pixel: u32) -> Self {
        Self(u64::from(of) << 32 | (manner as u64) << 30 | u64::from(pixel))
    }

    /// The vertex or segment.
    #[inline]
    pub(crate) fn of(self) -> u32 {
        (self.0 >> 32) as u32
    }

    #[inline]
    pub(crate) fn manner(self) -> Manner {
        match self.0 >> 30 & 3 {
            0 => Manner::Vertex,
            1 => Manner::Inner,
            _ => Manner::Near,
        }
    }

    #[inline]
    pub(crate) fn pixel(self) -> u32 {
        self.0 as u32 & (PIXEL_LIMIT as u32 - 1)
    }

    /// The same with pixels counted from a base.
    #[inline]
    pub(crate) fn counted_from(self, base: u32) -> Self {
        Self(self.0 + u64::from(base))
    }
}

/// A stop of a strand on its way: a hot pixel that has a number, or one that nothing but a vertex
/// inside the strand ever visits, named by that vertex. Equal where the pixel is the same.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub(crate) struct Visit(u32);

/// Marks a visit that is the only one to its pixel.
const LONE: u32 = 1 << 31;

impl Visit {
    /// No visit at all.
    pub(crate) const NONE: Visit = Visit(u32::MAX);

    #[inline]
    pub(crate) fn to_pixel(pixel: u32) -> Self {
        Self(pixel)
    }

    #[inline]
    pub(crate) fn lone(vertex: u32) -> Self {
        Self(LONE | vertex)
    }

    /// The number of the pixel, if it has one.
    #[inline]
    pub(crate) fn pixel(self) -> Option<u32> {
        (self.0 & LONE == 0).then_some(self.0)
    }
}

/// Lines as chains of hot pixels.
#[derive(Default)]
pub(crate) struct Noded {
    /// The hot pixels that have numbers, each once; the position is the number. First by strip,
    /// then x, then y; after them those numbered later.
    pub pixels: Vec<Pixel>,
    /// First visit of each strand, and the visit count at the end.
    pub starts: Vec<u32>,
    /// The stops of the strands, no two in a row the same.
    pub visits: Vec<Visit>,
    /// For each visit a segment of the strand that enters the pixel.
    pub segments: Vec<u32>,
}

impl Noded {
    /// The visits of a strand.
    pub(crate) fn range(&self, strand: usize) -> std::ops::Range<usize> {
        self.starts[strand] as usize..self.starts[strand + 1] as usize
    }

    /// Where a visit is.
    #[inline]
    pub(crate) fn at(&self, visit: Visit, strands: &Strands) -> Pixel {
        match visit.pixel() {
            Some(pixel) => self.pixels[pixel as usize],
            None => strands.vertices[(visit.0 & !LONE) as usize],
        }
    }

    /// Gives a visited pixel that has no number the next one.
    pub(crate) fn number(&mut self, visit: usize, strands: &Strands) {
        let at = self.at(self.visits[visit], strands);
        self.visits[visit] = Visit::to_pixel(self.pixels.len() as u32);
        self.pixels.push(at);
    }
}
