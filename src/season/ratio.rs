//! The log ratio of two seasons' surfaces, and how far apart they are as a whole.

use crate::surface::WeightedPoint;

use super::lattice::Lattice;
use super::{Outings, Season};

/// Largest log ratio written, either way: beyond a ratio of e²⁰ a surface that far from any
/// record of its season says no more than "none".
const MOST: f64 = 20.0;

/// Natural log of after over before, of two surfaces already brought to a common footing
/// (mass one, or per km searched). Within ±20; NaN where both are nothing or either is NaN.
///
/// Kelsall & Diggle (1995, doi:10.2307/3318678).
pub fn log_ratio(before: f64, after: f64) -> f64 {
    if before.is_nan() || after.is_nan() || (before <= 0.0 && after <= 0.0) {
        return f64::NAN;
    }
    (after.max(0.0).ln() - before.max(0.0).ln()).clamp(-MOST, MOST)
}

/// ∫ (f − g)² over the plane in m⁻², for Gaussian surfaces of one bandwidth in metres, each
/// scaled to mass one: the closed form, a sum over all pairs with a Gaussian √2 wider.
///
/// Exact to rounding. Cost: the square of the number of points. NaN if either set is empty.
pub fn squared_difference_per_m2(f: &[WeightedPoint], g: &[WeightedPoint], bandwidth_m: f64) -> f64 {
    let pairs = |a: &[WeightedPoint], b: &[WeightedPoint]| -> f64 {
        let mass = |p: &[WeightedPoint]| p.iter().map(|p| p.weight).sum::<f64>();
        let sum: f64 = a
            .iter()
            .flat_map(|p| b.iter().map(move |q| (p, q)))
            .map(|(p, q)| {
                let z = p.at.distance_m(q.at) / bandwidth_m;
                p.weight * q.weight * (-0.25 * z * z).exp()
            })
            .sum();
        sum / (mass(a) * mass(b) * 4.0 * std::f64::consts::PI * bandwidth_m * bandwidth_m)
    };
    pairs(f, f) - 2.0 * pairs(f, g) + pairs(g, g)
}

/// The plain statistic of the comparison on its lattice, in m⁻²: ∫ (p_after − p_before)² for
/// patterns; for rates the same of the effort-weighted difference, which equals it where
/// both seasons searched everywhere alike.
pub(super) fn plain_statistic(outings: &Outings, lattice: &Lattice) -> f64 {
    let season = |surfaces: &[Vec<f64>], season: Season| {
        let mut sum = vec![0.0; lattice.grid.cells()];
        for (outing, surface) in outings.list().iter().zip(surfaces) {
            if outing.season == season {
                sum.iter_mut().zip(surface).for_each(|(s, v)| *s += v);
            }
        }
        sum
    };
    let both = |surfaces: &[Vec<f64>]| (season(surfaces, Season::Before), season(surfaces, Season::After));
    let (f1, f2) = both(&lattice.sign);
    let (n1, n2) = (outings.sign_count(Season::Before), outings.sign_count(Season::After));
    let squares: f64 = match &lattice.effort {
        None => f1.iter().zip(&f2).map(|(f1, f2)| (f2 / n2 - f1 / n1).powi(2)).sum(),
        Some(effort) => {
            let (e1, e2) = both(effort);
            let scale = if n1 > 0.0 && n2 > 0.0 { n1 * n2 / (n1 + n2) } else { n1 + n2 };
            let difference = |i: usize| {
                let all = e1[i] + e2[i];
                if all > 0.0 { (e1[i] * f2[i] - e2[i] * f1[i]) / all / scale } else { 0.0 }
            };
            (0..f1.len()).map(|i| difference(i).powi(2)).sum()
        }
    };
    squares * lattice.grid.cell_area_m2()
}
