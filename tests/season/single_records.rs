//! Rates compared record by record: the statistic by plain sums, and its p where records are
//! independent and where they are not.

use approx::assert_relative_eq;
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use stakeline::frame::GroundPoint;
use stakeline::season::*;
use stakeline::surface::{Kernel, WeightedPoint};

const BANDWIDTH_M: f64 = 1_500.0;

/// Eleven outings a season over 6 × 6 km: those before search the west twice as long as the
/// east, those after the other way round. `heaps` records lie on each place found.
fn survey(seed: u64, heaps: usize) -> Outings {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let lattice: Vec<GroundPoint> = (0..12 * 12)
        .map(|i| GroundPoint::new(250.0 + 500.0 * f64::from(i % 12), 250.0 + 500.0 * f64::from(i / 12)))
        .collect();
    let outings = [Season::Before, Season::After].into_iter().flat_map(|season| {
        let km = |at: &GroundPoint| {
            if (at.x_m < 3_000.0) == (season == Season::Before) { 1.0 } else { 0.5 }
        };
        let searched: Vec<WeightedPoint> = lattice.iter().map(|at| WeightedPoint::new(*at, km(at))).collect();
        (0..11).map(move |_| Outing { season, day: None, sign: Vec::new(), searched: searched.clone() })
    });
    let mut outings: Vec<Outing> = outings.collect();
    for outing in &mut outings {
        let places = outing.searched.clone();
        for place in places {
            if rng.random::<f64>() < 0.08 * place.weight {
                outing.sign.extend(std::iter::repeat_n(WeightedPoint::new(place.at, 1.0), heaps));
            }
        }
    }
    Outings::new(outings).unwrap()
}

fn record_test(outings: &Outings, runs: usize, seed: u64) -> SizeTest {
    let lattice = Lattice::new(outings, Kernel::Gaussian, BANDWIDTH_M, 100.0).unwrap();
    test_size(outings, &lattice, BlockSize::Record, runs, seed, false)
}

#[test]
fn the_statistic_is_the_plain_sum() {
    let outings = survey(1, 1);
    let lattice = Lattice::new(&outings, Kernel::Gaussian, BANDWIDTH_M, 100.0).unwrap();
    let kernel = |a: GroundPoint, b: GroundPoint| {
        let z = a.distance_m(b) / BANDWIDTH_M;
        (-0.5 * z * z).exp() / (std::f64::consts::TAU * BANDWIDTH_M * BANDWIDTH_M)
    };
    let (mut squares, mut variances) = (0.0, 0.0);
    for cell in 0..lattice.grid.cells() {
        let at = lattice.grid.centre(cell / lattice.grid.columns, cell % lattice.grid.columns);
        let km = |season| -> f64 {
            outings.of(season).flat_map(|o| &o.searched).map(|p| p.weight * kernel(at, p.at)).sum()
        };
        let (before, after) = (km(Season::Before), km(Season::After));
        let share = if before + after > 0.0 { before / (before + after) } else { 0.5 };
        let mut difference = 0.0;
        for (season, part) in [(Season::Before, 1.0 - share), (Season::After, -share)] {
            for p in outings.of(season).flat_map(|o| &o.sign) {
                difference += part * kernel(at, p.at);
                variances += (part * kernel(at, p.at)).powi(2);
            }
        }
        squares += difference * difference;
    }
    let found = record_test(&outings, 39, 1);
    assert_relative_eq!(found.studentised.unwrap(), squares / variances, max_relative = 1e-4);
}

#[test]
fn independent_records_pass_and_heaped_ones_do_not() {
    let p = |heaps: usize| -> Vec<f64> {
        (0..24).map(|seed| record_test(&survey(seed, heaps), 59, seed).p.unwrap()).collect()
    };
    let independent = p(1);
    let mean = independent.iter().sum::<f64>() / 24.0;
    // Of a uniform number the mean of 24 has a standard deviation of 0.059.
    assert!((mean - 0.5).abs() < 0.2, "{mean}");
    assert!(independent.iter().filter(|&&p| p <= 0.05).count() <= 6);
    // Six records to a heap are no six observations: the test is fooled, as it must be.
    assert!(p(6).iter().filter(|&&p| p <= 0.05).count() >= 9);
}
