//! Shared places and rounded coordinates, which drive cross-validation to zero.

use rayon::prelude::*;

use crate::frame::Placed;
use crate::record::Record;

/// What whole numbers and steps of a degree may be off by from rounding alone.
const ROUNDING: f64 = 1e-9;

/// Records that stand on exactly the same place as another.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct SharedPlaces {
    /// Places with two or more records.
    pub places: usize,
    /// Records on them.
    pub records: usize,
    /// The record whose place is shared by most: its position in the input.
    pub most_shared: Option<usize>,
}

/// Finds records on exactly equal places.
pub fn shared_places(records: &[&Placed<Record>]) -> SharedPlaces {
    let mut by_easting: Vec<(f64, u32)> =
        records.iter().zip(0..).map(|(record, index)| (record.ground.x_m, index)).collect();
    by_easting.par_sort_unstable_by(|(a, _), (b, _)| a.total_cmp(b));
    let northing_m = |&(_, index): &(f64, u32)| records[index as usize].ground.y_m;
    let mut found = SharedPlaces::default();
    let mut most = 1;
    // Few share an easting: those alone are put in order further.
    for run in by_easting.chunk_by_mut(|a, b| a.0 == b.0).filter(|run| run.len() > 1) {
        run.sort_unstable_by(|a, b| northing_m(a).total_cmp(&northing_m(b)).then(a.1.cmp(&b.1)));
        for place in run.chunk_by(|a, b| northing_m(a) == northing_m(b)).filter(|place| place.len() > 1) {
            found.places += 1;
            found.records += place.len();
            if place.len() > most {
                most = place.len();
                found.most_shared = place.first().map(|&(_, index)| index as usize);
            }
        }
    }
    found
}

/// Fewest records from which rounding is told.
const FEWEST: usize = 10;
/// Share of the coordinates that must be round.
const SHARE: f64 = 0.9;
/// Metres in a degree of latitude, about.
const METRES_A_DEGREE: f64 = 111_000.0;

/// The step in metres to which most coordinates are rounded, if it is 10 m or more: decimals
/// of a degree, or metres of the job's frame (grid references). `None` if there is none, or
/// for fewer than ten records.
pub fn coarse_step_m(records: &[&Placed<Record>]) -> Option<f64> {
    if records.len() < FEWEST {
        return None;
    }
    // Mostly the first few records show already that a step is none of theirs.
    let most_odd = ((1.0 - SHARE) * records.len() as f64 + ROUNDING) as usize;
    let mostly = |is_round: &dyn Fn(&Placed<Record>) -> bool| {
        records.iter().filter(|r| !is_round(r)).nth(most_odd).is_none()
    };
    let multiple = |value: f64, step: f64, tolerance: f64| {
        let steps = value / step;
        (steps - steps.round()).abs() * step <= tolerance
    };
    let degrees = [1.0, 0.5, 0.1, 0.05, 0.01, 0.005, 0.001, 0.0005, 0.0001].into_iter().find(|&step| {
        mostly(&|r| multiple(r.at.lon_deg(), step, ROUNDING) && multiple(r.at.lat_deg(), step, ROUNDING))
    });
    // Seven decimals of a degree leave a centimetre of doubt.
    let metres = [1000.0, 500.0, 100.0, 50.0, 10.0]
        .into_iter()
        .find(|&step| mostly(&|r| multiple(r.ground.x_m, step, 0.05) && multiple(r.ground.y_m, step, 0.05)));
    degrees.map(|step| step * METRES_A_DEGREE).or(metres)
}

#[cfg(test)]
mod tests {
    use super::super::tests::record;
    use super::*;
    use crate::frame::GroundPoint;
    use crate::frame::LonLat;
    use crate::record::Sign;

    #[test]
    fn rounded_and_shared_places_are_told() {
        let mut records: Vec<Placed<Record>> =
            (0..40).map(|k| record(f64::from(k % 20) * 137.0, None, Sign::Scat, 1.0)).collect();
        for (k, r) in records.iter_mut().enumerate() {
            r.ground.y_m = 0.3;
            r.at = LonLat::new(148.0 + k as f64 * 0.01, -35.0 - k as f64 * 0.003).unwrap();
        }
        let all: Vec<_> = records.iter().collect();
        assert_eq!(shared_places(&all), SharedPlaces { places: 20, records: 40, most_shared: Some(0) });
        assert_eq!(coarse_step_m(&all), Some(111.0));
        for (k, r) in records.iter_mut().enumerate() {
            r.at = LonLat::new(148.0 + k as f64 * 0.0123457, -35.0).unwrap();
            r.ground = GroundPoint::new(600_000.0 + 100.0 * k as f64, 6_000_100.003);
        }
        let all: Vec<_> = records.iter().collect();
        assert_eq!(coarse_step_m(&all), Some(100.0));
        assert_eq!(shared_places(&all), SharedPlaces::default());
        assert_eq!(coarse_step_m(&all[..5]), None);
    }
}
