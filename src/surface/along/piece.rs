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

    fn graph() -> LineGraph {
        let edge = |from, to, length_m| super::super::GraphEdge { from, to, length_m };
        LineGraph::new(3, vec![edge(0, 1, 100.0), edge(1, 2, 45.0), edge(0, 2, 10.0)]).unwrap()
    }

    #[test]
    fn edges_are_cut_into_equal_pieces() {
        let pieces = Pieces::cut(&graph(), 20.0, |edge| edge != 2);
        let ends: Vec<_> = pieces.as_slice().iter().map(|p| (p.edge, p.from_m, p.to_m)).collect();
        let first = (0..5).map(|k| (0, 20.0 * f64::from(k), 20.0 * f64::from(k + 1)));
        let second = (0..3).map(|k| (1, 15.0 * f64::from(k), 15.0 * f64::from(k + 1)));
        assert_eq!(ends, first.chain(second).collect::<Vec<_>>());
        assert_eq!(Pieces::cut(&graph(), 1e9, |_| true).as_slice().len(), 3);
        let piece = Piece { edge: 4, from_m: 30.0, to_m: 42.0 };
        assert_eq!((piece.length_m(), piece.middle()), (12.0, EdgePoint { edge: 4, along_m: 36.0 }));
    }

    /// Density times length is the mass; a piece of next to no length has the mean of its ends.
    #[test]
    fn mean_densities_hold_the_mass() {
        use crate::surface::Kernel;
        use crate::surface::along::SplitRule;
        let smoother = LineSmoother::new(graph());
        let points = [Source { at: EdgePoint { edge: 0, along_m: 33.0 }, weight: 2.5 }];
        for kernel in [
            LineKernel::Heat { sigma_m: 12.0 },
            LineKernel::new(Kernel::Quartic, SplitRule::Continuous, 12.0),
        ] {
            let pieces = Pieces::cut(smoother.graph(), 7.0, |_| true);
            let mean = pieces.mean_density(&smoother, kernel, &points).unwrap();
            let mass: f64 = pieces.as_slice().iter().zip(&mean).map(|(p, mean)| p.length_m() * mean).sum();
            assert!((mass - 2.5).abs() < 1e-9, "{mass}");
            let at = |along_m: f64| {
                smoother.density(kernel, &points, &[EdgePoint { edge: 0, along_m }]).unwrap().per_m[0]
            };
            for length_m in [0.05, 0.07, 1.0] {
                let one = Pieces(vec![Piece { edge: 0, from_m: 40.0, to_m: 40.0 + length_m }]);
                let found = one.mean_density(&smoother, kernel, &points).unwrap()[0];
                // Simpson's rule; the kernels bend little over a metre.
                let expected = (at(40.0) + 4.0 * at(40.0 + 0.5 * length_m) + at(40.0 + length_m)) / 6.0;
                assert!((found / expected - 1.0).abs() < 1e-5, "{length_m}: {found} {expected}");
            }
        }
    }
}
