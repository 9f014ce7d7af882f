//! What building the network did.

use super::MergedPass;
use crate::frame::GroundPoint;

/// What building the network did, besides what its parts show.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Report {
    /// How many input lines there were.
    pub lines: usize,
    /// Indices of input lines too short for the lattice; they carry no edge.
    pub vanished: Vec<u32>,
    /// The stretches that were merged with a longer line as passes of one track, by line.
    pub merged: Vec<MergedPass>,
    /// How many places two or more lines pass through, those at different levels included.
    pub crossings: usize,
    /// Places at which lines on different levels pass without joining.
    pub parted: Vec<GroundPoint>,
    /// Metres of line cut off as overshoots.
    pub cut_m: f64,
    /// The step of the lattice in metres.
    pub lattice_step_m: f64,
    /// Gaps within the snap distance that the finished network does not join, though they were to be
    /// closed; their near misses are not called closed.
    pub unjoined: usize,
}

impl Report {
    /// Whether a line took part in a merge, so that its way is now that of a centre line.
    pub fn is_merged(&self, line: u32) -> bool {
        self.merged.iter().any(|m| m.line == line || m.into == line)
    }
}
