//! Line ends that almost meet another line, and ends that overshoot one.

use std::collections::HashSet;

use super::gap_search::{Found, Search};
use super::lattice::{Lattice, Pixel};
use super::strand::{Strand, Strands};
use super::strips::Strips;
use super::{KindSet, NetworkError};
use crate::frame::GroundPoint;

/// What is amiss at a line end.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum NearMissKind {
    /// The end stops short of another line.
    Gap,
    /// The end runs past another line by no more than the snap distance.
    Overshoot,
}

impl NearMissKind {
    /// The word used in files.
    pub fn word(self) -> &'static str {
        match self {
            NearMissKind::Gap => "gap",
            NearMissKind::Overshoot => "overshoot",
        }
    }
}

/// A line end that almost meets another line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct NearMiss {
    /// What is amiss.
    pub kind: NearMissKind,
    /// The line end.
    pub at: GroundPoint,
    /// The place on the other line.
    pub foot: GroundPoint,
    /// Frame metres between the two, measured before rounding.
    pub gap_m: f64,
    /// Whether the gap was closed, or the overshoot cut.
    pub closed: bool,
    /// Index of the input line that ends.
    pub line: u32,
    /// Index of the input line that it almost meets.
    pub other: u32,
}

/// Distances that differ by less are equal: coordinates in metres carry about nine decimals.
pub(crate) const ROUND_OFF_M: f64 = 1e-6;

/// What was found at the line ends.
#[derive(Default)]
pub(crate) struct Gaps {
    /// All near misses, in the order of the strands, starts before ends.
    pub near_misses: Vec<NearMiss>,
    /// The lattice points of the ends that have a gap, sorted.
    pub ends: Vec<Pixel>,
    /// The ends to cut: strand and whether it is its last vertex.
    pub overshoots: Vec<Overshoot>,
    /// Line end and foot of every gap to close.
    connectors: Vec<(usize, Pixel, Pixel)>,
}

/// An end that runs past another line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Overshoot {
    pub strand: usize,
    pub last: bool,
    /// Its entry in the list of near misses.
    pub near_miss: usize,
}

/// Looks at every strand end for another line within three times `snap_m` and decides what
/// to do: nothing where the end touches a line already or none is near; a connector to the
/// nearest foot where that is within `snap_m`; a cut where the end has just crossed the
/// line that is nearest.
///
/// Nothing but line ends is ever joined, and no vertex is moved: lines that merely run
/// close together stay apart.
///
/// Cost: n log n for n ends plus the segments near each.
///
/// # Errors
/// [`NetworkError::TooManyCrossings`].
pub(crate) fn find_gaps(
    strands: &Strands,
    strips: &Strips,
    lattice: &Lattice,
    snap_m: f64,
) -> Result<Gaps, NetworkError> {
    let mut gaps = Gaps::default();
    let mut seen = HashSet::new();
    for found in Search::new(strands, strips, lattice, snap_m).run()? {
        gaps.add(strands, found, &mut seen);
    }
    gaps.ends.sort_unstable();
    gaps.ends.dedup();
    Ok(gaps)
}

impl Gaps {
    fn add(&mut self, strands: &Strands, found: Found, seen: &mut HashSet<(Pixel, Pixel)>) {
        let line = |strand: usize| strands.lines_on(strand).first().copied().unwrap_or(u32::MAX);
        if found.near_miss.kind == NearMissKind::Overshoot {
            let near_miss = self.near_misses.len();
            self.overshoots.push(Overshoot { strand: found.strand, last: found.last, near_miss });
        } else {
            self.ends.push(found.end);
            // Two ends that face each other find each other: one gap.
            if !seen.insert((found.end.min(found.foot), found.end.max(found.foot))) {
                return;
            }
            if found.near_miss.closed {
                self.connectors.push((found.strand, found.end, found.foot));
            }
        }
        self.near_misses.push(NearMiss {
            line: line(found.strand),
            other: line(found.other),
            ..found.near_miss
        });
    }

    /// Adds the connectors to the strands and their strips, each of the kind of the line that ended
    /// short.
    pub(crate) fn connect(&self, strands: &mut Strands, strips: &mut Strips, lattice: &Lattice) {
        let first = strands.len();
        for &(strand, end, foot) in &self.connectors {
            let kind = strands.strands[strand].kind;
            let connector = Strand { kind, kinds: KindSet::of(kind), level: 0 };
            strands.push(lattice, connector, &[], &[lattice.ground(end), lattice.ground(foot)]);
        }
        strips.add_strands(strands, first);
    }
}
