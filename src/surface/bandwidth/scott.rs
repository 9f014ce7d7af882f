//! The normal reference rule.

use super::super::{SurfaceError, WeightedPoint};

/// Geometric mean of sd_x n^(−1/6) and sd_y n^(−1/6) (Scott 1992, eq. 6.42; in two
/// dimensions Silverman's factor is 1, so it is his rule as well). Weights are not used:
/// the rule is about how many places there are and how far they lie apart.
pub(super) fn bandwidth_m(points: &[WeightedPoint]) -> Result<f64, SurfaceError> {
    let n = points.len() as f64;
    let (sd_x, sd_y) = (
        standard_deviation(points.iter().map(|p| p.at.x_m)),
        standard_deviation(points.iter().map(|p| p.at.y_m)),
    );
    let sd_m = match (sd_x > 0.0, sd_y > 0.0) {
        (true, true) => (sd_x * sd_y).sqrt(),
        // All on one line along an axis: its spread is all there is.
        (true, false) | (false, true) => sd_x.max(sd_y),
        (false, false) => {
            return Err(SurfaceError::TooFew { rule: "scott", needed: 2, found: points.len().min(1) });
        }
    };
    Ok(sd_m * n.powf(-1.0 / 6.0))
}

/// Sample standard deviation (n − 1).
pub(super) fn standard_deviation(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let n = values.clone().count() as f64;
    let mean = values.clone().sum::<f64>() / n;
    (values.map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
}
