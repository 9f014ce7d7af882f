//! Working lines on the lattice: what noding, gap closing and merging act on.

use rayon::prelude::*;

use super::KindSet;
use super::lattice::{Lattice, Pixel};
use crate::frame::{GroundPoint, Traced};
use crate::record::{Line, LineKind};

/// What one working line is, and which input lines it carries.
#[derive(Clone, Debug)]
pub(crate) struct Strand {
    pub kind: LineKind,
    pub kinds: KindSet,
    /// Vertical order at crossings; see [`level_of`].
    pub level: i32,
    /// The input lines it carries along its whole way; empty for a connector that closes a
    /// gap.
    pub carried: Vec<Carried>,
}

/// An input line carried by a strand.
#[derive(Clone, Debug)]
pub(crate) struct Carried {
    pub line: u32,
    /// Chainage on the line of every vertex of the strand, in frame metres.
    pub chainage_m: Vec<f64>,
}

/// All working lines, with their vertices in one list.
///
/// A segment is named by its first vertex: segment `v` runs from vertex `v` to `v + 1`,
/// where both belong to the same strand.
#[derive(Clone, Debug, Default)]
pub(crate) struct Strands {
    pub strands: Vec<Strand>,
    /// First vertex of each strand, and the vertex count at the end.
    pub starts: Vec<u32>,
    pub vertices: Vec<Pixel>,
    /// Where each vertex was before it was rounded.
    pub places: Vec<GroundPoint>,
    /// Lines that vanish on the lattice.
    pub vanished: Vec<u32>,
}

/// How many parts lines are worked on in; enough for any number of threads.
const PARTS: usize = 64;

impl Strands {
    /// An empty set with room for a number of vertices.
    pub(crate) fn with_capacity(strands: usize, vertices: usize) -> Self {
        Self {
            strands: Vec::with_capacity(strands),
            starts: {
                let mut starts = Vec::with_capacity(strands + 1);
                starts.push(0);
                starts
            },
            vertices: Vec::with_capacity(vertices),
            places: Vec::with_capacity(vertices),
            vanished: Vec::new(),
        }
    }

    /// The input lines as they are, one strand a line. Consecutive vertices that round to
    /// the same lattice point become one; a line of which only one is left vanishes.
    pub(crate) fn from_lines(lattice: &Lattice, lines: &[Traced<Line>], respect_levels: bool) -> Self {
        let at_a_time = lines.len().div_ceil(PARTS).max(1);
        let parts: Vec<Self> = lines
            .par_chunks(at_a_time)
            .enumerate()
            .map(|(k, lines)| Self::from_some(lattice, lines, (k * at_a_time) as u32, respect_levels))
            .collect();
        let total = parts.iter().map(|p| p.vertices.len()).sum();
        let mut all = Self::with_capacity(lines.len(), total);
        for part in parts {
            let base = all.vertices.len() as u32;
            all.strands.extend(part.strands);
            all.starts.extend(part.starts[1..].iter().map(|end| base + end));
            all.vertices.extend(part.vertices);
            all.places.extend(part.places);
            all.vanished.extend(part.vanished);
        }
        all
    }

    /// As [`Strands::from_lines`], for lines of which the first has a number.
    fn from_some(lattice: &Lattice, lines: &[Traced<Line>], first: u32, respect_levels: bool) -> Self {
        let mut all = Self::with_capacity(lines.len(), lines.iter().map(|l| l.ground.len()).sum());
        for (index, line) in (first..).zip(lines) {
            let level = if respect_levels { level_of(&line.what) } else { 0 };
            let strand = Strand {
                kind: line.what.kind,
                kinds: KindSet::of(line.what.kind),
                level,
                carried: vec![Carried { line: index, chainage_m: chainages_m(&line.ground) }],
            };
            if !all.push(lattice, strand, &line.ground) {
                all.vanished.push(index);
            }
        }
        all
    }

