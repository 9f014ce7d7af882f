//! Least-squares cross-validation.

use std::f64::consts::{PI, SQRT_2};

use rayon::prelude::*;

use crate::frame::GroundPoint;

use super::super::Extent;
use super::super::neighbours::Neighbours;
use super::near::Near;
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
/// Most cells of a spectrum; beyond, pairs are counted, however many.
const MOST_CELLS: f64 = 4e6;
/// Most places whose pairs are summed one by one.
const FEW: usize = 2000;
/// Most pairs that are looked at and counted in rings, both orders of a pair told.
const MOST_COUNTED: f64 = 1e8;
/// Rings in which pairs are counted.
const RINGS: usize = 1 << 14;

/// The bandwidth that minimises the cross-validated integrated square error
///
/// LSCV(h) = 1/(4πh²n²) Σ_ij exp(−d²/4h²) − 2/(n(n−1)) Σ_{i≠j} exp(−d²/2h²)/(2πh²)
///
/// of a Gaussian in the open plane (Rudemo 1982, Bowman 1984).
///
/// Pairs of few places are summed one by one. Of many, narrow bandwidths are summed over rings
/// in which near pairs are counted once, wide ones through the power spectrum, which agrees with
/// the direct double sum to about 1e-8. Rings are narrow against any bandwidth of interest: those
/// of a width w cost about (w/h)²/24.
pub(super) fn optimum(places: &[GroundPoint]) -> Optimum {
    let widest_m = reference::oversmooth_m(places);
    let mut pairs = PairSums::new(places);
    let n = places.len() as f64;
    minimise(SEARCH.0 * widest_m, SEARCH.1 * widest_m, RATIO, |h| {
        let (wide, narrow) = pairs.at(h);
        (n + wide) / (4.0 * PI * h * h * n * n) - narrow / (PI * h * h * n * (n - 1.0))
    })
}

/// How many pairs of places have their distance in each of some rings of equal width.
struct Rings {
    reach_m: f64,
    pairs: Vec<u64>,
}

/// Sums of exp(−d²/4h²) and exp(−d²/2h²) over ordered pairs of different points.
struct PairSums {
    places: Vec<GroundPoint>,
    extent: Extent,
    sorted: Neighbours,
    /// Where places are many.
    rings: Option<Rings>,
    /// A spectrum and the narrowest bandwidth it serves.
    spectrum: Option<(f64, Spectrum)>,
}

impl PairSums {
    fn new(places: &[GroundPoint]) -> Self {
        let origin = GroundPoint::default();
        Self {
            places: places.to_vec(),
            extent: Extent::of(places.iter().copied()).unwrap_or(Extent { min: origin, max: origin }),
            sorted: Neighbours::new(places, 0.0),
            rings: None,
            spectrum: None,
        }
    }

    fn at(&mut self, h: f64) -> (f64, f64) {
        let reach_m = self.reach_m(h);
        if self.places.len() <= FEW {
            return self.directly(h, reach_m);
        }
        let cells = Spectrum::cells(self.extent, h / STEPS_A_BANDWIDTH, SPECTRUM_SPAN * DIES_OUT * h);
        let least_m = if cells > MOST_CELLS { reach_m } else { 0.0 };
        if self.rings(least_m).reach_m >= reach_m { self.by_rings(h) } else { self.by_spectrum(h) }
    }

    /// Rings out to a distance at least, and farther where that takes few pairs.
    fn rings(&mut self, least_m: f64) -> &Rings {
        let kept = self.rings.take().filter(|rings| rings.reach_m >= least_m);
        let made = || {
            let widest_m = reference::oversmooth_m(&self.places);
            let mut reach_m = self.reach_m(SEARCH.1 * widest_m);
            // Rings that reach less far than the narrowest bandwidth asks for serve none.
            let useless_m = self.reach_m(SEARCH.0 * widest_m);
            while reach_m > least_m.max(useless_m) && pairs_within(&self.sorted, reach_m) > MOST_COUNTED {
                reach_m /= 1.2;
            }
            if reach_m <= useless_m && least_m == 0.0 {
                return Rings { reach_m: 0.0, pairs: Vec::new() };
            }
            let reach_m = reach_m.max(least_m);
            Rings { reach_m, pairs: Near::new(&self.places, reach_m).counted(RINGS) }
        };
        let rings = kept.unwrap_or_else(made);
        self.rings.insert(rings)
    }

