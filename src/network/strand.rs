//! Working lines on the lattice: what noding, gap closing and merging act on.

use rayon::prelude::*;

use super::KindSet;
use super::lattice::{Lattice, Pixel};
use super::rows::Rows;
use crate::frame::{GroundPoint, Traced};
use crate::record::{Line, LineKind};

/// What one working line is.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Strand {
    pub kind: LineKind,
    pub kinds: KindSet,
    /// Vertical order at crossings; see [`level_of`].
    pub level: i32,
}

impl Strand {
    /// That of an input line; all are on one level where levels are not respected.
    pub(crate) fn of(line: &Line, respect_levels: bool) -> Self {
        let level = if respect_levels { level_of(line) } else { 0 };
        Self { kind: line.kind, kinds: KindSet::of(line.kind), level }
    }
}

/// An input line carried by a path along its whole way.
#[derive(Clone, Debug)]
pub(crate) struct Carried {
    pub line: u32,
    /// Chainage on the line of every vertex of the path, in frame metres.
    pub chainage_m: Vec<f64>,
}

/// All working lines, with their vertices in one list.
///
/// A segment is named by its first vertex: segment `v` runs from vertex `v` to `v + 1`,
/// where both belong to the same strand.
#[derive(Clone, Debug)]
pub(crate) struct Strands {
    pub strands: Vec<Strand>,
    /// First vertex of each strand, and the vertex count at the end.
    pub starts: Vec<u32>,
    pub vertices: Vec<Pixel>,
    /// Where each vertex was before it was rounded; empty where nobody asks.
    pub places: Vec<GroundPoint>,
    /// Lines that vanish on the lattice.
    pub vanished: Vec<u32>,
    keeps_places: bool,
    /// The input lines that each strand carries along its whole way; none on a connector that
    /// closes a gap.
    lines: Rows<u32>,
    /// Vertex by vertex the chainages on all lines that its strand carries, in frame metres. One
    /// list for all: a list for every strand would leave the memory full of holes.
    chainages_m: Vec<f64>,
    /// Where in that list each strand begins.
    chainages_from: Vec<usize>,
}

/// How many parts lines are worked on in; enough for any number of threads.
const PARTS: usize = 64;

impl Strands {
    /// An empty set with room for a number of vertices.
    pub(crate) fn with_capacity(strands: usize, vertices: usize, keeps_places: bool) -> Self {
        let mut starts = Vec::with_capacity(strands + 1);
        starts.push(0);
        Self {
            strands: Vec::with_capacity(strands),
            starts,
            vertices: Vec::with_capacity(vertices),
            places: Vec::with_capacity(if keeps_places { vertices } else { 0 }),
            vanished: Vec::new(),
            keeps_places,
            lines: Rows::with_capacity(strands, strands),
            chainages_m: Vec::with_capacity(vertices),
            chainages_from: Vec::with_capacity(strands),
        }
    }

    /// The input lines as they are, one strand a line. Consecutive vertices that round to
    /// the same lattice point become one; a line of which only one is left vanishes.
    pub(crate) fn from_lines(
        lattice: &Lattice,
        lines: &[Traced<Line>],
        respect_levels: bool,
        keeps_places: bool,
    ) -> Self {
        let at_a_time = lines.len().div_ceil(PARTS).max(1);
        let from_some = |(part, lines): (usize, &[Traced<Line>])| {
            let vertices = lines.iter().map(|l| l.ground.len()).sum();
            let mut some = Self::with_capacity(lines.len(), vertices, keeps_places);
            for (index, line) in ((part * at_a_time) as u32..).zip(lines) {
                some.push_line(lattice, index, line, respect_levels);
            }
            some
        };
        let parts: Vec<Self> = lines.par_chunks(at_a_time).enumerate().map(from_some).collect();
        let total = parts.iter().map(|p| p.vertices.len()).sum();
        let mut all = Self::with_capacity(lines.len(), total, keeps_places);
        parts.into_iter().for_each(|part| all.append(part));
        all
    }

