//! Algebra that must hold whatever the data.

use approx::assert_relative_eq;
use rand::seq::SliceRandom;
use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::SeedableRng;
use stakeline::frame::GroundPoint;
use stakeline::season::*;
use stakeline::surface::{Kernel, WeightedPoint, density_on_grid};

use super::law::{Law, Planted, seasons};

fn settings(bandwidth_m: f64, runs: usize) -> Settings {
    Settings { kernel: Kernel::Gaussian, bandwidth_m, cell_m: 100.0, runs, seed: 7, block: None }
}

fn exchanged(outings: &Outings) -> Outings {
    let swap = |o: &Outing| {
        let season = if o.season == Season::Before { Season::After } else { Season::Before };
        Outing { season, ..o.clone() }
    };
    Outings::new(outings.list().iter().map(swap)).unwrap()
}

/// Gives every outing a walk across the square, more of them later on.
fn with_effort(outings: &Outings) -> Outings {
    let walk = |(i, o): (usize, &Outing)| {
        let y_m = 500.0 + 9_000.0 * ((i * 7) % 10) as f64 / 10.0;
        let step = |k: usize| WeightedPoint::new(GroundPoint::new(100.0 * k as f64, y_m), 0.1);
        Outing { searched: (0..100).map(step).collect(), ..o.clone() }
    };
    Outings::new(outings.list().iter().enumerate().map(walk)).unwrap()
}

fn assert_mirror(a: &Comparison, b: &Comparison) {
    for (x, y) in a.sizes.iter().zip(&b.sizes) {
        assert_eq!(
            (x.p, x.blocks_before, x.blocks_after),
            (y.p, y.blocks_after, y.blocks_before),
            "{}",
            x.size
        );
        assert_relative_eq!(x.statistic, y.statistic, max_relative = 1e-12);
    }
    assert_eq!((a.headline.p, a.headline.verdict), (b.headline.p, b.headline.verdict));
    let (x, y) = (a.cells.as_ref().unwrap(), b.cells.as_ref().unwrap());
    for i in (0..x.z.len()).filter(|&i| !x.z[i].is_nan()) {
        assert_relative_eq!(x.z[i], -y.z[i], max_relative = 1e-9, epsilon = 1e-12);
        assert_eq!((x.p[i], x.p_family[i], x.p_fdr[i]), (y.p[i], y.p_family[i], y.p_fdr[i]));
    }
    assert_eq!(a.areas.len(), b.areas.len());
}

#[test]
fn exchanging_the_seasons_flips_signs_and_keeps_every_p() {
    let tripled = Law { planted: Some(Planted { side_m: 3_000.0, times: 6.0 }), ..Law::PLAIN };
    let fewer = Law { outings: 22, ..tripled };
    for after in [tripled, fewer] {
        let outings = seasons(Law::PLAIN, after, 3);
        for outings in [with_effort(&outings), outings] {
            let fixed = Settings { block: Some(BlockSize::Outing), ..settings(900.0, 199) };
            let there = compare(&outings, &fixed).unwrap();
            let back = compare(&exchanged(&outings), &fixed).unwrap();
            assert!(!there.areas.is_empty());
            assert_mirror(&there, &back);
        }
    }
}

#[test]
fn the_number_of_threads_changes_nothing() {
    let outings = seasons(Law::PLAIN, Law { records: 40.0, ..Law::PLAIN }, 4);
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| compare(&outings, &settings(900.0, 99)).unwrap())
    };
    let one = with(1);
    for threads in [2, 5] {
        // NaN marks cells that are not tested, so compare what is printed.
        assert_eq!(format!("{one:?}"), format!("{:?}", with(threads)));
    }
}

#[test]
fn the_order_of_the_input_changes_nothing() {
    let outings = seasons(Law::PLAIN, Law::PLAIN, 5);
    let mut list = outings.list().to_vec();
    list.shuffle(&mut ChaCha8Rng::seed_from_u64(1));
    let shuffled = Outings::new(list).unwrap();
    assert_eq!(outings, shuffled);
}

