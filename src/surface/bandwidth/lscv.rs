//! Least-squares cross-validation.

use std::f64::consts::{PI, SQRT_2};

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::super::neighbours::Neighbours;
use super::super::{Extent, WeightedPoint};
use super::reference;
use super::search::{Optimum, minimise};
use super::spectrum::Spectrum;

/// The range searched, in oversmoothing bandwidths. No density of this spread wants more
/// than one of them.
pub(super) const SEARCH: (f64, f64) = (1.0 / 128.0, 2.0);
/// Ratio of the bandwidths first tried: the criterion can have several minima.
const RATIO: f64 = 1.2;
/// Steps to a bandwidth in a spectrum.
const STEPS_A_BANDWIDTH: f64 = 4.0;
/// Bandwidths after which exp(−d²/4h²) has died out (1e-10).
const DIES_OUT: f64 = 9.6;
/// Ratio of the widest to the narrowest bandwidth that one spectrum serves.
const SPECTRUM_SPAN: f64 = 2.0;
/// Most cells of a spectrum; beyond, pairs are summed directly.
const MOST_CELLS: f64 = 8e6;
/// Cost of a pair against the cost of a cell of a spectrum, measured.
const PAIR_COST: f64 = 0.2;

/// The bandwidth that minimises the cross-validated integrated square error
///
/// LSCV(h) = 1/(4πh²n²) Σ_ij exp(−d²/4h²) − 2/(n(n−1)) Σ_{i≠j} exp(−d²/2h²)/(2πh²)
///
/// of a Gaussian in the open plane (Rudemo 1982, Bowman 1984).
///
/// Narrow bandwidths are summed over near pairs, wide ones through the power spectrum,
/// whichever costs less; both agree with the direct double sum to about 1e-8.
pub(super) fn optimum(places: &[GroundPoint]) -> Optimum {
    let widest_m = reference::oversmooth_m(places);
    let mut pairs = PairSums::new(places);
    let n = places.len() as f64;
    minimise(SEARCH.0 * widest_m, SEARCH.1 * widest_m, RATIO, |h| {
        let (wide, narrow) = pairs.at(h);
        (n + wide) / (4.0 * PI * h * h * n * n) - narrow / (PI * h * h * n * (n - 1.0))
    })
}

/// Sums of exp(−d²/4h²) and exp(−d²/2h²) over ordered pairs of different points.
struct PairSums {
    points: Vec<WeightedPoint>,
    extent: Extent,
    sorted: Neighbours,
    /// A spectrum and the narrowest bandwidth it serves.
    spectrum: Option<(f64, Spectrum)>,
}

impl PairSums {
    fn new(places: &[GroundPoint]) -> Self {
        let origin = GroundPoint::default();
        Self {
            points: places.iter().map(|&at| WeightedPoint::new(at, 1.0)).collect(),
            extent: Extent::of(places.iter().copied()).unwrap_or(Extent { min: origin, max: origin }),
            sorted: Neighbours::new(places, 0.0),
            spectrum: None,
        }
    }

    fn at(&mut self, h: f64) -> (f64, f64) {
        let reach_m = self.reach_m(h);
        let cells = Spectrum::cells(self.extent, h / STEPS_A_BANDWIDTH, SPECTRUM_SPAN * DIES_OUT * h);
        if cells > MOST_CELLS || PAIR_COST * pairs_within(&self.sorted, reach_m) < cells {
            self.directly(h, reach_m)
        } else {
            self.by_spectrum(h)
        }
    }

    /// Distance beyond which all pairs together add less than 1e-9 a point.
    fn reach_m(&self, h: f64) -> f64 {
        2.0 * h * (21.0 + (self.points.len() as f64).ln()).sqrt()
    }

    fn directly(&self, h: f64, reach_m: f64) -> (f64, f64) {
        let sums: Vec<(f64, f64)> = self
            .sorted
            .in_order()
            .par_iter()
            .map(|&(at, index)| {
                let (mut wide, mut narrow) = (0.0, 0.0);
                self.sorted.within(at, reach_m, |other, square_m2| {
                    if other as u32 != index {
                        let e = (-0.25 * square_m2 / (h * h)).exp();
                        wide += e;
                        narrow += e * e;
                    }
                });
                (wide, narrow)
            })
            .collect();
        sums.iter().fold((0.0, 0.0), |sum, s| (sum.0 + s.0, sum.1 + s.1))
    }

    fn by_spectrum(&mut self, h: f64) -> (f64, f64) {
        let serves = |&(narrowest, _): &(f64, Spectrum)| (narrowest..narrowest * SPECTRUM_SPAN).contains(&h);
        if !self.spectrum.as_ref().is_some_and(serves) {
            // A little below, so that a search around h stays within.
            let narrowest = h / 1.1;
            let margin_m = SPECTRUM_SPAN * DIES_OUT * narrowest;
            let step_m = narrowest / STEPS_A_BANDWIDTH;
            self.spectrum = Some((narrowest, Spectrum::new(&self.points, self.extent, step_m, margin_m)));
        }
        let n = self.points.len() as f64;
        let sum = |sigma: f64| match &self.spectrum {
            Some((_, spectrum)) => {
                let transform = |k: f64| (2.0 * PI).sqrt() * sigma * (-0.5 * (sigma * k).powi(2)).exp();
                spectrum.sum(transform, transform) - n
            }
            None => f64::NAN,
        };
        (sum(SQRT_2 * h), sum(h))
    }
}

/// About how many ordered pairs a search within a distance looks at, from every k-th point.
pub(super) fn pairs_within(sorted: &Neighbours, radius_m: f64) -> f64 {
    let every = (sorted.in_order().len() / 200).max(1);
    let looked_at: usize = sorted
        .in_order()
        .iter()
        .step_by(every)
        .map(|&(at, _)| sorted.runs(at, radius_m).map(<[_]>::len).sum::<usize>())
        .sum();
    looked_at as f64 * every as f64
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn both_ways_agree_with_the_double_sum() {
        let places: Vec<GroundPoint> = (0..300_u32)
            .map(|k| GroundPoint::new(f64::from(k * k % 1009) * 3.0, f64::from(k * 31 % 499) * 5.0))
            .collect();
        let mut sums = PairSums::new(&places);
        for h in [40.0, 100.0, 700.0] {
            let mut direct = (0.0, 0.0);
            for (i, a) in places.iter().enumerate() {
                for b in &places[..i] {
                    let square = a.distance_m(*b).powi(2) / (h * h);
                    direct = (direct.0 + 2.0 * (-square / 4.0).exp(), direct.1 + 2.0 * (-square / 2.0).exp());
                }
            }
            for found in [sums.directly(h, sums.reach_m(h)), sums.by_spectrum(h)] {
                assert_relative_eq!(found.0, direct.0, max_relative = 1e-8);
                assert_relative_eq!(found.1, direct.1, max_relative = 1e-7);
            }
        }
    }
}