    fn append(&mut self, part: Self) {
        let (vertices, chainages) = (self.vertices.len() as u32, self.chainages_m.len());
        (0..part.len()).for_each(|strand| self.lines.push(part.lines.row(strand).iter().copied()));
        self.strands.extend(part.strands);
        self.starts.extend(part.starts[1..].iter().map(|end| vertices + end));
        self.vertices.extend(part.vertices);
        self.places.extend(part.places);
        self.vanished.extend(part.vanished);
        self.chainages_m.extend(part.chainages_m);
        self.chainages_from.extend(part.chainages_from.into_iter().map(|from| chainages + from));
    }

    /// Adds an input line, or notes that it vanishes.
    pub(crate) fn push_line(
        &mut self,
        lattice: &Lattice,
        index: u32,
        line: &Traced<Line>,
        respect_levels: bool,
    ) {
        let path = &line.ground;
        let (mut at, mut along_m) = (0, 0.0);
        let chainage_m = |vertex: usize, list: &mut Vec<f64>| {
            while at < vertex {
                along_m += step_m(path[at], path[at + 1]);
                at += 1;
            }
            list.push(along_m);
        };
        if !self.add(lattice, Strand::of(&line.what, respect_levels), &[index], path, chainage_m) {
            self.vanished.push(index);
        }
    }

    /// Adds a strand along a path, with the lines that it carries. Nothing is added if the path
    /// rounds to a single lattice point.
    pub(crate) fn push(
        &mut self,
        lattice: &Lattice,
        strand: Strand,
        carried: &[Carried],
        path: &[GroundPoint],
    ) {
        let lines: Vec<u32> = carried.iter().map(|c| c.line).collect();
        self.add(lattice, strand, &lines, path, |vertex, list| {
            list.extend(carried.iter().map(|c| c.chainage_m[vertex]));
        });
    }

    /// Adds a strand, with the chainages that `chainages` adds for those vertices of the path that
    /// stay. False, and nothing added, if fewer than two do.
    fn add(
        &mut self,
        lattice: &Lattice,
        strand: Strand,
        lines: &[u32],
        path: &[GroundPoint],
        mut chainages: impl FnMut(usize, &mut Vec<f64>),
    ) -> bool {
        let (first, from) = (self.vertices.len(), self.chainages_m.len());
        for (i, &place) in path.iter().enumerate() {
            let pixel = lattice.pixel(place);
            if self.vertices.len() > first && self.vertices.last() == Some(&pixel) {
                continue;
            }
            self.vertices.push(pixel);
            if self.keeps_places {
                self.places.push(place);
            }
            chainages(i, &mut self.chainages_m);
        }
        if self.vertices.len() < first + 2 {
            self.vertices.truncate(first);
            self.places.truncate(first);
            self.chainages_m.truncate(from);
            return false;
        }
        self.strands.push(strand);
        self.starts.push(self.vertices.len() as u32);
        self.lines.push(lines.iter().copied());
        self.chainages_from.push(from);
        true
    }

    /// The input lines that a strand carries.
    #[inline]
    pub(crate) fn lines_on(&self, strand: usize) -> &[u32] {
        self.lines.row(strand)
    }

    /// Forgets the chainages.
    pub(crate) fn drop_chainages(&mut self) {
        self.chainages_m = Vec::new();
    }

    /// Chainage of a vertex on one of the lines that its strand carries, in frame metres.
    #[inline]
    pub(crate) fn vertex_chainage_m(&self, strand: usize, carried: usize, vertex: u32) -> f64 {
        let local = (vertex - self.starts[strand]) as usize;
        self.chainages_m[self.chainages_from[strand] + local * self.lines_on(strand).len() + carried]
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

    /// Every segment of some strands in a row, in order.
    pub(crate) fn segments_in(&self, strands: std::ops::Range<usize>) -> impl Iterator<Item = u32> + '_ {
        self.starts[strands.start..=strands.end].windows(2).flat_map(|w| w[0]..w[1] - 1)
    }

