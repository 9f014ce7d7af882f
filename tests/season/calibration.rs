//! How often the comparison claims a change, where there is none and where there is one.
//!
//! Each law is simulated 50 times in an ordinary run, with bounds wide enough for that
//! (0.1 % of runs of a right test would leave them), and 1,000 times with `--ignored`, with
//! the bounds that the documentation states.

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
    areas: f64,
    claims_or_areas: f64,
    areas_on_planted: f64,
}

fn simulate(name: &str, before: Law, after: Law, count: u64, runs: usize) -> Shares {
    let planted = after.planted.map(|p| -> Polygon<f64> {
        Rect::new(Coord { x: 0.0, y: 0.0 }, Coord { x: p.side_m, y: p.side_m }).to_polygon()
    });
    let one = |seed: u64| -> [bool; 6] {
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
        let areas = head.p.and(head.block).map_or_else(Vec::new, |size| {
            let cells = local_tests(&outings, &lattice, size, runs, seed).unwrap();
            change_areas(&cells, &lattice.grid)
        });
        let hit = |area: &ChangeArea| {
            let planted = planted.as_ref();
            planted.is_some_and(|p| p.intersects(&area.outline)) && area.direction == Direction::Increase
        };
        let claim = head.verdict == Verdict::Change;
        [
            head.p.is_some(),
            claim,
            sizes[0].p.is_some_and(|p| p <= 0.05),
            !areas.is_empty(),
            claim || !areas.is_empty(),
            areas.iter().any(|a| a.outline.unsigned_area() > 0.0 && hit(a)),
        ]
    };
    let found: Vec<[bool; 6]> = (0..count).into_par_iter().map(one).collect();
    let share = |k: usize| found.iter().filter(|f| f[k]).count() as f64 / count as f64;
    let shares = Shares {
        answers: share(0),
        claims: share(1),
        outing_level_rejects: share(2),
        areas: share(3),
        claims_or_areas: share(4),
        areas_on_planted: share(5),
    };
    println!("{name}: {shares:.3?} over {count} seasons");
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
    let shares = simulate("one outing, 30", Law::PLAIN, Law::PLAIN, 50, 199);
    assert!(shares.claims <= 0.16 && shares.areas <= 0.16, "{shares:?}");
    assert!(shares.answers >= 0.82 && shares.claims_or_areas <= 0.24, "{shares:?}");
}

#[test]
fn spots_that_last_make_it_abstain() {
    let shares = simulate("four outings", LASTING, LASTING, 50, 199);
    assert!(shares.claims <= 0.16, "{shares:?}");
    assert!(shares.outing_level_rejects >= 0.5, "{shares:?}");
}

#[test]
fn unequal_seasons_pass_for_no_change() {
    let shares = simulate("80 records, 15 outings", Law::PLAIN, BOTH, 50, 199);
    assert!(shares.claims <= 0.16 && shares.areas <= 0.16, "{shares:?}");
}

#[test]
fn a_planted_tripling_is_found() {
    let after = Law { planted: Some(PLANTED), ..Law::PLAIN };
    let shares = simulate("tripling, 30", Law::PLAIN, after, 50, 199);
    assert!(shares.claims >= 0.62 && shares.areas_on_planted >= 0.55, "{shares:?}");
}

#[test]
fn effort_that_moved_passes_for_no_change_of_rates() {
    let shares = simulate("effort moved", WESTWARD, EASTWARD, 50, 99);
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

#[test]
#[ignore = "a thousand seasons a law take many minutes; run in release"]
fn thousand_seasons_a_law() {
    let count = std::env::var("STAKELINE_SEASONS").ok().and_then(|n| n.parse().ok()).unwrap_or(1000);
    for (name, law) in [("(a) 30 outings", Law::PLAIN), ("(a) 12 outings", FEW)] {
        let shares = simulate(name, law, law, count, 999);
        assert!((0.03..=0.07).contains(&shares.claims) && shares.answers > 0.9, "{name}: {shares:?}");
    }
    for (name, law) in [("(b) fixed", LASTING), ("(b) geometric", LASTING_ON_AVERAGE)] {
        let shares = simulate(name, law, law, count, 999);
        assert!(shares.claims <= 0.07 && shares.outing_level_rejects > 0.5, "{name}: {shares:?}");
    }
    let unequal = [("(c) records", MANY_RECORDS), ("(c) outings", HALF_THE_OUTINGS), ("(c) both", BOTH)];
    for (name, law) in unequal {
        let shares = simulate(name, Law::PLAIN, law, count, 999);
        assert!(shares.claims <= 0.07 && shares.areas <= 0.07, "{name}: {shares:?}");
    }
    let shares = simulate("rates, effort moved", WESTWARD, EASTWARD, count, 499);
    assert!(shares.claims <= 0.07 && shares.areas <= 0.07, "{shares:?}");
    let planted = |law: Law| Law { planted: Some(PLANTED), ..law };
    let shares = simulate("tripling, 30 outings", Law::PLAIN, planted(Law::PLAIN), count, 999);
    assert!(shares.answers > 0.9 && shares.claims > 0.8 && shares.areas_on_planted > 0.75, "{shares:?}");
    simulate("tripling, 12 outings", FEW, planted(FEW), count, 999);
    simulate("rates, tripling", WESTWARD, planted(EASTWARD), count, 499);
}
