//! Likelihood cross-validation.

use std::f64::consts::PI;

use crate::frame::GroundPoint;

use super::leave_one_out::LeaveOneOut;
use super::lscv::SEARCH;
use super::reference;
use super::search::{Optimum, minimise};

/// Ratio of the bandwidths first tried: the criterion has one broad hump.
const RATIO: f64 = 2.0;

/// The bandwidth that maximises the leave-one-out likelihood
///
/// LCV(h) = Σ_i log( 1/(n−1) Σ_{j≠i} exp(−d²/2h²)/(2πh²) )
///
/// of a Gaussian in the open plane (Habbema, Hermans & van den Broek 1974; Duin 1976, IEEE
/// Trans. Comput. C-25:1175–1179).
pub(super) fn optimum(places: &[GroundPoint]) -> Optimum {
    let widest_m = reference::oversmooth_m(places);
    let sums = LeaveOneOut::new(places);
    let n = places.len() as f64;
    minimise(SEARCH.0 * widest_m, SEARCH.1 * widest_m, RATIO, |h| {
        n * (2.0 * PI * h * h * (n - 1.0)).ln() - sums.log_sum(h)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// By the double sum: the mean log density of a place from the others is greatest there.
    #[test]
    fn the_optimum_is_the_greatest_likelihood() {
        let place = |k: u32| GroundPoint::new(f64::from(k * k % 1009) * 3.0, f64::from(k * 31 % 499) * 5.0);
        let places: Vec<GroundPoint> = (0..300).map(place).collect();
        let n = places.len() as f64;
        let likelihood = |h: f64| -> f64 {
            let density = |i: usize| {
                let near = |j: usize| (-0.5 * (places[i].distance_m(places[j]) / h).powi(2)).exp();
                let sum: f64 = (0..places.len()).filter(|&j| j != i).map(near).sum();
                sum / (2.0 * PI * h * h * (n - 1.0))
            };
            (0..places.len()).map(|i| density(i).ln()).sum()
        };
        let found = optimum(&places);
        assert!(!found.at_edge, "{found:?}");
        for aside in [0.7, 0.97, 1.03, 1.4] {
            assert!(likelihood(found.at) > likelihood(found.at * aside), "{found:?} {aside}");
        }
    }
}