    fn by_rings(&self, h: f64) -> (f64, f64) {
        let Some(Rings { reach_m, pairs }) = &self.rings else { return (f64::NAN, f64::NAN) };
        let ring_m = reach_m / RINGS as f64;
        let sum = |(wide, narrow): (f64, f64), (k, &pairs): (usize, &u64)| {
            let distance_m = (k as f64 + 0.5) * ring_m;
            let e = (-0.25 * (distance_m / h).powi(2)).exp();
            (wide + 2.0 * pairs as f64 * e, narrow + 2.0 * pairs as f64 * e * e)
        };
        pairs.iter().enumerate().filter(|(_, pairs)| **pairs > 0).fold((0.0, 0.0), sum)
    }

    /// Distance beyond which all pairs together add less than 1e-9 a point.
    fn reach_m(&self, h: f64) -> f64 {
        2.0 * h * (21.0 + (self.places.len() as f64).ln()).sqrt()
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
            // One is let go before the next is made.
            self.spectrum = None;
            self.spectrum = Some((narrowest, Spectrum::new(&self.places, self.extent, step_m, margin_m)));
        }
        let n = self.places.len() as f64;
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

/// About how many ordered pairs a search within a distance looks at.
pub(super) fn pairs_within(sorted: &Neighbours, radius_m: f64) -> f64 {
    sorted.looked_at(sorted.in_order().iter().map(|(at, _)| *at), radius_m, |found| found)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    #[test]
    fn all_ways_agree_with_the_double_sum() {
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
            sums.rings(sums.reach_m(h));
            let (wide, narrow) = sums.by_rings(h);
            assert_relative_eq!(wide, direct.0, max_relative = 1e-4);
            assert_relative_eq!(narrow, direct.1, max_relative = 1e-4);
        }
    }

    /// By the double sum, at the optimum and beside it: nowhere near is the criterion less, and of few
    /// places as of many (there through rings and spectra).
    #[test]
    fn the_optimum_is_the_least_of_the_criterion() {
        for count in [150, 2400] {
            // Clusters of 30 here and there.
            let share = |k: u32, by: f64| (f64::from(k) * by).fract();
            let place = |k: u32| {
                let (home_x, home_y) = (share(k / 30, SQRT_2), share(k / 30, PI));
                let sum = |by: [f64; 3]| by.into_iter().map(|by| share(k, by)).sum::<f64>();
                GroundPoint::new(
                    9000.0 * home_x + 600.0 * sum([0.618_034, 0.754_878, 0.819_173]),
                    9000.0 * home_y + 600.0 * sum([0.569_840, 0.324_718, 0.671_044]),
                )
            };
            let places: Vec<GroundPoint> = (0..count).map(place).collect();
            let n = f64::from(count);
            let criterion = |h: f64| {
                let (mut wide, mut narrow) = (0.0, 0.0);
                for (i, a) in places.iter().enumerate() {
                    for b in &places[..i] {
                        let square = a.distance_m(*b).powi(2) / (h * h);
                        wide += 2.0 * (-square / 4.0).exp();
                        narrow += 2.0 * (-square / 2.0).exp();
                    }
                }
                (n + wide) / (4.0 * PI * h * h * n * n) - narrow / (PI * h * h * n * (n - 1.0))
            };
            let found = optimum(&places);
            assert!(!found.at_edge, "{found:?}");
            let least = criterion(found.at);
            for aside in [0.25, 0.5, 0.8, 0.97, 1.03, 1.2, 2.0] {
                assert!(least < criterion(found.at * aside), "{count}: {found:?} {aside}");
            }
        }
    }

    /// One spectrum serves bandwidths up to twice its narrowest, and all of them as well.
    #[test]
    fn a_spectrum_serves_its_whole_span() {
        let place = |k: u32| GroundPoint::new(f64::from(k * k % 1009) * 3.0, f64::from(k * 31 % 499) * 5.0);
        let places: Vec<GroundPoint> = (0..200).map(place).collect();
        let mut sums = PairSums::new(&places);
        for h in [100.0, 180.0, 95.0, 181.0, 183.0, 60.0] {
            let found = sums.by_spectrum(h);
            let reach_m = sums.reach_m(h);
            let direct = sums.directly(h, reach_m);
            assert_relative_eq!(found.0, direct.0, max_relative = 1e-8);
            assert_relative_eq!(found.1, direct.1, max_relative = 1e-7);
            let narrowest = sums.spectrum.as_ref().map(|(narrowest, _)| *narrowest).unwrap();
            assert!(narrowest <= h && h < 2.0 * narrowest);
        }
    }
}
