//! Edges cut into pieces for output.

use super::{AlongError, EdgePoint, LineGraph, LineKernel, LineSmoother, Source};
use crate::frame::GroundPoint;

/// Pieces shorter than this share of σ are as good as points.
const SHORT: f64 = 0.005;

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
    /// over the piece by its length, so that the sum of density times length is the mass. A
    /// piece shorter than σ/200 has, under equal splits, the mean of its ends: the error of a
    /// mass would be large by so short a length.
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
        let least_m = match kernel {
            LineKernel::Heat { .. } => 0.0,
            LineKernel::Split(split) => SHORT * split.sigma_m,
        };
        let mean = |(index, piece): (usize, &Piece)| match piece.length_m() {
            short_m if short_m < least_m => 0.5 * (field.per_m[2 * index] + field.per_m[2 * index + 1]),
            length_m => field.mass_between(2 * index, 2 * index + 1) / length_m,
        };
        Ok(self.0.iter().enumerate().map(mean).collect())
    }
}

/// The part of a path between two distances from its start, in metres, `from_m` below
/// `to_m`; at least two points for a path that has as many.
pub fn path_between(path: &[GroundPoint], from_m: f64, to_m: f64) -> Vec<GroundPoint> {
    let (mut part, mut start_m) = (Vec::new(), 0.0);
    for pair in path.windows(2) {
        let step_m = pair[0].distance_m(pair[1]);
        let at = |along_m: f64| pair[0].lerp(pair[1], ((along_m - start_m) / step_m).clamp(0.0, 1.0));
        let end_m = start_m + step_m;
        if step_m > 0.0 && end_m > from_m && start_m < to_m {
            if part.is_empty() {
                part.push(at(from_m));
            }
            part.push(at(to_m));
        }
        start_m = end_m;
    }
    part
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parts_of_a_path_keep_its_vertices() {
        let path = [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (20.0, 10.0)].map(|(x, y)| GroundPoint::new(x, y));
        let between = |from_m, to_m| -> Vec<(f64, f64)> {
            path_between(&path, from_m, to_m).iter().map(|p| (p.x_m, p.y_m)).collect()
        };
        assert_eq!(between(0.0, 30.0), [(0.0, 0.0), (10.0, 0.0), (10.0, 10.0), (20.0, 10.0)]);
        assert_eq!(between(2.0, 5.0), [(2.0, 0.0), (5.0, 0.0)]);
        assert_eq!(between(10.0, 15.0), [(10.0, 0.0), (10.0, 5.0)]);
        assert_eq!(between(5.0, 25.0), [(5.0, 0.0), (10.0, 0.0), (10.0, 10.0), (15.0, 10.0)]);
    }
}