#[test]
fn relabellings_keep_sizes_and_are_closed() {
    let label = |b: usize, a: usize| {
        let mut s = vec![Season::Before; b];
        s.extend(vec![Season::After; a]);
        s
    };
    let equal = Relabellings::draw(&label(12, 12), 4999, 1, 0);
    assert!(equal.mirrored() && equal.runs() == 4999 && equal.sizes() == (12, 12));
    assert!(equal.parts().iter().all(|p| p.len() == 12 && p[0] == 0 && p.windows(2).all(|w| w[0] < w[1])));
    let unequal = Relabellings::draw(&label(15, 11), 500, 1, 0);
    assert!(!unequal.mirrored() && unequal.runs() == 500 && unequal.part_is() == Season::After);
    assert_eq!(Relabellings::distinct(10, 10), 184_756.0);
    // Uniform over parts: block 5 is dealt with block 0 in 11 of 23 parts.
    let together =
        equal.parts().iter().filter(|p| p.contains(&5)).count() as f64 / equal.parts().len() as f64;
    assert!((together - 11.0 / 23.0).abs() < 4.0 * (0.25f64 / 2499.0).sqrt(), "{together}");
    // With no relabelling above it, the least p is 2 / 5000 with mirrors, 1 / 501 without.
    assert_relative_eq!(equal.p_upper(1.0, &vec![0.0; equal.parts().len()]), 2.0 / 5000.0);
    assert_relative_eq!(unequal.p_upper(1.0, &vec![0.0; 500]), 1.0 / 501.0);
}

/// The statistic by its definition, from the outings' surfaces, against the inner products
/// (patterns), the cell sums of single records, and the cell sums of rates with equal effort.
#[test]
fn all_ways_to_the_statistic_agree_with_its_definition() {
    let outings = seasons(Law { outings: 12, ..Law::PLAIN }, Law { outings: 14, ..Law::PLAIN }, 6);
    let lattice = Lattice::new(&outings, Kernel::Gaussian, 700.0, 50.0).unwrap();
    let by_outing: Vec<(Season, Vec<WeightedPoint>)> =
        outings.list().iter().map(|o| (o.season, o.sign.clone())).collect();
    let by_record: Vec<(Season, Vec<WeightedPoint>)> =
        by_outing.iter().flat_map(|(s, sign)| sign.iter().map(|p| (*s, vec![*p]))).collect();
    for (size, units) in [(BlockSize::Outing, by_outing), (BlockSize::Record, by_record)] {
        let test = test_size(&outings, &lattice, size, 99, 1, false);
        let (plain, studentised) = by_definition(&units, &lattice);
        assert_relative_eq!(test.statistic, plain, max_relative = 1e-9);
        assert_relative_eq!(test.studentised.unwrap(), studentised, max_relative = 1e-5);
    }
}

fn by_definition(units: &[(Season, Vec<WeightedPoint>)], lattice: &Lattice) -> (f64, f64) {
    let mass = |p: &[WeightedPoint]| p.iter().map(|p| p.weight).sum::<f64>();
    let mut means = Vec::new();
    let mut variance = 0.0;
    for season in [Season::Before, Season::After] {
        let own: Vec<&Vec<WeightedPoint>> =
            units.iter().filter(|(s, _)| *s == season).map(|(_, p)| p).collect();
        let surfaces: Vec<Vec<f64>> = own
            .iter()
            .map(|p| density_on_grid(p, &lattice.grid, Kernel::Gaussian, lattice.bandwidth_m))
            .collect();
        let n: f64 = own.iter().map(|p| mass(p)).sum();
        let cells = lattice.grid.cells();
        let mean: Vec<f64> = (0..cells).map(|c| surfaces.iter().map(|s| s[c]).sum::<f64>() / n).collect();
        let scatter: f64 = own
            .iter()
            .zip(&surfaces)
            .map(|(p, s)| s.iter().zip(&mean).map(|(s, m)| (s - mass(p) * m).powi(2)).sum::<f64>())
            .sum();
        let k = own.len() as f64;
        variance += k / (k - 1.0) * scatter / (n * n);
        means.push(mean);
    }
    let square: f64 = means[0].iter().zip(&means[1]).map(|(a, b)| (a - b).powi(2)).sum();
    // Per km² to per m², times the cell.
    (square * 1e-12 * lattice.grid.cell_area_m2(), square / variance)
}

