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
