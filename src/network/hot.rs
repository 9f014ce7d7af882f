//! The hot pixels of one strip, and which segments pass them.

use std::sync::atomic::{AtomicU64, Ordering};

use super::exact::{Hit, crossing, hit, in_box};
use super::lattice::Pixel;
use super::noded::{Manner, Pass};
use super::runs::may_meet;
use super::spread::sort_spread;
use super::strand::Strands;
use super::strips::{PAIR_LIMIT, Strips, Swept, ordered, pairs_in, reaches};

/// What one strip holds. Hot pixels are numbered within the strip.
#[derive(Default)]
pub(crate) struct HotStrip {
    /// The hot pixels whose row is in the strip, by x, then y; each once. Left out are vertices to
    /// which nothing else comes near: in ordinary networks most are.
    pub pixels: Vec<Pixel>,
    /// Who visits them.
    pub passes: Vec<Pass>,
}

/// Most crossings kept at a time in one strip before repeated ones are dropped.
const CROSSINGS_KEPT: usize = 1 << 22;

impl HotStrip {
    /// Finds the crossings and vertices in a strip and the segments that pass them. Adds the pairs
    /// it looks at, of segments or runs of them, to `pairs`, and gives up where they exceed the limit.
    pub(crate) fn find(strands: &Strands, strips: &Strips, strip: usize, pairs: &AtomicU64) -> Self {
        let admit = |own: u64| pairs.fetch_add(own, Ordering::Relaxed) + own <= PAIR_LIMIT;
        let segments: Vec<u32> = strips.segments(strip).collect();
        let kept = if strips.is_sparse(segments.len()) {
            may_meet(strands, strips, strip, &segments, admit)
        } else {
            Some(vec![true; segments.len()])
        };
        let Some(kept) = kept else { return Self::default() };
        let places = (0..).zip(&segments).filter(|&(place, _)| kept[place as usize]);
        let swept = strips.sweep(strands, strip, places.map(|(place, &segment)| (place, segment)));
        let reaches = reaches(&swept, |s| (s.west, s.east));
        if !admit(pairs_in(&reaches)) {
            return Self::default();
        }
        let mut met = vec![false; segments.len()];
        let mut hot = crossings_in(&swept, &reaches, strips, strip, &mut met);
        hot.extend(vertices_in(strands, strips, strip, &segments, &met));
        let pixels = unique(hot);
        let (passes, visitors) = find_passes(swept.iter().filter(|s| met[s.place as usize]), &pixels);
        Self::of_shared(&pixels, &passes, &visitors)
    }

    /// Leaves out the pixels that only one vertex inside a strand visits, and numbers the others.
    fn of_shared(pixels: &[Pixel], passes: &[Pass], visitors: &[Visitors]) -> Self {
        let mut numbers = vec![NO_PIXEL; pixels.len()];
        let mut shared = Vec::new();
        for ((number, &pixel), by) in numbers.iter_mut().zip(pixels).zip(visitors) {
            if !by.are_one_vertex_inside() {
                *number = shared.len() as u32;
                shared.push(pixel);
            }
        }
        let renumbered = |p: &Pass| {
            let number = numbers[p.pixel() as usize];
            (number != NO_PIXEL).then(|| Pass::new(p.of(), p.manner(), number))
        };
        // Counted first: the list outlives the strip, so it should be no longer than it has to be.
        let mut kept = Vec::with_capacity(passes.iter().filter_map(renumbered).count());
        kept.extend(passes.iter().filter_map(renumbered));
        Self { pixels: shared, passes: kept }
    }
}

const NO_PIXEL: u32 = u32::MAX;

/// Who visits a hot pixel.
#[derive(Clone, Copy, Default)]
struct Visitors {
    /// The vertex of the first segment end that lies there.
    vertex: u32,
    /// How many ends of segments lie there; [`MANY`] if they belong to different vertices, or if
    /// a segment passes.
    ends: u32,
}

/// More segment ends than one vertex has.
const MANY: u32 = 3;

impl Visitors {
    #[inline]
    fn add_end(&mut self, vertex: u32) {
        match self.ends {
            0 => *self = Self { vertex, ends: 1 },
            1 if self.vertex == vertex => self.ends = 2,
            _ => self.ends = MANY,
        }
    }

    /// Whether both segments of one vertex end there and nothing else comes near.
    fn are_one_vertex_inside(&self) -> bool {
        self.ends == 2
    }
}

