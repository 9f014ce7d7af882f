//! How often the comparison claims a change, where there is none and where there is one.
//!
//! Each law is simulated 50 times in an ordinary run, with bounds wide enough for that
//! (0.1 % of runs of a right test would leave them), and 1,000 times with `--ignored`, with
//! the bounds that the documentation states.

use std::ops::Range;

use geo::{Area, Intersects};
use geo_types::{Coord, Polygon, Rect};
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use rayon::prelude::*;
use stakeline::frame::GroundPoint;
use stakeline::season::*;
use stakeline::surface::{Grid, Kernel, density_on_grid};

use super::law::{Lasting, Law, Planted, seasons};

/// Bandwidth by Scott's rule of about 1,200 records spread over the square, the same for all
/// laws so that their figures compare.
const BANDWIDTH_M: f64 = 900.0;

/// What a set of simulated comparisons said, as shares.
#[derive(Debug, Default)]
struct Shares {
    answers: f64,
    claims: f64,
    outing_level_rejects: f64,
    /// Areas that are claimed.
    areas: f64,
    /// Areas that the local test alone would claim.
    areas_alone: f64,
    areas_on_planted: f64,
}

/// What one comparison said, in the order of [`Shares`].
fn compare_once(before: Law, after: Law, seed: u64, runs: usize) -> [bool; 6] {
    let outings = seasons(before, after, seed);
    let lattice = Lattice::new(&outings, Kernel::Gaussian, BANDWIDTH_M, 50.0).unwrap();
    let settings = Settings {
        kernel: Kernel::Gaussian,
        bandwidth_m: BANDWIDTH_M,
        cell_m: 50.0,
        runs,
        seed,
        block: None,
    };
    let sizes: Vec<SizeTest> = [BlockSize::Outing, BlockSize::Day, BlockSize::Week, BlockSize::Month]
        .into_iter()
        .map(|size| test_size(&outings, &lattice, size, runs, seed, false))
        .collect();
    let head = headline(&outings, &lattice, &sizes, &settings);
    let alone = head.p.and(head.block).map_or_else(Vec::new, |size| {
        let cells = local_tests(&outings, &lattice, size, runs, seed).unwrap();
        change_areas(&cells, &lattice.grid)
    });
    let areas_alone = !alone.is_empty();
    let (areas, _) = head.claims(alone);
    let planted = after.planted.map(|p| -> Polygon<f64> {
        Rect::new(Coord { x: 0.0, y: 0.0 }, Coord { x: p.side_m, y: p.side_m }).to_polygon()
    });
    let hit = |area: &ChangeArea| {
        let on_it = planted.as_ref().is_some_and(|p| p.intersects(&area.outline));
        on_it && area.direction == Direction::Increase && area.outline.unsigned_area() > 0.0
    };
    [
        head.p.is_some(),
        head.verdict == Verdict::Change,
        sizes[0].p.is_some_and(|p| p <= 0.05),
        !areas.is_empty(),
        areas_alone,
        areas.iter().any(hit),
    ]
}

fn simulate(name: &str, before: Law, after: Law, seeds: Range<u64>, runs: usize) -> Shares {
    let count = seeds.end - seeds.start;
    let found: Vec<[bool; 6]> =
        seeds.clone().into_par_iter().map(|seed| compare_once(before, after, seed, runs)).collect();
    let counts: [usize; 6] = std::array::from_fn(|k| found.iter().filter(|f| f[k]).count());
    let share = |k: usize| counts[k] as f64 / count as f64;
    let shares = Shares {
        answers: share(0),
        claims: share(1),
        outing_level_rejects: share(2),
        areas: share(3),
        areas_alone: share(4),
        areas_on_planted: share(5),
    };
    println!("{name}, seasons {seeds:?}: {counts:?} {shares:.3?}");
    shares
}