    /// Adds a strand along a path. False, and nothing added, if the path rounds to a
    /// single lattice point.
    pub(crate) fn push(&mut self, lattice: &Lattice, mut strand: Strand, path: &[GroundPoint]) -> bool {
        let first = self.vertices.len();
        let mut kept = 0;
        for (i, &place) in path.iter().enumerate() {
            let pixel = lattice.pixel(place);
            if self.vertices.len() > first && self.vertices.last() == Some(&pixel) {
                continue;
            }
            self.vertices.push(pixel);
            self.places.push(place);
            for carried in &mut strand.carried {
                carried.chainage_m[kept] = carried.chainage_m[i];
            }
            kept += 1;
        }
        if kept < 2 {
            self.vertices.truncate(first);
            self.places.truncate(first);
            return false;
        }
        for carried in &mut strand.carried {
            carried.chainage_m.truncate(kept);
        }
        self.strands.push(strand);
        self.starts.push(self.vertices.len() as u32);
        true
    }

    /// How many strands there are.
    pub(crate) fn len(&self) -> usize {
        self.strands.len()
    }

    /// The vertex numbers of a strand.
    pub(crate) fn range(&self, strand: usize) -> std::ops::Range<usize> {
        self.starts[strand] as usize..self.starts[strand + 1] as usize
    }

    /// The strands in parts of about so many vertices.
    pub(crate) fn parts(&self, vertices: usize) -> Vec<std::ops::Range<usize>> {
        let mut parts = Vec::new();
        let mut from = 0;
        for to in 1..=self.len() {
            if to == self.len() || (self.starts[to] - self.starts[from]) as usize >= vertices {
                parts.push(from..to);
                from = to;
            }
        }
        parts
    }

    /// The strand that a vertex belongs to.
    pub(crate) fn strand_of(&self, vertex: u32) -> usize {
        self.starts.partition_point(|&s| s <= vertex) - 1
    }

    /// Both ends of a segment.
    #[inline]
    pub(crate) fn segment(&self, segment: u32) -> (Pixel, Pixel) {
        (self.vertices[segment as usize], self.vertices[segment as usize + 1])
    }

    /// Every segment of the strands from a first one on, in order.
    pub(crate) fn segments_from(&self, first: usize) -> impl Iterator<Item = u32> + '_ {
        self.starts[first..].windows(2).flat_map(|w| w[0]..w[1] - 1)
    }

    /// Chainage on a carried line of a lattice point that the segment passes, in frame
    /// metres: by the share of the segment at which the point lies.
    pub(crate) fn chainage_m(&self, strand: usize, carried: &Carried, segment: u32, at: Pixel) -> f64 {
        let (a, b) = self.segment(segment);
        let first = (segment - self.starts[strand]) as usize;
        let (from_m, to_m) = (carried.chainage_m[first], carried.chainage_m[first + 1]);
        if at == a {
            from_m
        } else if at == b {
            to_m
        } else {
            from_m + (to_m - from_m) * share_along(a, b, at)
        }
    }
}

/// Where the foot of `c` on the segment lies, as a share of its length in 0..=1.
pub(crate) fn share_along(a: Pixel, b: Pixel, c: Pixel) -> f64 {
    let (dx, dy) = ((b.x - a.x) as f64, (b.y - a.y) as f64);
    let dot = (c.x - a.x) as f64 * dx + (c.y - a.y) as f64 * dy;
    (dot / (dx * dx + dy * dy)).clamp(0.0, 1.0)
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

/// Length of a way in metres. A plain root is much faster than `hypot` and good to the last bit
/// but one; nothing in a frame is so large that its square overflows.
pub(crate) fn way_length_m(way: &[GroundPoint]) -> f64 {
    way.windows(2).map(|w| step_m(w[0], w[1])).sum()
}

/// As [`GroundPoint::distance_m`], by a plain root.
#[inline]
pub(crate) fn step_m(a: GroundPoint, b: GroundPoint) -> f64 {
    let (dx, dy) = (b.x_m - a.x_m, b.y_m - a.y_m);
    (dx * dx + dy * dy).sqrt()
}

/// Distance of every vertex from the start of a path, in frame metres.
pub(crate) fn chainages_m(path: &[GroundPoint]) -> Vec<f64> {
    let mut along_m = 0.0;
    let mut all = Vec::with_capacity(path.len());
    for (i, &p) in path.iter().enumerate() {
        if i > 0 {
            along_m += step_m(path[i - 1], p);
        }
        all.push(along_m);
    }
    all
}

/// The vertical order of a line at crossings: its layer, or one up for a bridge and one
/// down for a tunnel where no layer is given.
pub(crate) fn level_of(line: &Line) -> i32 {
    match (line.layer, line.bridge, line.tunnel) {
        (0, true, false) => 1,
        (0, false, true) => -1,
        (layer, _, _) => layer,
    }
}
