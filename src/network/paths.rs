//! The ways of all edges, in one list.

use super::edges::Piece;
use crate::frame::GroundPoint;

/// Row `k` is the way of edge `k`, both ends included. Where an edge goes on from the one before
/// it along their line, the point between them stands in the list once for both.
pub(crate) struct Paths {
    /// First point of each row, and the end behind its last.
    ranges: Vec<(u32, u32)>,
    points: Vec<GroundPoint>,
}

impl Paths {
    /// Room for the ways along some pieces of line, in the order of the lines.
    pub(crate) fn blank(pieces: &[Piece]) -> Self {
        let (mut before, mut end) = (None, 0);
        let range = |piece: &Piece| {
            let start = end - u32::from(piece.goes_on_from(before));
            (before, end) = (Some(piece.to), start + piece.visits().len() as u32);
            (start, end)
        };
        let ranges = pieces.iter().map(range).collect();
        Self { ranges, points: vec![GroundPoint::new(0.0, 0.0); end as usize] }
    }

    /// The points of so many rows at a time; the first of a row that goes on from the one before it
    /// is that one's.
    pub(crate) fn parts_mut(&mut self, rows: usize) -> Vec<&mut [GroundPoint]> {
        let (mut left, mut from) = (self.points.as_mut_slice(), 0);
        let mut parts = Vec::with_capacity(self.ranges.len().div_ceil(rows));
        for part in self.ranges.chunks(rows) {
            let end = part[part.len() - 1].1 as usize;
            let (part, later) = left.split_at_mut(end - from);
            parts.push(part);
            (left, from) = (later, end);
        }
        parts
    }

    /// The way of an edge.
    #[inline]
    pub(crate) fn row(&self, edge: usize) -> &[GroundPoint] {
        let (start, end) = self.ranges[edge];
        &self.points[start as usize..end as usize]
    }

    /// How many edges there are.
    pub(crate) fn len(&self) -> usize {
        self.ranges.len()
    }

    /// All points.
    pub(crate) fn points(&self) -> &[GroundPoint] {
        &self.points
    }
}
