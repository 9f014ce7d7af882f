//! Rules from the spread of the places alone.

use crate::frame::GroundPoint;

/// Terrell's factor for a Gaussian in the plane: h = 1.08457 σ n^(−1/6).
const OVERSMOOTHING: f64 = 1.084_571_360_538_94;

/// Geometric mean of sd_x n^(−1/6) and sd_y n^(−1/6) (Scott 1992, eq. 6.42; in the plane
/// Silverman's factor is one, so it is his rule as well). It asks
/// for places that spread in both directions.
pub(super) fn scott_m(places: &[GroundPoint]) -> f64 {
    let [sd_x, sd_y] = both(places, standard_deviation);
    (sd_x * sd_y).sqrt() * (places.len() as f64).powf(-1.0 / 6.0)
}

/// The oversmoothing bandwidth (Terrell 1990, J. Am. Stat. Assoc. 85:470–477) with the
/// smaller of two scales: the mean of the standard deviations, and the mean of the
/// interquartile ranges over 1.34 where that is not zero.
pub(super) fn oversmooth_m(places: &[GroundPoint]) -> f64 {
    let mean = |[x, y]: [f64; 2]| 0.5 * (x + y);
    let sd_m = mean(both(places, standard_deviation));
    let by_quartiles_m = mean(both(places, interquartile_range)) / 1.34;
    let scale_m = if by_quartiles_m > 0.0 { sd_m.min(by_quartiles_m) } else { sd_m };
    OVERSMOOTHING * scale_m * (places.len() as f64).powf(-1.0 / 6.0)
}

/// A statistic along both axes.
pub(super) fn both(places: &[GroundPoint], statistic: impl Fn(&[f64]) -> f64) -> [f64; 2] {
    let x: Vec<f64> = places.iter().map(|p| p.x_m).collect();
    let y: Vec<f64> = places.iter().map(|p| p.y_m).collect();
    [statistic(&x), statistic(&y)]
}

/// Sample standard deviations along and across the line that fits the places best (the
/// principal axes of their covariance).
pub(super) fn along_and_across_m(places: &[GroundPoint]) -> [f64; 2] {
    let n = places.len() as f64;
    let mean = |of: fn(&GroundPoint) -> f64| places.iter().map(of).sum::<f64>() / n;
    let (x, y) = (mean(|p| p.x_m), mean(|p| p.y_m));
    let sums = places
        .iter()
        .map(|p| (p.x_m - x, p.y_m - y))
        .fold([0.0; 3], |[xx, xy, yy], (dx, dy)| [xx + dx * dx, xy + dx * dy, yy + dy * dy]);
    let angle = 0.5 * (2.0 * sums[1]).atan2(sums[0] - sums[2]);
    let (sin, cos) = angle.sin_cos();
    // Summed anew along the axes: a difference of large moments would lose a thin line's width.
    let turned = |ux: f64, uy: f64| {
        let square = |p: &GroundPoint| ((p.x_m - x) * ux + (p.y_m - y) * uy).powi(2);
        (places.iter().map(square).sum::<f64>() / (n - 1.0)).sqrt()
    };
    [turned(cos, sin), turned(-sin, cos)]
}

/// Sample standard deviation (n − 1).
pub(super) fn standard_deviation(values: &[f64]) -> f64 {
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values.iter().map(|v| (v - mean).powi(2)).sum::<f64>() / (n - 1.0)).sqrt()
}

/// Difference of the quartiles by linear interpolation (Hyndman & Fan 1996, type 7).
fn interquartile_range(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_unstable_by(f64::total_cmp);
    let quantile = |share: f64| {
        let position = share * (sorted.len() - 1) as f64;
        let (below, above) = (sorted[position.floor() as usize], sorted[position.ceil() as usize]);
        below + (above - below) * position.fract()
    };
    quantile(0.75) - quantile(0.25)
}