/// Who visits which of the pixels of a strip; a vertex between two segments is listed twice.
fn find_passes<'a>(swept: impl Iterator<Item = &'a Swept>, pixels: &[Pixel]) -> (Vec<Pass>, Vec<Visitors>) {
    let mut passes = Vec::with_capacity(3 * pixels.len());
    let mut visitors = vec![Visitors::default(); pixels.len()];
    let mut first = 0;
    for s in swept {
        while first < pixels.len() && pixels[first].x < s.west {
            first += 1;
        }
        for (k, &c) in (first..).zip(&pixels[first..]) {
            if c.x > s.east {
                break;
            }
            if !in_box(s.a, s.b, c) {
                continue;
            }
            if c == s.a || c == s.b {
                let vertex = s.segment + u32::from(c == s.b);
                visitors[k].add_end(vertex);
                passes.push(Pass::new(vertex, Manner::Vertex, k as u32));
                continue;
            }
            let manner = match hit(s.a, s.b, c) {
                Hit::Inside => Manner::Inner,
                Hit::Near => Manner::Near,
                Hit::Clear => continue,
            };
            visitors[k].ends = MANY;
            passes.push(Pass::new(s.segment, manner, k as u32));
        }
    }
    (passes, visitors)
}

/// The vertices whose row is in a strip of the segments that are not left out.
fn vertices_in(
    strands: &Strands,
    strips: &Strips,
    strip: usize,
    segments: &[u32],
    met: &[bool],
) -> Vec<Pixel> {
    let mut found = Vec::with_capacity(segments.len());
    let mut add = |p: Pixel| {
        if strips.of_row(p.y as i64) == strip {
            found.push(p);
        }
    };
    for (k, &segment) in segments.iter().enumerate().filter(|&(k, _)| met[k]) {
        let (a, b) = strands.segment(segment);
        add(a);
        let next_adds_b = segments.get(k + 1) == Some(&(segment + 1)) && met[k + 1];
        if !next_adds_b {
            add(b);
        }
    }
    found
}

/// Every crossing interior to two segments whose rounded row is in the strip. Both segments meet
/// the strip of that row, so each crossing is found once.
///
/// Also marks, by place in the strip, which segments have boxes that meet the box of another; one that
/// merely goes on from them does not count. What meets no other box passes no hot pixel in this
/// strip save those of its own vertices, and nothing else passes those: it can be left out.
fn crossings_in(
    swept: &[Swept],
    reaches: &[u32],
    strips: &Strips,
    strip: usize,
    met: &mut [bool],
) -> Vec<Pixel> {
    let mut found = Vec::new();
    for (i, first) in swept.iter().enumerate() {
        let (south, north) = first.rows();
        for second in &swept[i + 1..reaches[i] as usize] {
            let (low, high) = second.rows();
            if low > north || high < south || first.goes_on_with(second) {
                continue;
            }
            met[first.place as usize] = true;
            met[second.place as usize] = true;
            let crossed = crossing(first.a, first.b, second.a, second.b);
            found.extend(crossed.filter(|p| strips.of_row(p.y as i64) == strip));
        }
        if found.len() > CROSSINGS_KEPT {
            found = unique(found);
        }
    }
    found
}

/// Pixels by x, then y, each once.
fn unique(pixels: Vec<Pixel>) -> Vec<Pixel> {
    let key = |p: Pixel| (ordered(p.x) as u64) << 32 | ordered(p.y) as u64;
    let mut keys: Vec<u64> = pixels.into_iter().map(key).collect();
    sort_spread(&mut keys);
    keys.dedup();
    let pixel = |key: u64| Pixel::new(ordered((key >> 32) as i32) as i32, ordered(key as i32) as i32);
    keys.into_iter().map(pixel).collect()
}

#[cfg(test)]
mod tests {
    use std::collections::BTreeSet;

    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;
    use crate::network::lattice::{Extent, Lattice};
    use crate::network::tests::tracks;

    fn strands(paths: &[Vec<(f64, f64)>]) -> Strands {
        let lines = tracks(paths);
        let extent = lines.iter().map(|l| Extent::of(&l.ground)).fold(Extent::NONE, Extent::with);
        Strands::from_lines(&Lattice::covering(0.01, extent).unwrap(), &lines, true, false)
    }

    #[test]
    fn a_vertex_inside_a_strand_that_nothing_else_visits_is_told_from_others() {
        let alone = |ends: &[u32]| {
            let mut visitors = Visitors::default();
            ends.iter().for_each(|&vertex| visitors.add_end(vertex));
            visitors.are_one_vertex_inside()
        };
        assert!(alone(&[7, 7]), "both segments of one vertex");
        assert!(!alone(&[]) && !alone(&[7]), "an end of a strand");
        assert!(!alone(&[7, 8]) && !alone(&[7, 7, 9]) && !alone(&[7, 9, 7]) && !alone(&[7, 7, 9, 9]));
    }

