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

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    fn places(of: &[(f64, f64)]) -> Vec<GroundPoint> {
        of.iter().map(|&(x_m, y_m)| GroundPoint::new(x_m, y_m)).collect()
    }

    /// 2, 4, 4, 4, 5, 5, 7, 9 about their mean of 5: squares 9 + 1 + 1 + 1 + 0 + 0 + 4 + 16 = 32 over 7.
    /// Quartiles at positions 1.75 and 5.25 of 0..7: 4 and 5.5.
    #[test]
    fn spreads_of_eight_numbers_by_hand() {
        let values = [9.0, 4.0, 5.0, 2.0, 4.0, 7.0, 4.0, 5.0];
        assert_relative_eq!(standard_deviation(&values), (32.0_f64 / 7.0).sqrt(), max_relative = 1e-15);
        assert_relative_eq!(interquartile_range(&values), 1.5, max_relative = 1e-15);
        // Positions 0.75 and 2.25 of 0..3: 1 + 0.75 · 2, and 10 + 0.25 · 90.
        assert_relative_eq!(interquartile_range(&[100.0, 1.0, 10.0, 3.0]), 32.5 - 2.5, max_relative = 1e-15);
    }

    /// Scott takes the geometric mean, Terrell the smaller of the two arithmetic means.
    #[test]
    fn rules_of_spread_by_hand() {
        let x = [9.0, 4.0, 5.0, 2.0, 4.0, 7.0, 4.0, 5.0];
        let both: Vec<(f64, f64)> = x.iter().map(|&x| (x, 100.0 - 10.0 * x)).collect();
        let sd = (32.0_f64 / 7.0).sqrt();
        // 8^(−1/6) = 2^(−1/2).
        let shrink = 0.5_f64.sqrt();
        assert_relative_eq!(scott_m(&places(&both)), sd * 10_f64.sqrt() * shrink, max_relative = 1e-14);
        // 5.5 · 1.5/1.34 is below 5.5 · 2.138.
        let expected = 1.08457136053894 * 5.5 * 1.5 / 1.34 * shrink;
        assert_relative_eq!(oversmooth_m(&places(&both)), expected, max_relative = 1e-14);
        // Six of eight at one place: quartiles say nothing, the deviations speak alone; a square of
        // corners is the other way round, as its quartiles lie farther apart than its deviation.
        let heap = [(0.0, 0.0); 6].into_iter().chain([(4.0, 0.0), (0.0, 4.0)]).collect::<Vec<_>>();
        // Mean 0.5: squares 7 · 0.25 + 12.25 = 14 over 7.
        let expected = 1.08457136053894 * 2_f64.sqrt() * shrink;
        assert_relative_eq!(oversmooth_m(&places(&heap)), expected, max_relative = 1e-14);
        let corners = [(0.0, 0.0), (0.0, 6.0), (6.0, 0.0), (6.0, 6.0)].repeat(2);
        // Eight at 3 from the mean: √(72/7); quartiles 0 and 6.
        let expected = 1.08457136053894 * (72.0_f64 / 7.0).sqrt() * shrink;
        assert_relative_eq!(oversmooth_m(&places(&corners)), expected, max_relative = 1e-14);
    }

    /// Places on an ellipse turned by an angle: deviations along its axes, found again however it is
    /// turned and wherever it lies.
    #[test]
    fn spreads_along_and_across_turn_with_the_places() {
        for turned_by in [0.0_f64, 0.3, 0.7, 1.2, 1.5, 2.0, 2.9] {
            let (sin, cos) = turned_by.sin_cos();
            let around: Vec<(f64, f64)> = (0..12)
                .map(|k| (f64::from(k) * std::f64::consts::TAU / 12.0).sin_cos())
                .map(|(v, u)| (50.0 * u, 3.0 * v))
                .map(|(u, v)| (7000.0 + u * cos - v * sin, -300.0 + u * sin + v * cos))
                .collect();
            let [along, across] = along_and_across_m(&places(&around));
            // The mean square of a cosine at twelve even steps is a half: 6 of 11.
            assert_relative_eq!(along, 50.0 * (6.0_f64 / 11.0).sqrt(), max_relative = 1e-12);
            assert_relative_eq!(across, 3.0 * (6.0_f64 / 11.0).sqrt(), max_relative = 1e-9);
        }
        // A line runs along itself and has nothing across.
        let line: Vec<(f64, f64)> = (0..9).map(|k| (f64::from(k), 1e5 - 2.0 * f64::from(k))).collect();
        let [along, across] = along_and_across_m(&places(&line));
        assert_relative_eq!(along, (7.5 * 5.0_f64).sqrt(), max_relative = 1e-12);
        assert!(across < 1e-9 && along > 1.0, "{across}");
    }
}
