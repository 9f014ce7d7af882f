//! Where strands meet: which hot pixels are nodes.

use std::ops::Range;

use rayon::prelude::*;

use super::noded::{Noded, Visit};
use super::strand::Strands;

/// What is known of every hot pixel that has a number. The others are no nodes.
pub(crate) struct Meetings {
    marks: Vec<u8>,
    /// How many nodes two or more strands pass through, ends not counted.
    pub crossings: usize,
}

/// A strand ends or turns back there, or it has more than two distinct neighbours.
const NODE: u8 = 1;
/// A neighbour is met there twice, or there are too many to tell.
const DOUBLED: u8 = 2;

impl Meetings {
    /// Finds the nodes in one pass over the visits.
    pub(crate) fn find(noded: &Noded, strands: &Strands) -> Self {
        // Every thread looks at all visits, but only after its share of the pixels: the visits are
        // read in order and fast, the pixels are not.
        let share = noded.pixels.len().div_ceil(rayon::current_num_threads()).max(1);
        let shares: Vec<Range<usize>> = (0..noded.pixels.len())
            .step_by(share)
            .map(|from| from..(from + share).min(noded.pixels.len()))
            .collect();
        let found: Vec<(Vec<u8>, usize)> =
            shares.into_par_iter().map(|share| meetings_of(noded, strands, share)).collect();
        let mut meetings = Self { marks: Vec::with_capacity(noded.pixels.len()), crossings: 0 };
        for (marks, crossings) in found {
            meetings.marks.extend(marks);
            meetings.crossings += crossings;
        }
        meetings
    }

    #[inline]
    pub(crate) fn is_node(&self, visit: Visit) -> bool {
        self.has(visit, NODE)
    }

    /// Whether pieces that coincide may lead to this place.
    #[inline]
    pub(crate) fn is_doubled(&self, visit: Visit) -> bool {
        self.has(visit, DOUBLED)
    }

    #[inline]
    fn has(&self, visit: Visit, mark: u8) -> bool {
        visit.pixel().is_some_and(|pixel| self.marks[pixel as usize] & mark != 0)
    }
}

/// The marks of some hot pixels, and how many of them are nodes that several strands pass.
fn meetings_of(noded: &Noded, strands: &Strands, pixels: Range<usize>) -> (Vec<u8>, usize) {
    let mut found = vec![Meeting::BLANK; pixels.len()];
    for strand in 0..strands.len() {
        let visits = &noded.visits[noded.range(strand)];
        if visits.len() < 2 {
            continue;
        }
        for (i, &visit) in visits.iter().enumerate() {
            let own = visit.pixel().and_then(|p| found.get_mut((p as usize).wrapping_sub(pixels.start)));
            let Some(meeting) = own else { continue };
            let before = if i == 0 { Visit::NONE } else { visits[i - 1] };
            let after = visits.get(i + 1).copied().unwrap_or(Visit::NONE);
            meeting.add(before, after, strand as u32);
        }
    }
    let crossings = found.iter().filter(|m| m.marks & NODE != 0 && m.passed_by == SEVERAL).count();
    (found.into_iter().map(|m| m.marks).collect(), crossings)
}

/// What is known of one hot pixel while visits are counted.
#[derive(Clone, Copy)]
struct Meeting {
    /// The first distinct neighbours; a plain crossing has four.
    neighbours: [Visit; 4],
    /// The strand that passes through, [`NOBODY`] or [`SEVERAL`].
    passed_by: u32,
    marks: u8,
}

const NOBODY: u32 = u32::MAX;
const SEVERAL: u32 = u32::MAX - 1;

impl Meeting {
    const BLANK: Meeting = Meeting { neighbours: [Visit::NONE; 4], passed_by: NOBODY, marks: 0 };

    /// Counts a visit on the way from one neighbour to another; no neighbour where a strand ends.
    #[inline]
    fn add(&mut self, before: Visit, after: Visit, strand: u32) {
        if before == Visit::NONE || after == Visit::NONE {
            self.marks |= NODE;
        } else if self.passed_by == NOBODY {
            self.passed_by = strand;
        } else if self.passed_by != strand {
            self.passed_by = SEVERAL;
        }
        if before == after {
            self.marks |= NODE;
        }
        self.meet(before);
        self.meet(after);
    }

