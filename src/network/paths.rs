//! The ways of all edges.

use rayon::prelude::*;

use super::Edge;
use super::edges::Piece;
use super::strand::step_m;
use crate::frame::GroundPoint;

/// The way of every edge, both ends included.
pub(crate) struct Paths {
    /// The ways of [`AT_A_TIME`] edges each, laid by different threads where they are to stay.
    parts: Vec<Part>,
    edges: usize,
}

/// The ways of some edges in a row. Where an edge goes on from the one before it along their line,
/// the point between them stands in the list once for both.
struct Part {
    /// First point of each edge, and the end behind its last.
    ranges: Vec<(u32, u32)>,
    points: Vec<GroundPoint>,
}

/// Edges in a part.
const AT_A_TIME: usize = 4096;

impl Paths {
    /// The ways along the first pieces of some edges, which get their lengths.
    pub(crate) fn lay<'a, I: Iterator<Item = GroundPoint>>(
        edges: &mut [Edge],
        first: &'a [Piece],
        way: impl Fn(&'a Piece) -> I + Sync,
    ) -> Self {
        let parts = edges.par_chunks_mut(AT_A_TIME).zip(first.par_chunks(AT_A_TIME));
        let parts = parts.map(|(edges, pieces)| Part::lay(edges, pieces, &way)).collect();
        Self { parts, edges: edges.len() }
    }

    /// The way of an edge.
    #[inline]
    pub(crate) fn row(&self, edge: usize) -> &[GroundPoint] {
        let part = &self.parts[edge / AT_A_TIME];
        let (start, end) = part.ranges[edge % AT_A_TIME];
        &part.points[start as usize..end as usize]
    }

    /// How many edges there are.
    pub(crate) fn len(&self) -> usize {
        self.edges
    }

    /// All points.
    pub(crate) fn points(&self) -> impl Iterator<Item = &GroundPoint> {
        self.parts.iter().flat_map(|part| &part.points)
    }
}

impl Part {
    fn lay<'a, I: Iterator<Item = GroundPoint>>(
        edges: &mut [Edge],
        pieces: &'a [Piece],
        way: &impl Fn(&'a Piece) -> I,
    ) -> Self {
        let mut end = 0;
        let goes_on = |k: usize| k > 0 && pieces[k].from == pieces[k - 1].to;
        let range = |k: usize| {
            let start = end - u32::from(goes_on(k));
            end = start + pieces[k].visits().len() as u32;
            (start, end)
        };
        let ranges: Vec<(u32, u32)> = (0..pieces.len()).map(range).collect();
        let mut points = Vec::with_capacity(end as usize);
        for (k, edge) in edges.iter_mut().enumerate() {
            points.extend(way(&pieces[k]).skip(usize::from(goes_on(k))));
            let path = &points[ranges[k].0 as usize..];
            edge.length_m = path.windows(2).map(|w| step_m(w[0], w[1])).sum();
        }
        Self { ranges, points }
    }
}
