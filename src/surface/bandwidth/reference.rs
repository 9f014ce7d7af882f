//! Rules from the spread of the places alone.

use crate::frame::GroundPoint;

/// Terrell's factor for a Gaussian in the plane: h = 1.08457 σ n^(−1/6).
const OVERSMOOTHING: f64 = 1.084_571_360_538_94;

/// Geometric mean of sd_x n^(−1/6) and sd_y n^(−1/6) (Scott 1992, eq. 6.42; in the plane
/// Silverman's factor is one, so it is his rule as well). Places on a line along an axis
/// count with the one spread they have.
pub(super) fn scott_m(places: &[GroundPoint]) -> f64 {
    let [sd_x, sd_y] = both(places, standard_deviation);
    let sd_m = if sd_x > 0.0 && sd_y > 0.0 { (sd_x * sd_y).sqrt() } else { sd_x.max(sd_y) };
    sd_m * (places.len() as f64).powf(-1.0 / 6.0)
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
