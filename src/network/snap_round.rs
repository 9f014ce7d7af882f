//! Noding by snap rounding on the lattice.
//!
//! After Hobby (1999), Comput. Geom. 13:199–214: every vertex and every crossing, rounded,
//! makes a hot pixel; every segment is bent through the centres of the hot pixels that it
//! enters. The result meets only at hot pixels. Unlike the published method the bending is
//! repeated until nothing changes, so that noding the result again gives the same result.
//!
//! Cost: n log n for n segments plus the number of pairs whose boxes overlap.

use std::sync::atomic::{AtomicU32, AtomicU64};

use rayon::prelude::*;

use super::NetworkError;
use super::exact::{Hit, hit, in_box};
use super::hot::{HotStrip, Pass};
use super::lattice::Pixel;
use super::strand::Strands;
use super::strips::{Strips, check_pairs};

/// Lines as chains of hot pixels.
pub(crate) struct Noded {
    /// The hot pixels, each once; the position is the pixel's id. By strip, then x, then y.
    pub pixels: Vec<Pixel>,
    /// First visit of each strand, and the visit count at the end.
    pub starts: Vec<u32>,
    /// The pixel ids that the strands visit, no two in a row the same.
    pub visits: Vec<u32>,
    /// For each visit a segment of the strand that enters the pixel.
    pub segments: Vec<u32>,
}

/// Nodes the strands.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn node(strands: &Strands) -> Result<Noded, NetworkError> {
    let (passes, pixels) = find_passes(strands)?;
    Ok(passes.chains(strands, pixels))
}

/// Which segments pass which hot pixels.
struct Passes {
    /// The hot pixel of each vertex.
    of_vertex: Vec<u32>,
    /// (segment, hot pixel) for every pass between the segment's ends, sorted.
    inner: Vec<Pass>,
    /// (segment, hot pixel) for every pixel that a segment barely misses, sorted.
    near: Vec<Pass>,
}

/// Works on every strip by itself and puts the results together; also gives the hot pixels.
fn find_passes(strands: &Strands) -> Result<(Passes, Vec<Pixel>), NetworkError> {
    let strips = Strips::new(strands);
    let pairs = AtomicU64::new(0);
    let of_vertex: Vec<AtomicU32> =
        (0..strands.vertices.len()).into_par_iter().map(|_| AtomicU32::new(u32::MAX)).collect();
    let found: Vec<HotStrip> = (0..strips.len())
        .into_par_iter()
        .map(|strip| HotStrip::find(strands, &strips, strip, &pairs, &of_vertex))
        .collect();
    check_pairs(pairs.into_inner())?;
    let total = |count: fn(&HotStrip) -> usize| found.iter().map(count).sum();
    let mut pixels = Vec::with_capacity(total(|f| f.pixels.len()));
    let (mut inner, mut near) =
        (Vec::with_capacity(total(|f| f.inner.len())), Vec::with_capacity(total(|f| f.near.len())));
    let mut bases = Vec::with_capacity(found.len());
    for strip in found {
        let base = pixels.len() as u32;
        bases.push(base);
        pixels.extend(strip.pixels);
        inner.extend(strip.inner.into_iter().map(|(s, id)| (s, base + id)));
        near.extend(strip.near.into_iter().map(|(s, id)| (s, base + id)));
    }
    inner.par_sort_unstable();
    near.par_sort_unstable();
    let of_vertex = of_vertex
        .into_par_iter()
        .zip(&strands.vertices)
        .map(|(id, v)| bases[strips.of_row(v.y as i64)] + id.into_inner())
        .collect();
    Ok((Passes { of_vertex, inner, near }, pixels))
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

/// Orders hot pixels along a segment; pixels abreast of each other from west to east.
fn sort_along(ids: &mut [u32], pixels: &[Pixel], (a, b): (Pixel, Pixel)) {
    if ids.len() < 2 {
        return;
    }
    let (dx, dy) = (b.x as i64 - a.x as i64, b.y as i64 - a.y as i64);
    ids.sort_unstable_by_key(|&id| {
        let p = pixels[id as usize];
        ((p.x as i64 - a.x as i64) * dx + (p.y as i64 - a.y as i64) * dy, p)
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