    /// Chainage on one of the carried lines of a lattice point that the segment passes, in frame
    /// metres: by the share of the segment at which the point lies.
    pub(crate) fn chainage_m(&self, strand: usize, carried: usize, segment: u32, at: Pixel) -> f64 {
        let (a, b) = self.segment(segment);
        let from_m = self.vertex_chainage_m(strand, carried, segment);
        let to_m = self.vertex_chainage_m(strand, carried, segment + 1);
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::lattice::Extent;
    use crate::network::tests::{track, tracks};

    /// Lines of three to five vertices a metre apart, on a lattice of centimetres.
    fn lines(count: usize) -> Vec<Traced<Line>> {
        let path = |k: usize| (0..3 + k % 3).map(|v| (v as f64, k as f64)).collect();
        tracks(&(0..count).map(path).collect::<Vec<Vec<(f64, f64)>>>())
    }

    fn lattice(lines: &[Traced<Line>]) -> Lattice {
        let extent = lines.iter().map(|l| Extent::of(&l.ground)).fold(Extent::NONE, Extent::with);
        Lattice::covering(0.01, extent).unwrap()
    }

    #[test]
    fn lines_taken_part_by_part_are_as_taken_one_by_one() {
        for count in [1, 5, 63, 64, 65, 200] {
            let mut lines = lines(count);
            // One of them is a point.
            lines[count / 2].ground.iter_mut().for_each(|p| p.x_m = 0.001);
            let lattice = lattice(&lines);
            let strands = Strands::from_lines(&lattice, &lines, false, true);
            assert_eq!((strands.len(), &strands.vanished[..]), (count - 1, &[count as u32 / 2][..]));
            let (mut vertex, mut strand) = (0, 0);
            for (k, line) in lines.iter().enumerate().filter(|&(k, _)| k != count / 2) {
                let range = strands.range(strand);
                assert_eq!(
                    (range.clone(), strands.lines_on(strand)),
                    (vertex..vertex + line.ground.len(), &[k as u32][..])
                );
                for (v, at) in range.clone().zip(&line.ground) {
                    assert_eq!((strands.places[v], strands.vertices[v]), (*at, lattice.pixel(*at)));
                    assert_eq!(strands.strand_of(v as u32), strand);
                    assert_eq!(strands.vertex_chainage_m(strand, 0, v as u32), (v - range.start) as f64);
                }
                (vertex, strand) = (range.end, strand + 1);
            }
            assert_eq!(strands.vertices.len(), vertex);
        }
    }

    #[test]
    fn vertices_that_round_to_one_place_are_one_at_the_first_of_them() {
        let line = track(&[(0.0, 0.0), (0.004, 0.0), (3.0, 4.0), (3.0, 4.003), (3.0, 10.0), (2.999, 10.001)]);
        let lattice = lattice(std::slice::from_ref(&line));
        let strands = Strands::from_lines(&lattice, &[line], true, true);
        assert_eq!(strands.vertices.len(), 3);
        let chainages: Vec<f64> = (0..3).map(|v| strands.vertex_chainage_m(0, 0, v)).collect();
        // The way to (3, 4) by the vertex between.
        let to_corner = 0.004 + 2.996_f64.hypot(4.0);
        assert!((chainages[1] - to_corner).abs() < 1e-12 && (chainages[2] - to_corner - 6.0).abs() < 1e-12);
        assert_eq!(strands.places[1], GroundPoint::new(3.0, 4.0));
        assert!(Strands::from_lines(&lattice, &lines(2), true, false).places.is_empty(), "nobody asks");
    }

    #[test]
    fn several_lines_on_a_strand_have_their_own_chainages() {
        let lines = lines(2);
        let lattice = lattice(&lines);
        let mut strands = Strands::from_lines(&lattice, &lines, true, false);
        let path: Vec<GroundPoint> = [0.0, 0.0, 1.0, 3.0].map(|y_m| GroundPoint::new(0.0, y_m)).to_vec();
        let carried = [(8, [5.0, 5.5, 6.0, 9.0]), (3, [70.0, 60.0, 50.0, 20.0])];
        let carried = carried.map(|(line, chainage_m)| Carried { line, chainage_m: chainage_m.to_vec() });
        let strand = strands.strands[0];
        strands.push(&lattice, strand, &carried, &path[..2]);
        assert_eq!(strands.len(), 2, "it is a point");
        strands.push(&lattice, strand, &carried, &path);
        assert_eq!((strands.len(), strands.lines_on(2)), (3, &[8, 3][..]));
        let first = strands.range(2).start as u32;
        let of = |carried: usize| [0, 1, 2].map(|v| strands.vertex_chainage_m(2, carried, first + v));
        assert_eq!((of(0), of(1)), ([5.0, 6.0, 9.0], [70.0, 50.0, 20.0]));
        // Between vertices by the share of the way.
        let at = |y_m: f64, segment: u32, carried: usize| {
            strands.chainage_m(2, carried, first + segment, lattice.pixel(GroundPoint::new(0.0, y_m)))
        };
        assert_eq!(
            [at(0.0, 0, 0), at(0.25, 0, 0), at(1.0, 0, 0), at(1.0, 1, 0), at(2.0, 1, 0)],
            [5.0, 5.25, 6.0, 6.0, 7.5]
        );
        assert_eq!([at(0.25, 0, 1), at(2.5, 1, 1), at(3.0, 1, 1)], [65.0, 27.5, 20.0]);
    }

    #[test]
    fn parts_hold_all_strands_in_order_and_about_as_many_vertices_each() {
        let lines = lines(60);
        let strands = Strands::from_lines(&lattice(&lines), &lines, true, false);
        for vertices in [1, 7, 40, 1000] {
            let parts = strands.parts(vertices);
            assert!(parts.iter().cloned().flatten().eq(0..60));
            let held =
                |p: &std::ops::Range<usize>| strands.range(p.end - 1).end - strands.range(p.start).start;
            // A strand has up to five; the last part takes what is left.
            assert!(parts.iter().all(|p| held(p) < vertices + 5));
            assert!(parts[..parts.len() - 1].iter().all(|p| held(p) >= vertices));
        }
        let segments: Vec<u32> = strands.segments_in(1..3).collect();
        assert_eq!(segments, [3, 4, 5, 7, 8, 9, 10], "four and five vertices after the first three");
        assert_eq!(strands.segment(4), (strands.vertices[4], strands.vertices[5]));
        assert!(Strands::with_capacity(0, 0, false).parts(5).is_empty());
    }

    #[test]
    fn the_nearest_point_of_a_segment_is_its_foot_or_an_end() {
        let (a, b) = (GroundPoint::new(10.0, 20.0), GroundPoint::new(40.0, 60.0));
        // Along the segment by t, and off to its side by s of its length.
        let at = |t: f64, s: f64| GroundPoint::new(10.0 + 30.0 * t - 40.0 * s, 20.0 + 40.0 * t + 30.0 * s);
        for (t, s, wanted) in
            [(0.25, 0.5, 0.25), (0.8, -2.0, 0.8), (-0.1, 0.3, 0.0), (1.3, 0.1, 1.0), (1.0, 7.0, 1.0)]
        {
            for found in [nearest_on(a, b, at(t, s)), nearest_on(b, a, at(t, s))] {
                assert!(found.distance_m(at(wanted, 0.0)) < 1e-12, "{found:?}");
            }
        }
        assert_eq!(nearest_on(a, a, b), a);
        let upright = GroundPoint::new(10.0, -20.0);
        assert_eq!(nearest_on(a, upright, GroundPoint::new(3.0, 5.0)), GroundPoint::new(10.0, 5.0));
        let (p, q) = (Pixel::new(10, 20), Pixel::new(40, 60));
        let share = |x: i32, y: i32| share_along(p, q, Pixel::new(x, y));
        assert_eq!(
            [share(25, 40), share(-15, 55), share(0, 0), share(50, 70), share(40, 60)],
            [0.5, 0.26, 0.0, 1.0, 1.0]
        );
    }

    #[test]
    fn lengths_are_those_of_the_steps() {
        let path: Vec<GroundPoint> = [(0.0, 0.0), (3.0, 4.0), (3.0, 4.0), (-2.0, 16.0), (-2.0, 9.0)]
            .map(|(x, y)| GroundPoint::new(x, y))
            .to_vec();
        assert_eq!(chainages_m(&path), [0.0, 5.0, 5.0, 18.0, 25.0]);
        assert_eq!((way_length_m(&path), step_m(path[3], path[1])), (25.0, 13.0));
        assert_eq!((chainages_m(&[]), way_length_m(&path[..1])), (vec![], 0.0));
    }
}