const FEW: Law = Law { outings: 12, ..Law::PLAIN };
const LASTING: Law = Law { lasting: Lasting::FourOutings, ..Law::PLAIN };
const LASTING_ON_AVERAGE: Law = Law { lasting: Lasting::FourOnAverage, ..Law::PLAIN };
const MANY_RECORDS: Law = Law { records: 80.0, ..Law::PLAIN };
const HALF_THE_OUTINGS: Law = Law { outings: 15, ..Law::PLAIN };
const BOTH: Law = Law { records: 80.0, outings: 15, ..Law::PLAIN };

/// Effort where nothing changed: most outings search the western half before, the eastern
/// half after.
const WESTWARD: Law = Law { westward: Some(0.7), ..Law::PLAIN };
const EASTWARD: Law = Law { westward: Some(0.3), ..Law::PLAIN };

/// A tenth of the area, three times the sign.
const PLANTED: Planted = Planted { side_m: 3_162.277_66, times: 3.0 };

#[test]
fn spots_of_one_outing_pass_for_no_change() {
    let shares = simulate("one outing, 30", Law::PLAIN, Law::PLAIN, 0..50, 199);
    assert!(shares.claims <= 0.16 && shares.areas <= 0.16, "{shares:?}");
    assert!(shares.answers >= 0.82, "{shares:?}");
}

#[test]
fn spots_that_last_make_it_abstain() {
    let shares = simulate("four outings", LASTING, LASTING, 0..50, 199);
    assert!(shares.claims <= 0.16, "{shares:?}");
    assert!(shares.outing_level_rejects >= 0.5, "{shares:?}");
}

#[test]
fn unequal_seasons_pass_for_no_change() {
    let shares = simulate("80 records, 15 outings", Law::PLAIN, BOTH, 0..50, 199);
    assert!(shares.claims <= 0.16 && shares.areas <= 0.16, "{shares:?}");
}

#[test]
fn a_planted_tripling_is_found() {
    let after = Law { planted: Some(PLANTED), ..Law::PLAIN };
    let shares = simulate("tripling, 30", Law::PLAIN, after, 0..50, 199);
    assert!(shares.claims >= 0.62 && shares.areas_on_planted >= 0.55, "{shares:?}");
}

#[test]
fn effort_that_moved_passes_for_no_change_of_rates() {
    let shares = simulate("effort moved", WESTWARD, EASTWARD, 0..50, 99);
    assert!(shares.claims <= 0.16 && shares.areas <= 0.16, "{shares:?}");
}

/// Halves of one season differ by chance alone: the mean log ratio, weighted by the pooled
/// density, is nought within three Monte Carlo errors over 200 draws.
#[test]
fn a_random_half_against_the_other_has_a_mean_log_ratio_of_nought() {
    let season: Vec<Outing> = seasons(Law::PLAIN, Law::PLAIN, 77).of(Season::Before).cloned().collect();
    let grid = Grid::covering(GroundPoint::new(0.0, 0.0), GroundPoint::new(10_000.0, 10_000.0), 400.0);
    let surfaces: Vec<Vec<f64>> =
        season.iter().map(|o| density_on_grid(&o.sign, &grid, Kernel::Gaussian, BANDWIDTH_M)).collect();
    let mut rng = ChaCha8Rng::seed_from_u64(77);
    let mut order: Vec<usize> = (0..season.len()).collect();
    let means: Vec<f64> = (0..200)
        .map(|_| {
            order.shuffle(&mut rng);
            let half = |part: &[usize]| -> Vec<f64> {
                let n: f64 = part.iter().map(|&i| season[i].sign_count()).sum();
                (0..grid.cells()).map(|c| part.iter().map(|&i| surfaces[i][c]).sum::<f64>() / n).collect()
            };
            let (one, two) = order.split_at(season.len() / 2);
            let (before, after) = (half(one), half(two));
            let weighted: f64 = before.iter().zip(&after).map(|(b, a)| (a + b) * log_ratio(*b, *a)).sum();
            weighted / before.iter().zip(&after).map(|(b, a)| a + b).sum::<f64>()
        })
        .collect();
    let mean = means.iter().sum::<f64>() / 200.0;
    let error = (means.iter().map(|m| (m - mean).powi(2)).sum::<f64>() / 199.0 / 200.0).sqrt();
    assert!(error > 0.0 && mean.abs() < 3.0 * error, "{mean} ± {error}");
}