#[test]
fn too_few_blocks_give_no_p_and_say_why() {
    let outings = seasons(Law { outings: 9, ..Law::PLAIN }, Law::PLAIN, 8);
    let found = compare(&outings, &settings(900.0, 99)).unwrap();
    assert_eq!(found.headline.verdict, Verdict::NotEnough);
    assert!(found.headline.p.is_none() && found.cells.is_none() && found.areas.is_empty());
    let outing = &found.sizes[1];
    assert_eq!((outing.size, outing.p), (BlockSize::Outing, None));
    assert!(outing.reason.as_ref().unwrap().contains("9 before and 30 after"));
    // The user may still ask for it, and is told what that means.
    let fixed = Settings { block: Some(BlockSize::Outing), ..settings(900.0, 99) };
    let found = compare(&outings, &fixed).unwrap();
    assert!(found.headline.p.is_some() && !found.warnings.is_empty());
}

#[test]
fn outings_without_dates_give_no_headline() {
    let outings = seasons(Law::PLAIN, Law::PLAIN, 9);
    let undated = Outings::new(outings.list().iter().map(|o| Outing { day: None, ..o.clone() })).unwrap();
    let found = compare(&undated, &settings(900.0, 99)).unwrap();
    assert_eq!(found.headline.verdict, Verdict::NotEnough);
    assert!(found.headline.reason.unwrap().contains("no dates"));
    assert!(found.sizes[2].reason.as_ref().unwrap().contains("no date"));
}

#[test]
fn blocks_are_counted_from_each_seasons_first_outing() {
    let at = |season, text: &str| Outing {
        season,
        day: Some(text.parse().unwrap()),
        sign: vec![WeightedPoint::new(GroundPoint::new(0.0, 0.0), 1.0)],
        searched: vec![],
    };
    let days = ["2024-01-31", "2024-02-06", "2024-02-07", "2024-02-29", "2024-03-01", "2024-03-31"];
    let mut list: Vec<Outing> = days.iter().map(|d| at(Season::Before, d)).collect();
    list.extend(["2024-02-06", "2024-02-06"].map(|d| at(Season::After, d)));
    let outings = Outings::new(list).unwrap();
    let count = |size| {
        let blocks = Blocks::of(&outings, size).unwrap();
        (blocks.count(Season::Before), blocks.count(Season::After))
    };
    assert_eq!(count(BlockSize::Outing), (6, 2));
    assert_eq!(count(BlockSize::Day), (6, 1));
    // Days 0 and 6, 7, 29 and 30, 60.
    assert_eq!(count(BlockSize::Week), (4, 1));
    // 31 January to 30 March (no 31 February), then 31 March.
    assert_eq!(count(BlockSize::Month), (3, 1));
}

#[test]
fn a_season_without_sign_is_refused_unless_it_was_searched() {
    let here = WeightedPoint::new(GroundPoint::new(0.0, 0.0), 1.0);
    let outing = |season, sign: Vec<WeightedPoint>, searched: Vec<WeightedPoint>| Outing {
        season,
        day: None,
        sign,
        searched,
    };
    let lone = [outing(Season::Before, vec![here], vec![])];
    assert_eq!(Outings::new(lone), Err(SeasonError::NoSign(Season::After)));
    assert_eq!(Outings::new([]), Err(SeasonError::NoSignAtAll));
    let searched =
        [outing(Season::Before, vec![here], vec![here]), outing(Season::After, vec![], vec![here])];
    let outings = Outings::new(searched).unwrap();
    let found = compare(&outings, &settings(100.0, 99)).unwrap();
    assert_eq!((found.compares, found.headline.verdict), (Compares::Rate, Verdict::NotEnough));
}

#[test]
fn places_far_apart_are_refused_before_memory_is_taken() {
    let at = |season, x_m: f64| Outing {
        season,
        day: None,
        sign: vec![WeightedPoint::new(GroundPoint::new(x_m, x_m), 1.0)],
        searched: vec![],
    };
    let outings = Outings::new([at(Season::Before, 0.0), at(Season::After, 9e6)]).unwrap();
    assert!(matches!(compare(&outings, &settings(0.001, 99)), Err(SeasonError::TooLarge { .. })));
    assert!(matches!(compare(&outings, &settings(f64::NAN, 99)), Err(SeasonError::Bandwidth(_))));
}
