//! Where strands meet: which hot pixels are nodes.

use super::snap_round::Noded;
use super::strand::Strands;

/// What is known of every hot pixel.
pub(crate) struct Meetings {
    marks: Vec<u8>,
}

/// A strand ends or turns back there, or it has more than two distinct neighbours.
const NODE: u8 = 1;
/// It is visited.
const VISITED: u8 = 2;
/// It is visited more than once, or is the tip of a spike, whose two sides coincide.
const SHARED: u8 = 4;

const NONE: u32 = u32::MAX;

impl Meetings {
    /// Finds the nodes in one pass over the visits.
    pub(crate) fn find(noded: &Noded, strands: &Strands) -> Self {
        let mut marks = vec![0_u8; noded.pixels.len()];
        // The first two distinct neighbours of each pixel.
        let mut neighbours = vec![[NONE; 2]; noded.pixels.len()];
        for strand in 0..strands.len() {
            let visits = &noded.visits[noded.range(strand)];
            if visits.len() < 2 {
                continue;
            }
            let mut before = NONE;
            for (i, &pixel) in visits.iter().enumerate() {
                let after = visits.get(i + 1).copied().unwrap_or(NONE);
                let mark = &mut marks[pixel as usize];
                *mark |= if *mark & VISITED == 0 { VISITED } else { SHARED };
                let known = &mut neighbours[pixel as usize];
                if before == after {
                    *mark |= NODE | SHARED;
                }
                if before == NONE || after == NONE || !(meets(known, before) && meets(known, after)) {
                    *mark |= NODE;
                }
                before = pixel;
            }
        }
        Self { marks }
    }

    #[inline]
    pub(crate) fn is_node(&self, pixel: u32) -> bool {
        self.marks[pixel as usize] & NODE != 0
    }

    /// Whether pieces that coincide may go through a pixel.
    #[inline]
    pub(crate) fn is_shared(&self, pixel: u32) -> bool {
        self.marks[pixel as usize] & SHARED != 0
    }

    /// Nodes that two or more strands pass through, ends not counted.
    pub(crate) fn count_crossings(&self, noded: &Noded, strands: &Strands) -> usize {
        const SEVERAL: u32 = NONE - 1;
        let mut passed_by = vec![NONE; noded.pixels.len()];
        let mut crossings = 0;
        for strand in 0..strands.len() {
            let range = noded.range(strand);
            let inside = noded.visits.get(range.start + 1..range.end.saturating_sub(1)).unwrap_or_default();
            for &pixel in inside.iter().filter(|&&p| self.is_shared(p) && self.is_node(p)) {
                let by = &mut passed_by[pixel as usize];
                if *by == NONE {
                    *by = strand as u32;
                } else if *by != SEVERAL && *by != strand as u32 {
                    *by = SEVERAL;
                    crossings += 1;
                }
            }
        }
        crossings
    }
}

/// Whether a neighbour is among the two known, or there is room to note it.
#[inline]
fn meets(known: &mut [u32; 2], neighbour: u32) -> bool {
    for slot in known {
        if *slot == NONE {
            *slot = neighbour;
        }
        if *slot == neighbour {
            return true;
        }
    }
    false
}