/// The seasons of a long run: 1,000, or those that `STAKELINE_SEASONS` asks for, such as
/// `250..500`, to run a law in pieces. The counts are printed; shares of a piece prove nothing
/// and are held to nothing.
fn long_run(name: &str, before: Law, after: Law, runs: usize) -> Option<Shares> {
    let asked = std::env::var("STAKELINE_SEASONS").ok();
    let piece = asked.as_deref().and_then(|text| text.split_once("..")).map(|(from, to)| {
        let number = |text: &str| text.parse::<u64>().expect("STAKELINE_SEASONS is like 250..500");
        number(from)..number(to)
    });
    let shares = simulate(name, before, after, piece.clone().unwrap_or(0..1000), runs);
    piece.is_none().then_some(shares)
}

macro_rules! thousand_seasons {
    ($test:ident, $before:expr, $after:expr, $runs:expr, $holds:expr) => {
        #[test]
        #[ignore = "a thousand seasons take many minutes; run in release"]
        fn $test() {
            let holds: fn(&Shares) -> bool = $holds;
            if let Some(shares) = long_run(stringify!($test), $before, $after, $runs) {
                assert!(holds(&shares), "{shares:?}");
            }
        }
    };
}

const fn tripled(law: Law) -> Law {
    Law { planted: Some(PLANTED), ..law }
}

thousand_seasons!(thousand_spots_of_one_outing_30, Law::PLAIN, Law::PLAIN, 999, |s| s.answers > 0.9
    && (0.03..=0.07).contains(&s.claims)
    && s.areas <= 0.07);
thousand_seasons!(thousand_spots_of_one_outing_12, FEW, FEW, 999, |s| s.answers > 0.9
    && (0.03..=0.07).contains(&s.claims)
    && s.areas <= 0.07);
thousand_seasons!(thousand_spots_of_four_outings, LASTING, LASTING, 999, |s| s.claims <= 0.07
    && s.outing_level_rejects > 0.5);
thousand_seasons!(
    thousand_spots_of_four_outings_on_average,
    LASTING_ON_AVERAGE,
    LASTING_ON_AVERAGE,
    999,
    |s| s.claims <= 0.07 && s.outing_level_rejects > 0.5
);
thousand_seasons!(thousand_with_four_times_the_records, Law::PLAIN, MANY_RECORDS, 999, |s| s.claims <= 0.07
    && s.areas_alone <= 0.07);
thousand_seasons!(thousand_with_half_the_outings, Law::PLAIN, HALF_THE_OUTINGS, 999, |s| s.claims <= 0.07
    && s.areas_alone <= 0.07);
thousand_seasons!(thousand_with_both, Law::PLAIN, BOTH, 999, |s| s.claims <= 0.07 && s.areas_alone <= 0.07);
thousand_seasons!(thousand_rates_with_effort_moved, WESTWARD, EASTWARD, 499, |s| s.claims <= 0.07
    && s.areas <= 0.07);
thousand_seasons!(thousand_triplings_30, Law::PLAIN, tripled(Law::PLAIN), 999, |s| s.answers > 0.9
    && s.claims > 0.8
    && s.areas_on_planted > 0.75);
thousand_seasons!(thousand_triplings_12, FEW, tripled(FEW), 999, |s| s.answers > 0.9);
thousand_seasons!(thousand_rates_tripled, WESTWARD, tripled(EASTWARD), 499, |s| s.claims > 0.5);
