//! Density at every point from all the others.

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::super::fast::{CoarseGrid, STEPS_A_BANDWIDTH};
use super::super::neighbours::Neighbours;
use super::super::{Extent, M2_PER_KM2, WeightedPoint};
use super::lscv::pairs_within;
use super::near::Near;

/// Below this share of its own peak, the density that the others give a point is summed
/// directly: the fast way is good to 1e-5 of the sum that contains the point itself.
const OWN_SHARE: f64 = 0.05;
/// Cost of a pair against the cost of a node of the coarse grid, measured.
const PAIR_COST: f64 = 0.1;
/// Most nodes of a coarse grid.
const MOST_NODES: f64 = 2e7;
/// Bandwidths within which a point's neighbours are looked for at first.
const FIRST_REACH: f64 = 6.0;

/// Places made ready for leave-one-out sums of Gaussians at any bandwidth.
pub(super) struct LeaveOneOut {
    points: Vec<WeightedPoint>,
    places: Vec<GroundPoint>,
    extent: Extent,
    sorted: Neighbours,
}

impl LeaveOneOut {
    pub fn new(places: &[GroundPoint]) -> Self {
        let origin = GroundPoint::default();
        Self {
            points: places.iter().map(|&at| WeightedPoint::new(at, 1.0)).collect(),
            places: places.to_vec(),
            extent: Extent::of(places.iter().copied()).unwrap_or(Extent { min: origin, max: origin }),
            sorted: Neighbours::new(places, 0.0),
        }
    }

    /// Sum over the points of the logarithm of Σ_{j≠i} exp(−d²/2h²). Finite however far a
    /// point lies from the others.
    pub fn log_sum(&self, h: f64) -> f64 {
        let nodes_along = |length_m: f64| length_m / h * STEPS_A_BANDWIDTH + 100.0;
        let nodes = nodes_along(self.extent.max.x_m - self.extent.min.x_m)
            * nodes_along(self.extent.max.y_m - self.extent.min.y_m);
        let pairs = pairs_within(&self.sorted, FIRST_REACH * h);
        if nodes > MOST_NODES || PAIR_COST * pairs < nodes {
            return self.over_pairs(h);
        }
        let coarse = CoarseGrid::over(self.extent, h);
        let nodes = coarse.convolved(&coarse.spread(&self.points));
        let own = 1.0;
        let scale = 2.0 * std::f64::consts::PI * h * h / M2_PER_KM2;
        let sums = coarse.at(&nodes, &self.places);
        ordered_sum(self.places.par_iter().zip(&sums).enumerate().map(|(index, (&at, sum))| {
            let others = sum * scale - own;
            if others < OWN_SHARE * own { self.directly(at, index as u32, h) } else { others.ln() }
        }))
    }

    /// The sum over near pairs; points that have none near enough are looked at alone.
    fn over_pairs(&self, h: f64) -> f64 {
        let n = self.places.len() as f64;
        // Beyond this distance all points together add less than 1e-7 of the least sum that counts.
        let reach_m = h * (2.0 * (16.0 + n.ln() - OWN_SHARE.ln())).sqrt();
        let near = Near::new(&self.places, reach_m);
        let sums = near.exponentials(h);
        ordered_sum(
            near.in_order().par_iter().zip(&sums).map(|(&(at, index), &sum)| {
                if sum < OWN_SHARE { self.directly(at, index, h) } else { sum.ln() }
            }),
        )
    }

    /// Logarithm of one point's sum over the others, to about 1e-7.
    fn directly(&self, at: GroundPoint, index: u32, h: f64) -> f64 {
        let mut reach_m = FIRST_REACH * h;
        let mut nearest_m2 = f64::INFINITY;
        while nearest_m2 == f64::INFINITY && reach_m.is_finite() {
            self.sorted.within(at, reach_m, |other, square_m2| {
                if other as u32 != index {
                    nearest_m2 = nearest_m2.min(square_m2);
                }
            });
            reach_m *= 2.0;
        }
        let negligible = 16.0 + (self.places.len() as f64).ln();
        let end_m = (nearest_m2 + 2.0 * h * h * negligible).sqrt();
        let mut sum = 0.0;
        self.sorted.within(at, end_m, |other, square_m2| {
            if other as u32 != index {
                sum += (-0.5 * (square_m2 - nearest_m2) / (h * h)).exp();
            }
        });
        sum.ln() - 0.5 * nearest_m2 / (h * h)
    }
}

/// A parallel sum that adds in order.
fn ordered_sum(terms: impl IndexedParallelIterator<Item = f64>) -> f64 {
    let terms: Vec<f64> = terms.collect();
    terms.iter().sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn agrees_with_the_double_sum_with_a_point_far_out() {
        let mut places: Vec<GroundPoint> = (0..2000_u32)
            .map(|k| GroundPoint::new(f64::from(k * k % 1009) * 3.0, f64::from(k * 31 % 499) * 5.0))
            .collect();
        places.push(GroundPoint::new(9000.0, 9000.0));
        let sums = LeaveOneOut::new(&places);
        for h in [3.0, 30.0, 200.0, 400.0] {
            let direct: f64 = places
                .iter()
                .enumerate()
                .map(|(i, a)| {
                    let exponent = |b: &GroundPoint| -0.5 * a.distance_m(*b).powi(2) / (h * h);
                    let others =
                        || places.iter().enumerate().filter(|(j, _)| *j != i).map(|(_, b)| exponent(b));
                    let most = others().fold(f64::NEG_INFINITY, f64::max);
                    others().map(|e| (e - most).exp()).sum::<f64>().ln() + most
                })
                .sum();
            assert_relative_eq!(sums.log_sum(h), direct, max_relative = 1e-6);
        }
    }
}
