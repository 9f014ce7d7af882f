//! Noding by snap rounding on the lattice.
//!
//! After Hobby (1999), Comput. Geom. 13:199–214: every vertex and every crossing, rounded,
//! makes a hot pixel; every segment is bent through the centres of the hot pixels that it
//! enters. The result meets only at hot pixels. Unlike the published method the bending is
//! repeated until nothing changes, so that noding the result again gives the same result.
//!
//! Cost: n log n for n segments plus the number of pairs whose boxes overlap.

use std::sync::atomic::{AtomicU32, Ordering};

use rayon::prelude::*;

use super::NetworkError;
use super::exact::{Hit, crossing, hit, in_box};
use super::lattice::Pixel;
use super::strand::Strands;
use super::strips::Strips;

/// Lines as chains of hot pixels.
pub(crate) struct Noded {
    /// The hot pixels, each once; the position is the pixel's id.
    pub pixels: Vec<Pixel>,
    /// First visit of each strand, and the visit count at the end.
    pub starts: Vec<u32>,
    /// The pixel ids that the strands visit, no two in a row the same.
    pub visits: Vec<u32>,
    /// For each visit a segment of the strand that enters the pixel.
    pub segments: Vec<u32>,
}

/// Most crossings kept at a time in one strip before repeated ones are dropped.
const CROSSINGS_KEPT: usize = 1 << 22;

/// Nodes the strands.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn node(strands: &Strands) -> Result<Noded, NetworkError> {
    let strips = Strips::new(strands);
    strips.check_crowding()?;
    let crossings = find_crossings(strands, &strips);
    let hot = HotPixels::new(strands, &strips, &crossings);
    let passes = find_passes(strands, &strips, &hot);
    Ok(passes.chains(strands, hot.pixels))
}

/// Every crossing interior to two segments, rounded; sorted, each once.
fn find_crossings(strands: &Strands, strips: &Strips) -> Vec<Pixel> {
    let found: Vec<Vec<Pixel>> =
        (0..strips.len()).into_par_iter().map(|strip| crossings_in(strands, strips, strip)).collect();
    let mut all = found.concat();
    all.par_sort_unstable();
    all.dedup();
    all
}

fn crossings_in(strands: &Strands, strips: &Strips, strip: usize) -> Vec<Pixel> {
    let entries = strips.entries(strip);
    let mut found = Vec::new();
    for (i, first) in entries.iter().enumerate() {
        let (a, b) = strands.segment(first.segment);
        let (south, north) = (a.y.min(b.y), a.y.max(b.y));
        let first_cut = strips.is_cut(a, b);
        for second in entries[i + 1..].iter().take_while(|e| e.west <= first.east) {
            let (c, d) = strands.segment(second.segment);
            let (low, high) = (c.y.min(d.y), c.y.max(d.y));
            if low > north || high < south {
                continue;
            }
            // Two uncut segments share every strip that both meet: only the strip of the
            // southernmost shared row reports them.
            let uncut = !first_cut && !strips.is_cut(c, d);
            if uncut && strips.of_row(low.max(south) as i64) != strip {
                continue;
            }
            found.extend(crossing(a, b, c, d));
        }
        if found.len() > CROSSINGS_KEPT {
            found.sort_unstable();
            found.dedup();
        }
    }
    found
}

/// The hot pixels in the order of their strips, and within a strip by x, then y.
struct HotPixels {
    pixels: Vec<Pixel>,
    /// First pixel of each strip, and the pixel count at the end.
    starts: Vec<u32>,
}

