//! Edges cut into pieces for output.

use super::{AlongError, EdgePoint, LineGraph, LineKernel, LineSmoother, Source};

/// A piece of an edge.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Piece {
    /// The edge.
    pub edge: u32,
    /// Where it begins, in metres along the edge.
    pub from_m: f64,
    /// Where it ends.
    pub to_m: f64,
}

impl Piece {
    /// Length in metres.
    pub fn length_m(self) -> f64 {
        self.to_m - self.from_m
    }

    /// Its middle.
    pub fn middle(self) -> EdgePoint {
        EdgePoint { edge: self.edge, along_m: 0.5 * (self.from_m + self.to_m) }
    }
}

/// The pieces of a network, by edge and along each.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Pieces(Vec<Piece>);

impl Pieces {
    /// Cuts the edges that are wanted into equal pieces of at most `length_m`, which is
    /// positive.
    pub fn cut(graph: &LineGraph, length_m: f64, wanted: impl Fn(u32) -> bool) -> Self {
        let mut pieces = Vec::new();
        for (edge, index) in graph.edges().iter().zip(0..).filter(|(_, index)| wanted(*index)) {
            let count = (edge.length_m / length_m).ceil().max(1.0) as usize;
            let at = |i: usize| edge.length_m * i as f64 / count as f64;
            pieces.extend((0..count).map(|i| Piece { edge: index, from_m: at(i), to_m: at(i + 1) }));
        }
        Self(pieces)
    }

    /// The pieces.
    pub fn as_slice(&self) -> &[Piece] {
        &self.0
    }

    /// The mean density of weighted points over each piece, per metre: the exact integral
    /// over the piece by its length, so that the sum of density times length is the mass.
    ///
    /// # Errors
    /// As [`LineSmoother::density`].
    pub fn mean_density(
        &self,
        smoother: &LineSmoother,
        kernel: LineKernel,
        points: &[Source],
    ) -> Result<Vec<f64>, AlongError> {
        let ends: Vec<EdgePoint> = self
            .0
            .iter()
            .flat_map(|piece| {
                [piece.from_m, piece.to_m].map(|along_m| EdgePoint { edge: piece.edge, along_m })
            })
            .collect();
        let field = smoother.density(kernel, points, &ends)?;
        let mean =
            |(index, piece): (usize, &Piece)| field.mass_between(2 * index, 2 * index + 1) / piece.length_m();
        Ok(self.0.iter().enumerate().map(mean).collect())
    }
}
