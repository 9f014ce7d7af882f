//! Line ends that almost meet another line, and ends that overshoot one.

use super::KindSet;
use super::lattice::{Lattice, Pixel};
use super::strand::{Strand, Strands};
use super::strips::Strips;
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
    /// All near misses, in the order of the strands, starts before ends; last those that merging
    /// passes made.
    pub near_misses: Vec<NearMiss>,
    /// The lattice points of the ends that have a gap, sorted.
    pub ends: Vec<Pixel>,
    /// The ends to cut: strand and whether it is its last vertex.
    pub overshoots: Vec<Overshoot>,
    /// The strand that ends short, and both ends of the connector, of every gap to close.
    pub connectors: Vec<(usize, Pixel, Pixel)>,
}

/// An end that runs past another line.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) struct Overshoot {
    pub strand: usize,
    pub last: bool,
    /// Its entry in the list of near misses.
    pub near_miss: usize,
}

impl Gaps {
    /// Adds the connectors to the strands and their strips, each of the kind and on the level of the
    /// line that ended short.
    pub(crate) fn connect(&self, strands: &mut Strands, strips: &mut Strips, lattice: &Lattice) {
        let first = strands.len();
        for &(strand, end, foot) in &self.connectors {
            let Strand { kind, level, .. } = strands.strands[strand];
            let connector = Strand { kind, kinds: KindSet::of(kind), level };
            strands.push(lattice, connector, &[], &[lattice.ground(end), lattice.ground(foot)]);
        }
        strips.add_strands(strands, first);
    }
}