impl HotPixels {
    fn new(strands: &Strands, strips: &Strips, crossings: &[Pixel]) -> Self {
        let all = || strands.vertices.iter().chain(crossings);
        let mut starts = vec![0_u32; strips.len() + 1];
        for p in all() {
            starts[strips.of_row(p.y as i64) + 1] += 1;
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        let mut next = starts.clone();
        let mut pixels = vec![Pixel::default(); strands.vertices.len() + crossings.len()];
        for &p in all() {
            let strip = strips.of_row(p.y as i64);
            pixels[next[strip] as usize] = p;
            next[strip] += 1;
        }
        let mut rest = pixels.as_mut_slice();
        let mut slices = Vec::with_capacity(strips.len());
        for w in starts.windows(2) {
            let (head, tail) = rest.split_at_mut((w[1] - w[0]) as usize);
            slices.push(head);
            rest = tail;
        }
        slices.into_par_iter().for_each(|slice| slice.sort_unstable());
        Self::unique(pixels, starts)
    }

    /// Drops repeated pixels; equal pixels lie in the same strip, side by side.
    fn unique(mut pixels: Vec<Pixel>, mut starts: Vec<u32>) -> Self {
        let mut kept = 0;
        let mut from = 0;
        for start in starts.iter_mut().skip(1) {
            let to = *start as usize;
            for k in from..to {
                if kept == 0 || pixels[kept - 1] != pixels[k] {
                    pixels[kept] = pixels[k];
                    kept += 1;
                }
            }
            from = to;
            *start = kept as u32;
        }
        pixels.truncate(kept);
        Self { pixels, starts }
    }

    fn range(&self, strip: usize) -> std::ops::Range<usize> {
        self.starts[strip] as usize..self.starts[strip + 1] as usize
    }
}

/// A segment and a hot pixel.
type Pass = (u32, u32);

/// Which segments pass which hot pixels between their ends.
struct Passes {
    /// The hot pixel of each vertex.
    of_vertex: Vec<u32>,
    /// (segment, hot pixel) for every pass, sorted.
    inner: Vec<Pass>,
    /// (segment, hot pixel) for every pixel that a segment barely misses, sorted.
    near: Vec<Pass>,
}

fn find_passes(strands: &Strands, strips: &Strips, hot: &HotPixels) -> Passes {
    let of_vertex: Vec<AtomicU32> =
        (0..strands.vertices.len()).into_par_iter().map(|_| AtomicU32::new(u32::MAX)).collect();
    let found: Vec<[Vec<Pass>; 2]> = (0..strips.len())
        .into_par_iter()
        .map(|strip| passes_in(strands, strips.entries(strip), hot, strip, &of_vertex))
        .collect();
    let (mut inner, mut near) = (Vec::new(), Vec::new());
    for [i, n] in found {
        inner.extend(i);
        near.extend(n);
    }
    inner.par_sort_unstable();
    near.par_sort_unstable();
    Passes { of_vertex: of_vertex.into_iter().map(AtomicU32::into_inner).collect(), inner, near }
}

/// The pixels that a strip's segments enter between their ends, and those they barely miss.
fn passes_in(
    strands: &Strands,
    entries: &[super::strips::Entry],
    hot: &HotPixels,
    strip: usize,
    of_vertex: &[AtomicU32],
) -> [Vec<Pass>; 2] {
    let (mut inner, mut near) = (Vec::new(), Vec::new());
    let range = hot.range(strip);
    let mut first = range.start;
    for entry in entries {
        while first < range.end && hot.pixels[first].x < entry.west {
            first += 1;
        }
        let (a, b) = strands.segment(entry.segment);
        for id in first..range.end {
            let c = hot.pixels[id];
            if c.x > entry.east {
                break;
            }
            if !in_box(a, b, c) {
                continue;
            }
            if c == a {
                of_vertex[entry.segment as usize].store(id as u32, Ordering::Relaxed);
            } else if c == b {
                of_vertex[entry.segment as usize + 1].store(id as u32, Ordering::Relaxed);
            } else {
                match hit(a, b, c) {
                    Hit::Inside => inner.push((entry.segment, id as u32)),
                    Hit::Near => near.push((entry.segment, id as u32)),
                    Hit::Clear => {}
                }
            }
        }
    }
    [inner, near]
}

impl Passes {
    /// The strands as chains of hot pixels.
    fn chains(self, strands: &Strands, pixels: Vec<Pixel>) -> Noded {
        let room = strands.vertices.len() + self.inner.len();
        let mut noded = Noded {
            pixels,
            starts: Vec::with_capacity(strands.len() + 1),
            visits: Vec::with_capacity(room),
            segments: Vec::with_capacity(room),
        };
        noded.starts.push(0);
        let (mut inner, mut near) = (self.inner.as_slice(), self.near.as_slice());
        let mut along: Vec<u32> = Vec::new();
        for strand in 0..strands.len() {
            let range = strands.range(strand);
            let first = noded.visits.len();
            for v in range.start..range.end - 1 {
                let segment = v as u32;
                noded.visit(first, self.of_vertex[v], segment);
                along.clear();
                along.extend(take_segment(&mut inner, segment).iter().map(|p| p.1));
                let missed = take_segment(&mut near, segment);
                if along.is_empty() && missed.is_empty() {
                    continue;
                }
                sort_along(&mut along, &noded.pixels, strands.segment(segment));
                if !missed.is_empty() {
                    let ends = (self.of_vertex[v], self.of_vertex[v + 1]);
                    bend(&mut along, ends, missed, &noded.pixels);
                }
                for &id in &along {
                    noded.visit(first, id, segment);
                }
            }
            noded.visit(first, self.of_vertex[range.end - 1], range.end as u32 - 2);
            noded.starts.push(noded.visits.len() as u32);
        }
        noded
    }
}

impl Noded {
    fn visit(&mut self, first: usize, id: u32, segment: u32) {
        if self.visits.len() == first || self.visits.last() != Some(&id) {
            self.visits.push(id);
            self.segments.push(segment);
        }
    }

    /// The visits of a strand.
    pub(crate) fn range(&self, strand: usize) -> std::ops::Range<usize> {
        self.starts[strand] as usize..self.starts[strand + 1] as usize
    }
}

/// Takes the leading pairs of a segment off a sorted list.
fn take_segment<'a>(list: &mut &'a [Pass], segment: u32) -> &'a [Pass] {
    let count = list.iter().take_while(|p| p.0 == segment).count();
    let (head, tail) = list.split_at(count);
    *list = tail;
    head
}

/// Orders hot pixels along a segment; pixels abreast of each other by their id.
fn sort_along(ids: &mut [u32], pixels: &[Pixel], (a, b): (Pixel, Pixel)) {
    if ids.len() < 2 {
        return;
    }
    let (dx, dy) = (b.x as i64 - a.x as i64, b.y as i64 - a.y as i64);
    ids.sort_unstable_by_key(|&id| {
        let p = pixels[id as usize];
        ((p.x as i64 - a.x as i64) * dx + (p.y as i64 - a.y as i64) * dy, id)
    });
}

/// Bends a chain further, through pixels that the straight segment missed but the bent
/// chain enters, until there are none.
fn bend(along: &mut Vec<u32>, (from, to): (u32, u32), missed: &[Pass], pixels: &[Pixel]) {
    let at = |id: u32| pixels[id as usize];
    loop {
        let mut inserted = false;
        for &(_, id) in missed {
            let c = at(id);
            if along.contains(&id) {
                continue;
            }
            let piece = (0..=along.len()).find(|&k| {
                let a = at(if k == 0 { from } else { along[k - 1] });
                let b = at(if k == along.len() { to } else { along[k] });
                in_box(a, b, c) && hit(a, b, c) == Hit::Inside
            });
            if let Some(k) = piece {
                along.insert(k, id);
                inserted = true;
            }
        }
        if !inserted {
            return;
        }
    }
}
