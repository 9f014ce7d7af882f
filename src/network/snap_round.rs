//! Noding by snap rounding on the lattice.
//!
//! After Hobby (1999), Comput. Geom. 13:199–214: every vertex and every crossing, rounded,
//! makes a hot pixel; every segment is bent through the centres of the hot pixels that it
//! enters. The result meets only at hot pixels. Unlike the published method the bending is
//! repeated until nothing changes, so that noding the result again gives the same result.
//!
//! Cost: n log n for n segments plus the number of pairs whose boxes overlap.

use std::sync::atomic::AtomicU64;

use rayon::prelude::*;

use super::NetworkError;
use super::exact::{Hit, hit, in_box};
use super::hot::HotStrip;
use super::lattice::Pixel;
use super::noded::{Manner, Noded, PIXEL_LIMIT, Pass, Visit};
use super::strand::Strands;
use super::strips::{Strips, check_pairs};

/// Nodes the strands.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn node(strands: &Strands, strips: Strips) -> Result<Noded, NetworkError> {
    let (passes, pixels) = find_passes(strands, &strips)?;
    drop(strips);
    Ok(chains(strands, &passes, pixels))
}

/// Works on every strip by itself and puts the results together: who comes to which hot pixel,
/// sorted, and the hot pixels.
fn find_passes(strands: &Strands, strips: &Strips) -> Result<(Vec<Pass>, Vec<Pixel>), NetworkError> {
    let pairs = AtomicU64::new(0);
    let found: Vec<HotStrip> = (0..strips.len())
        .into_par_iter()
        .map(|strip| HotStrip::find(strands, strips, strip, &pairs))
        .collect();
    check_pairs(pairs.into_inner())?;
    let count: usize = found.iter().map(|f| f.pixels.len()).sum();
    if count > PIXEL_LIMIT {
        return Err(NetworkError::TooManyCrossings { pairs: PIXEL_LIMIT as u64 });
    }
    let mut pixels = Vec::with_capacity(count);
    let mut passes = Vec::with_capacity(found.iter().map(|f| f.passes.len()).sum());
    for strip in found {
        let base = pixels.len() as u32;
        pixels.extend(strip.pixels);
        passes.extend(strip.passes.into_iter().map(|p| p.counted_from(base)));
    }
    passes.par_sort_unstable();
    Ok((passes, pixels))
}

/// Vertices whose strands are worked on at a time.
const AT_A_TIME: usize = 1 << 15;

/// The strands as chains of hot pixels.
fn chains(strands: &Strands, passes: &[Pass], pixels: Vec<Pixel>) -> Noded {
    let parts: Vec<Chains> = strands
        .parts(AT_A_TIME)
        .into_par_iter()
        .map(|part| {
            let first = passes.partition_point(|p| p.of() < strands.starts[part.start]);
            let mut chains = Chains::default();
            let mut left = &passes[first..];
            part.for_each(|strand| chains.add(strands, strand, &mut left, &pixels));
            chains
        })
        .collect();
    let total = parts.iter().map(|p| p.visits.len()).sum();
    let mut noded = Noded {
        pixels,
        starts: Vec::with_capacity(strands.len() + 1),
        visits: Vec::with_capacity(total),
        segments: Vec::with_capacity(total),
    };
    noded.starts.push(0);
    for part in parts {
        let base = noded.visits.len();
        noded.starts.extend(part.ends.into_iter().map(|end| base as u32 + end));
        noded.visits.extend(part.visits);
        noded.segments.extend(part.segments);
        part.tips.into_iter().for_each(|tip| noded.number(base + tip, strands));
    }
    noded
}

/// The chains of some strands in a row.
#[derive(Default)]
struct Chains {
    /// Where the visits of each strand end.
    ends: Vec<u32>,
    visits: Vec<Visit>,
    segments: Vec<u32>,
    /// The visits without a number at which a strand ends or turns back on itself: they are nodes.
    tips: Vec<usize>,
    /// The pixels along one segment.
    along: Vec<u32>,
}

impl Chains {
    /// Adds a strand and takes its passes off the sorted list.
    fn add(&mut self, strands: &Strands, strand: usize, passes: &mut &[Pass], pixels: &[Pixel]) {
        let first = self.visits.len();
        let range = strands.range(strand);
        for v in range.start as u32..range.end as u32 {
            let segment = v.min(range.end as u32 - 2);
            let (at_vertex, on_segment) = take(passes, v);
            let numbered = at_vertex.first().map(|p| Visit::to_pixel(p.pixel()));
            self.visit(first, numbered.unwrap_or(Visit::lone(v)), segment);
            if !on_segment.is_empty() {
                self.pass(strands.segment(segment), on_segment, pixels);
                for k in 0..self.along.len() {
                    self.visit(first, Visit::to_pixel(self.along[k]), segment);
                }
            }
        }
        let last = self.visits.len() - 1;
        let lone_ends = [first, last].into_iter().filter(|&k| self.visits[k].pixel().is_none());
        self.tips.extend(lone_ends);
        self.ends.push(self.visits.len() as u32);
    }

    fn visit(&mut self, first: usize, visit: Visit, segment: u32) {
        if let [.., before, last] = &self.visits[first..]
            && *before == visit
            && last.pixel().is_none()
        {
            self.tips.push(self.visits.len() - 1);
        }
        if self.visits.len() == first || self.visits.last() != Some(&visit) {
            self.visits.push(visit);
            self.segments.push(segment);
        }
    }

    /// Lists the pixels that a segment passes between its ends, in order.
    fn pass(&mut self, (a, b): (Pixel, Pixel), passes: &[Pass], pixels: &[Pixel]) {
        let inner = passes.partition_point(|p| p.manner() == Manner::Inner);
        self.along.clear();
        self.along.extend(passes[..inner].iter().map(|p| p.pixel()));
        sort_along(&mut self.along, pixels, (a, b));
        if inner < passes.len() {
            bend(&mut self.along, (a, b), &passes[inner..], pixels);
        }
    }
}

/// Takes the leading passes of a vertex and of the segment that begins there off a sorted list.
fn take<'a>(list: &mut &'a [Pass], vertex: u32) -> (&'a [Pass], &'a [Pass]) {
    let count = list.iter().take_while(|p| p.of() == vertex).count();
    let (head, tail) = list.split_at(count);
    *list = tail;
    head.split_at(head.iter().take_while(|p| p.manner() == Manner::Vertex).count())
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
fn bend(along: &mut Vec<u32>, (from, to): (Pixel, Pixel), missed: &[Pass], pixels: &[Pixel]) {
    let at = |id: u32| pixels[id as usize];
    // Each round but the last inserts one of those missed.
    for _ in 0..=missed.len() {
        let mut inserted = false;
        for id in missed.iter().map(|p| p.pixel()) {
            let c = at(id);
            if along.contains(&id) {
                continue;
            }
            let piece = (0..=along.len()).find(|&k| {
                let a = if k == 0 { from } else { at(along[k - 1]) };
                let b = if k == along.len() { to } else { at(along[k]) };
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