    /// All strips together: (vertex or segment, manner, pixel) of every hot pixel that more than one vertex
    /// inside a strand visits.
    fn found(strands: &Strands) -> BTreeSet<(u32, u8, Pixel)> {
        let strips = Strips::new(strands);
        let pairs = AtomicU64::new(0);
        let mut all = BTreeSet::new();
        for strip in 0..strips.len() {
            let hot = HotStrip::find(strands, &strips, strip, &pairs);
            assert!(hot.pixels.is_sorted_by(|p, q| p < q), "by x, then y, each once");
            assert!(hot.pixels.iter().all(|p| strips.of_row(i64::from(p.y)) == strip));
            let visited: BTreeSet<u32> = hot.passes.iter().map(|p| p.pixel()).collect();
            assert!(visited.into_iter().eq(0..hot.pixels.len() as u32));
            all.extend(hot.passes.iter().map(|p| (p.of(), p.manner() as u8, hot.pixels[p.pixel() as usize])));
        }
        all
    }

    /// The same by looking at every pair of segments, and at every segment and hot pixel.
    fn wanted(strands: &Strands) -> BTreeSet<(u32, u8, Pixel)> {
        let segments: Vec<u32> = strands.segments_in(0..strands.len()).collect();
        let mut hot: BTreeSet<Pixel> = strands.vertices.iter().copied().collect();
        for &s in &segments {
            for &t in segments.iter().filter(|&&t| t > s) {
                let ((a, b), (c, d)) = (strands.segment(s), strands.segment(t));
                hot.extend(crossing(a, b, c, d));
            }
        }
        let mut all = BTreeSet::new();
        for &pixel in &hot {
            let mut passes = BTreeSet::new();
            let mut ends = 0;
            for &s in &segments {
                let (a, b) = strands.segment(s);
                if pixel == a || pixel == b {
                    passes.insert((s + u32::from(pixel == b), Manner::Vertex as u8, pixel));
                    ends += 1;
                } else if in_box(a, b, pixel) && hit(a, b, pixel) != Hit::Clear {
                    let manner = if hit(a, b, pixel) == Hit::Inside { Manner::Inner } else { Manner::Near };
                    passes.insert((s, manner as u8, pixel));
                }
            }
            // One vertex, at which two segments end.
            if !(passes.len() == 1 && ends == 2) {
                all.extend(passes);
            }
        }
        all
    }

    #[test]
    fn hot_pixels_and_who_passes_them_are_those_of_looking_at_all() {
        let mut rng = ChaCha8Rng::seed_from_u64(91);
        for k in 0..60 {
            // Crowded, so that everything nearly touches; spread out; or long.
            let (wide, step) = [(1.0, 0.6), (60.0, 9.0), (200.0, 200.0)][k % 3];
            let walk = |_| {
                let (mut x, mut y) = (rng.random_range(0.0..wide), rng.random_range(0.0..wide));
                let mut next = |_| {
                    (x, y) = (x + rng.random_range(-step..step), y + rng.random_range(-step..step));
                    (x, y)
                };
                (0..7).map(&mut next).collect()
            };
            let strands = strands(&(0..12).map(walk).collect::<Vec<Vec<(f64, f64)>>>());
            // A vertex alone may be there or not: it changes nothing.
            let shared = |all: BTreeSet<(u32, u8, Pixel)>| -> BTreeSet<(u32, u8, Pixel)> {
                let alone = |p: &(u32, u8, Pixel)| all.iter().filter(|q| q.2 == p.2).count() == 1;
                all.iter().filter(|p| !alone(p)).copied().collect()
            };
            let (found, wanted) = (shared(found(&strands)), shared(wanted(&strands)));
            let off: Vec<_> = found.symmetric_difference(&wanted).collect();
            assert!(off.is_empty(), "set {k}: {off:?}");
        }
    }

    #[test]
    fn nothing_is_found_where_pairs_are_too_many() {
        let strands = strands(&[vec![(0.0, 0.0), (5.0, 5.0)], vec![(0.0, 5.0), (5.0, 0.0)]]);
        let strips = Strips::new(&strands);
        let middle = (0..strips.len())
            .find(|&s| !HotStrip::find(&strands, &strips, s, &AtomicU64::new(0)).pixels.is_empty());
        let full = AtomicU64::new(PAIR_LIMIT);
        assert!(HotStrip::find(&strands, &strips, middle.unwrap(), &full).pixels.is_empty());
        assert!(full.into_inner() > PAIR_LIMIT);
    }

    #[test]
    fn pixels_come_by_x_then_y_each_once() {
        let pixels = [(3, -1), (-2, 9), (3, -5), (-2, 9), (0, 0), (3, -1)].map(|(x, y)| Pixel::new(x, y));
        let sorted = [(-2, 9), (0, 0), (3, -5), (3, -1)].map(|(x, y)| Pixel::new(x, y));
        assert_eq!(unique(pixels.to_vec()), sorted);
    }
}