    #[inline]
    fn meet(&mut self, neighbour: Visit) {
        if neighbour == Visit::NONE {
            return;
        }
        for (k, slot) in self.neighbours.iter_mut().enumerate() {
            if *slot == Visit::NONE {
                *slot = neighbour;
                self.marks |= if k >= 2 { NODE } else { 0 };
                return;
            }
            if *slot == neighbour {
                self.marks |= DOUBLED;
                return;
            }
        }
        self.marks |= DOUBLED;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::network::lattice::{Lattice, Pixel};
    use crate::network::strand::Strands;
    use crate::network::tests::tracks;

    /// What is known of ten hot pixels that strands visit in the order given, and the crossings.
    fn met(strands: &[&[u32]]) -> (String, usize) {
        // The strands themselves play no part but their number.
        let lines = tracks(&vec![vec![(0.0, 0.0), (1.0, 1.0)]; strands.len()]);
        let extent = crate::network::lattice::Extent::of(&lines[0].ground);
        let set = Strands::from_lines(&Lattice::covering(0.01, extent).unwrap(), &lines, true, false);
        let mut noded = Noded { pixels: vec![Pixel::default(); 10], starts: vec![0], ..Noded::default() };
        for pixels in strands {
            noded
                .visits
                .extend(pixels.iter().map(|&p| if p < 10 { Visit::to_pixel(p) } else { Visit::lone(p) }));
            noded.starts.push(noded.visits.len() as u32);
        }
        let meetings = Meetings::find(&noded, &set);
        let sign = |p: u32| {
            let visit = Visit::to_pixel(p);
            match (meetings.is_node(visit), meetings.is_doubled(visit)) {
                (false, false) => '.',
                (true, false) => 'n',
                (false, true) => 'd',
                (true, true) => 'b',
            }
        };
        assert!(!meetings.is_node(Visit::lone(3)) && !meetings.is_doubled(Visit::lone(3)));
        ((0..10).map(sign).collect(), meetings.crossings)
    }

    #[test]
    fn ends_are_nodes_and_what_lies_between_is_none() {
        assert_eq!(met(&[&[0, 1, 2, 3]]), ("n..n......".into(), 0));
        assert_eq!(met(&[&[2, 50, 4]]), ("..n.n.....".into(), 0), "one between has no number");
        assert_eq!(met(&[&[5]]), ("..........".into(), 0), "no piece");
    }

    #[test]
    fn more_than_two_neighbours_make_a_node_and_two_strands_through_it_a_crossing() {
        assert_eq!(met(&[&[0, 5, 1], &[2, 5, 3]]), ("nnnn.n....".into(), 1));
        assert_eq!(met(&[&[0, 5, 1], &[2, 5]]), ("nnn..n....".into(), 0), "one ends there");
        assert_eq!(
            met(&[&[0, 5, 1], &[2, 5, 3], &[4, 5, 6]]),
            ("nnnnnbn...".into(), 1),
            "six are too many to tell"
        );
        assert_eq!(met(&[&[0, 5, 1, 2, 5, 3]]), ("n..n.n....".into(), 0), "a strand through itself");
        assert_eq!(met(&[&[0, 5, 1], &[2, 5, 3], &[4, 6, 7], &[8, 6, 9]]).1, 2);
    }

    #[test]
    fn neighbours_met_twice_show_where_pieces_may_coincide() {
        // Two along 1, 2, 3; they part at 1 and 3.
        assert_eq!(met(&[&[0, 1, 2, 3, 4], &[5, 1, 2, 3, 6]]), ("nbdbnnn...".into(), 2));
        // Against each other.
        assert_eq!(met(&[&[0, 1, 2], &[2, 1, 0]]), ("bdb.......".into(), 0));
        // Out and back: it turns at 2.
        assert_eq!(met(&[&[0, 1, 2, 1, 0]]), ("bdb.......".into(), 0));
    }
}
