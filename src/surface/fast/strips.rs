//! Points put in order of rows, block by block, so that rows can be worked on in parallel
//! without locks and always in the same order.

use std::ops::Range;

use pulp::Arch;
use rayon::prelude::*;

/// Points in a block: few enough that sorting one stays in cache.
const BLOCK: usize = 1 << 14;
/// Mark of a point that is left out.
const NOWHERE: u32 = u32::MAX;

/// Strips of rows, each with copies of the points whose first row lies in it. A strip so
/// reads its points in one run a block; picking them out of the input costs three times as
/// much.
pub(super) struct Strips<T> {
    blocks: Vec<Block<T>>,
}

/// Part of the input, by strip.
struct Block<T> {
    /// Where each strip begins; one more at the end.
    begins: Vec<u32>,
    points: Vec<T>,
}

impl<T: Copy + Send + Sync> Strips<T> {
    /// Sorts points into `count` strips by a function that gives the strip of a point, or
    /// `None` to leave it out. Two passes over the points.
    pub fn new(points: &[T], count: usize, strip_of: impl Fn(&T) -> Option<usize> + Sync) -> Self {
        let arch = Arch::new();
        let sort = |block: &[T]| {
            let mut strips = vec![NOWHERE; block.len()];
            arch.dispatch(|| {
                for (strip, point) in strips.iter_mut().zip(block) {
                    *strip = strip_of(point).map_or(NOWHERE, |strip| strip as u32);
                }
            });
            Block::sorted(block, &strips, count)
        };
        Self { blocks: points.par_chunks(BLOCK).map(sort).collect() }
    }

    /// Points of some strips: block by block as they came, within a block strip by strip.
    pub fn of(&self, strips: Range<usize>) -> impl Iterator<Item = &[T]> + '_ {
        self.blocks.iter().map(move |block| block.of(strips.clone()))
    }
}

impl<T: Copy> Block<T> {
    /// Counts, then places.
    fn sorted(points: &[T], strips: &[u32], count: usize) -> Self {
        let placed = || strips.iter().zip(points).filter(|(strip, _)| **strip != NOWHERE);
        let mut begins = vec![0_u32; count + 1];
        placed().for_each(|(&strip, _)| begins[strip as usize + 1] += 1);
        for strip in 0..count {
            begins[strip + 1] += begins[strip];
        }
        let mut next = begins.clone();
        // Every place is written over.
        let mut sorted = points[..begins[count] as usize].to_vec();
        for (&strip, &point) in placed() {
            let slot = &mut next[strip as usize];
            sorted[*slot as usize] = point;
            *slot += 1;
        }
        Self { begins, points: sorted }
    }

    fn of(&self, strips: Range<usize>) -> &[T] {
        match (self.begins.get(strips.start), self.begins.get(strips.end)) {
            (Some(&from), Some(&to)) => &self.points[from as usize..to as usize],
            _ => &[],
        }
    }
}
