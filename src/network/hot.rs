//! The hot pixels of one strip, and which segments pass them.

use std::sync::atomic::{AtomicU32, AtomicU64, Ordering};

use super::exact::{Hit, crossing, hit, in_box};
use super::lattice::Pixel;
use super::strand::Strands;
use super::strips::{PAIR_LIMIT, Strips, Swept, ordered, reaches};

/// A segment and the number of a hot pixel.
pub(crate) type Pass = (u32, u32);

/// What one strip holds. Hot pixels are numbered within the strip.
#[derive(Default)]
pub(crate) struct HotStrip {
    /// The hot pixels whose row is in the strip, by x, then y; each once.
    pub pixels: Vec<Pixel>,
    /// The pixels that segments enter between their ends.
    pub inner: Vec<Pass>,
    /// The pixels that segments barely miss.
    pub near: Vec<Pass>,
}

/// Most crossings kept at a time in one strip before repeated ones are dropped.
const CROSSINGS_KEPT: usize = 1 << 22;

impl HotStrip {
    /// Finds the crossings and vertices in a strip and the segments that pass them. Adds the pairs
    /// of segments it looks at to `pairs`, and gives up where they exceed the limit. Puts the
    /// number of the hot pixel of every vertex in the strip in `of_vertex`.
    pub(crate) fn find(
        strands: &Strands,
        strips: &Strips,
        strip: usize,
        pairs: &AtomicU64,
        of_vertex: &[AtomicU32],
    ) -> Self {
        let swept = strips.sweep(strands, strip);
        let reaches = reaches(&swept);
        let own: u64 = reaches.iter().enumerate().map(|(i, &to)| to as u64 - i as u64 - 1).sum();
        if pairs.fetch_add(own, Ordering::Relaxed) + own > PAIR_LIMIT {
            return Self::default();
        }
        let mut hot = vertices_in(strands, strips, strip);
        hot.extend(crossings_in(&swept, &reaches, strips, strip));
        let mut found = Self { pixels: unique(hot), ..Self::default() };
        found.find_passes(&swept, of_vertex);
        found
    }

    fn find_passes(&mut self, swept: &[Swept], of_vertex: &[AtomicU32]) {
        let mut first = 0;
        for s in swept {
            while first < self.pixels.len() && self.pixels[first].x < s.west {
                first += 1;
            }
            let beside = self.pixels[first..].iter().take_while(|c| c.x <= s.east);
            for (id, &c) in (first as u32..).zip(beside) {
                if !in_box(s.a, s.b, c) {
                    continue;
                }
                if c == s.a {
                    of_vertex[s.segment as usize].store(id, Ordering::Relaxed);
                } else if c == s.b {
                    of_vertex[s.segment as usize + 1].store(id, Ordering::Relaxed);
                } else {
                    match hit(s.a, s.b, c) {
                        Hit::Inside => self.inner.push((s.segment, id)),
                        Hit::Near => self.near.push((s.segment, id)),
                        Hit::Clear => {}
                    }
                }
            }
        }
    }
}

/// The vertices whose row is in a strip: the first of every segment, and the last of every strand.
fn vertices_in(strands: &Strands, strips: &Strips, strip: usize) -> Vec<Pixel> {
    let segments = strips.segments(strip);
    let mut found = Vec::with_capacity(segments.len() * 5 / 4);
    let mut add = |p: Pixel| {
        if strips.of_row(p.y as i64) == strip {
            found.push(p);
        }
    };
    for (k, &segment) in segments.iter().enumerate() {
        let (a, b) = strands.segment(segment);
        add(a);
        if segments.get(k + 1) != Some(&(segment + 1)) {
            add(b);
        }
    }
    found
}

/// Every crossing interior to two segments whose rounded row is in the strip. Both segments meet
/// the strip of that row, so each crossing is found once.
fn crossings_in(swept: &[Swept], reaches: &[u32], strips: &Strips, strip: usize) -> Vec<Pixel> {
    let mut found = Vec::new();
    for (i, first) in swept.iter().enumerate() {
        let (south, north) = first.rows();
        for second in &swept[i + 1..reaches[i] as usize] {
            let (low, high) = second.rows();
            if low > north || high < south {
                continue;
            }
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
    keys.sort_unstable();
    keys.dedup();
    let pixel = |key: u64| Pixel::new(ordered((key >> 32) as i32) as i32, ordered(key as i32) as i32);
    keys.into_iter().map(pixel).collect()
}
