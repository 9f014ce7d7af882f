//! Activations per 100 station-nights, with exact intervals.

use super::history::Interval;
use crate::record::Found;
use crate::statistics::{Interval as Range, garwood};

/// Activations and effort of a group of intervals.
#[derive(Clone, Copy, PartialEq, Debug, Default)]
pub struct Rate {
    /// Activations.
    pub activations: u64,
    /// Heads taken without activation.
    pub heads_taken: u64,
    /// Visits that found the station no longer working.
    pub inactive: u64,
    /// Nights between visits.
    pub nights: f64,
    /// Nights, less half of each interval that ended with the station no longer working.
    pub effective_nights: f64,
}

impl Rate {
    /// Adds up a group of intervals.
    pub fn of<'a>(intervals: impl IntoIterator<Item = &'a Interval>) -> Rate {
        let mut rate = Rate::default();
        for interval in intervals {
            rate.add(interval.found, interval.nights());
        }
        rate
    }

    fn add(&mut self, found: Found, nights: f64) {
        self.activations += u64::from(found == Found::Activated);
        self.heads_taken += u64::from(found == Found::BaitTaken);
        let inactive = !matches!(found, Found::Intact | Found::NotChecked);
        self.inactive += u64::from(inactive);
        self.nights += nights;
        self.effective_nights += if inactive { nights / 2.0 } else { nights };
    }

    /// Activations per 100 effective station-nights: 100 A / (TU − Σ I/2), after Nelson &
    /// Clark (1973, *Journal of Mammalogy* 54:295–298), where a device found no longer
    /// working counts as having worked for half of its interval I. `None` without effort.
    pub fn per_100_nights(&self) -> Option<f64> {
        (self.effective_nights > 0.0).then(|| 100.0 * self.activations as f64 / self.effective_nights)
    }

    /// The exact interval at a level such as 0.95 (Garwood 1936, *Biometrika* 28:437–442),
    /// for activations as a Poisson count over the effective nights. An interval between
    /// visits holds one activation at most, so it is a little too wide, never too narrow.
    pub fn interval_per_100_nights(&self, level: f64) -> Option<[f64; 2]> {
        let scale = 100.0 / self.effective_nights;
        (self.effective_nights > 0.0).then(|| poisson_interval(self.activations, level).map(|x| x * scale))
    }
}

/// The exact interval of Garwood (1936) for the mean of a Poisson count.
///
/// ```
/// use stakeline::checks::poisson_interval;
/// let [low, high] = poisson_interval(5, 0.95);
/// assert!((low - 1.6234863901184207).abs() < 1e-9);
/// assert!((high - 11.66833207932267).abs() < 1e-9);
/// ```
pub fn poisson_interval(count: u64, level: f64) -> [f64; 2] {
    let Range { low, high } = garwood(count as f64, level);
    [low, high]
}

/// The chance a night that a station is activated, from `activated` of `visits` intervals of
/// `nights` nights each: 1 − (1 − k/n)^(1/t), the complementary log-log form.
pub fn nightly_hazard(activated: u64, visits: u64, nights: f64) -> f64 {
    1.0 - (1.0 - activated as f64 / visits as f64).powf(1.0 / nights)
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// Nelson & Clark (1973), the formula from memory; the half-interval deduction is
    /// confirmed by Belant & Windels (2007, *Ohio Journal of Science* 107:16–18). Values
    /// recomputed in exact rational arithmetic.
    #[test]
    fn corrected_rates_match_the_published_formula() {
        for (activations, devices, nights, inactive, corrected) in [
            (12, 50, 10, 30, 2.4742268041237114),
            (3, 20, 7, 5, 2.1818181818181817),
            (0, 40, 5, 10, 0.0),
            (4, 25, 14, 4, 1.1494252873563218),
        ] {
            let mut rate = Rate::default();
            for visit in 0..devices * nights {
                let found = match visit {
                    v if v < activations => Found::Activated,
                    v if v < inactive => Found::Damaged,
                    _ => Found::Intact,
                };
                rate.add(found, 1.0);
            }
            assert_relative_eq!(rate.per_100_nights().unwrap(), corrected, epsilon = 1e-12);
        }
    }

    /// Common practice: an interval that ends inactive counts half, 2 + 1 + 3 = 6 nights.
    #[test]
    fn an_interval_that_ends_inactive_counts_half() {
        let mut rate = Rate::default();
        [(Found::Intact, 2.0), (Found::Damaged, 2.0), (Found::Intact, 3.0)]
            .into_iter()
            .for_each(|(found, nights)| rate.add(found, nights));
        assert_eq!(rate.effective_nights, 6.0);
    }

    /// Garwood (1936); scipy 1.17.1, recomputed with mpmath by bisection.
    #[test]
    fn exact_intervals_match_published_values() {
        for (count, low, high) in [
            (0, 0.0, 3.6888794541139354),
            (1, 0.025317807984289876, 5.571643390938898),
            (10, 4.7953886961324335, 18.39035604201778),
            (25, 16.178681847829328, 36.904931697530365),
        ] {
            let found = poisson_interval(count, 0.95);
            assert_relative_eq!(found[0], low, epsilon = 1e-9);
            assert_relative_eq!(found[1], high, epsilon = 1e-9);
        }
    }

    /// Complementary log-log, recomputed with mpmath.
    #[test]
    fn the_nightly_hazard_matches() {
        assert_relative_eq!(nightly_hazard(6, 40, 3.0), 0.05273176281409042, epsilon = 1e-12);
    }
}
