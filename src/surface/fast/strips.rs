//! Points put in order of rows, block by block, so that rows can be worked on in parallel
//! without locks and always in the same order.

use rayon::prelude::*;

/// Points in a block: their places in it fit 16 bits.
const BLOCK: usize = 1 << 16;

/// Strips of rows, each with the points whose first row lies in it.
pub(super) struct Strips<'a, T> {
    points: &'a [T],
    /// For each block of points, where each strip begins, and the places of its points.
    blocks: Vec<(Vec<u32>, Vec<u16>)>,
    count: usize,
}

impl<'a, T: Sync> Strips<'a, T> {
    /// Sorts points into `count` strips by a function that gives the strip of a point, or
    /// `None` to leave it out. Two passes over each block.
    pub fn new(points: &'a [T], count: usize, strip_of: impl Fn(&T) -> Option<usize> + Sync) -> Self {
        let sort_block = |block: &[T]| {
            let strips: Vec<u32> =
                block.iter().map(|p| strip_of(p).map_or(u32::MAX, |strip| strip as u32)).collect();
            let mut begins = vec![0_u32; count + 1];
            for &strip in strips.iter().filter(|&&strip| strip != u32::MAX) {
                begins[strip as usize + 1] += 1;
            }
            for strip in 0..count {
                begins[strip + 1] += begins[strip];
            }
            let mut next = begins.clone();
            let mut places = vec![0_u16; begins[count] as usize];
            for (place, &strip) in strips.iter().enumerate().filter(|(_, strip)| **strip != u32::MAX) {
                let slot = &mut next[strip as usize];
                places[*slot as usize] = place as u16;
                *slot += 1;
            }
            (begins, places)
        };
        Self { points, blocks: points.par_chunks(BLOCK).map(sort_block).collect(), count }
    }

    /// Points of one strip, in the order of the input.
    pub fn of(&self, strip: usize) -> impl Iterator<Item = &'a T> + '_ {
        let inside = strip < self.count;
        self.blocks.iter().zip(self.points.chunks(BLOCK)).filter(move |_| inside).flat_map(
            move |((begins, places), block)| {
                places[begins[strip] as usize..begins[strip + 1] as usize]
                    .iter()
                    .map(move |&place| &block[place as usize])
            },
        )
    }
}
