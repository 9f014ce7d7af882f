//! Surfaces, their sums and their statistics, each against its definition written out.

use std::f64::consts::PI;

use approx::assert_relative_eq;

use super::super::cells::test_cells;
use super::super::gram::{Gram, dot};
use super::super::lattice::Lattice;
use super::super::moments::Moments;
use super::super::points::PointSums;
use super::super::ratio::plain_statistic;
use super::super::record_rates::RecordRates;
use super::*;
use crate::surface::{Grid, Kernel, density_on_grid};

/// A lattice whose surfaces are any numbers, over outings one of which searched nothing anywhere.
pub(super) fn any_lattice(outings: &Outings, cells: usize, seed: u64) -> Lattice {
    let mut rng = rng(seed);
    let compares = if outings.effort_known() { Compares::Rate } else { Compares::Pattern };
    let count = outings.list().len();
    let sign = (0..count).map(|_| (0..cells).map(|_| rng.random_range(0.0..2.0)).collect()).collect();
    let effort = (compares == Compares::Rate).then(|| {
        let one = |i: usize| -> Vec<f64> {
            // Nobody searches the first cell, only one season the second.
            let share = |c: usize| match c {
                0 => 0.0,
                1 if outings.list()[i].season == Season::Before => 0.0,
                _ => 1.0,
            };
            (0..cells).map(|c| share(c) * rng.random_range(0.1..3.0)).collect()
        };
        (0..count).map(one).collect()
    });
    Lattice {
        grid: Grid { west_m: 0.0, north_m: 0.0, cell_m: 7.0, columns: cells, rows: 1 },
        compares,
        kernel: Kernel::Gaussian,
        bandwidth_m: 20.0,
        sign,
        effort,
    }
}

#[test]
fn a_dot_product_of_any_length_is_the_plain_sum() {
    for n in 0..35 {
        let a: Vec<f64> = (0..n).map(|i| f64::from(i) - 3.5).collect();
        let b: Vec<f64> = (0..n).map(|i| f64::from(i * i % 7) + 0.25).collect();
        let plain: f64 = a.iter().zip(&b).map(|(a, b)| a * b).sum();
        assert_relative_eq!(dot(&a, &b), plain, max_relative = 1e-12, epsilon = 1e-12);
    }
}

/// ‖p₁ − p₂‖² over Σ k/(k − 1) Σ‖f_i − n_i p‖²/n², from the surfaces themselves.
#[test]
fn the_global_statistic_is_its_definition() {
    let outings = outings(1, (5, 4), false);
    let lattice = any_lattice(&outings, 13, 2);
    let sign: Vec<f64> = outings.list().iter().map(Outing::sign_count).collect();
    let gram = Gram::of(&lattice.sign, sign.clone(), 49.0);
    let everywhere: Vec<usize> = (0..13).collect();
    let blocks = Blocks::of(&outings, BlockSize::Outing).unwrap();
    let moments = Moments::of_blocks(&lattice, &blocks, &sign, &everywhere);
    for part in [vec![0, 1, 2, 3, 4], vec![1, 3], vec![0, 8, 5, 2], vec![2, 3, 4, 5, 6, 7]] {
        let inside = |i: usize| part.contains(&(i as u32));
        let (mut means, mut variance) = (Vec::new(), 0.0);
        for own in [true, false] {
            let of: Vec<usize> = (0..9).filter(|&i| inside(i) == own).collect();
            let n: f64 = of.iter().map(|&i| sign[i]).sum();
            let mean: Vec<f64> =
                (0..13).map(|c| of.iter().map(|&i| lattice.sign[i][c]).sum::<f64>() / n).collect();
            let k = of.len() as f64;
            for &i in &of {
                let off = (0..13).map(|c| (lattice.sign[i][c] - sign[i] * mean[c]).powi(2)).sum::<f64>();
                variance += k / (k - 1.0) * off * 49.0 / (n * n);
            }
            means.push(mean);
        }
        let plain = (0..13).map(|c| (means[0][c] - means[1][c]).powi(2)).sum::<f64>() * 49.0;
        let found = gram.statistic(&part);
        assert_relative_eq!(found.plain_per_m2, plain, max_relative = 1e-9);
        assert_relative_eq!(found.studentised, plain / variance, max_relative = 1e-9);
        let contrast = moments.contrast(&part);
        assert_relative_eq!(contrast.plain_per_m2, plain, max_relative = 1e-9);
        assert_relative_eq!(contrast.studentised, plain / variance, max_relative = 1e-9);
    }
}

/// The difference of both parts at a place, with its error: H (r₁ − r₂) and the linearised variance.
fn contrast_at(f: &[f64], e: &[f64], part: &[u32]) -> (f64, f64) {
    let of = |own: bool| (0..f.len()).filter(move |&i| part.contains(&(i as u32)) == own);
    let sums = |own: bool| of(own).fold((0.0, 0.0), |(a, b), i| (a + f[i], b + e[i]));
    let ((f1, e1), (f2, e2)) = (sums(true), sums(false));
    if e1 + e2 <= 0.0 {
        return (0.0, 0.0);
    }
    let h = e1 * e2 / (e1 + e2);
    let (mut rates, mut variance) = (Vec::new(), 0.0);
    for (own, (f_sum, e_sum)) in [(true, (f1, e1)), (false, (f2, e2))] {
        let rate = if e_sum > 0.0 { f_sum / e_sum } else { 0.0 };
        let k = of(own).count() as f64;
        let scatter: f64 = of(own).map(|i| (f[i] - rate * e[i]).powi(2)).sum();
        // H/E of the own part is the share of the other.
        let other = 1.0 - e_sum / (e1 + e2);
        variance += k / (k - 1.0) * other * other * scatter;
        rates.push(rate);
    }
    (h * (rates[0] - rates[1]), variance.sqrt())
}

/// Blocks of two and three outings, at some of the cells, for patterns and for rates.
#[test]
fn the_contrast_at_a_place_is_its_definition() {
    for searched in [false, true] {
        let outings = outings(3, (5, 6), searched);
        let lattice = any_lattice(&outings, 6, 4);
        let groups = vec![vec![0, 1], vec![2], vec![3, 4], vec![5, 6, 7], vec![8], vec![9, 10]];
        let blocks = Blocks { seasons: vec![Season::Before; 6], outings: groups.clone() };
        let sign: Vec<f64> = outings.list().iter().map(Outing::sign_count).collect();
        let (places, part) = ([0, 1, 3, 5], [0, 2, 5]);
        let contrast = Moments::of_blocks(&lattice, &blocks, &sign, &places).contrast(&part);
        let over = |value: &dyn Fn(usize) -> f64| -> Vec<f64> {
            groups.iter().map(|block| block.iter().map(|&i| value(i)).sum()).collect()
        };
        let n = over(&|i| sign[i]);
        let (mut squares, mut variances) = (0.0, 0.0);
        for (k, &place) in places.iter().enumerate() {
            let f = over(&|i| lattice.sign[i][place]);
            let e = lattice.effort.as_ref().map_or(n.clone(), |effort| over(&|i| effort[i][place]));
            let (difference, error) = contrast_at(&f, &e, &part);
            assert_relative_eq!(contrast.difference[k], difference, max_relative = 1e-9, epsilon = 1e-12);
            assert_relative_eq!(contrast.error[k], error, max_relative = 1e-6, epsilon = 1e-12);
            squares += difference * difference;
            variances += error * error;
        }
        assert_relative_eq!(contrast.studentised, squares / variances, max_relative = 1e-6);
        let (inside, all) = (n[0] + n[2] + n[5], n.iter().sum::<f64>());
        let scale = inside * (all - inside) / all;
        assert_relative_eq!(contrast.plain_per_m2, squares * 49.0 / scale.powi(2), max_relative = 1e-9);
    }
}

/// Σ w φ, Σ w² φ and Σ w² φ² record by record, for records of one weight and of several.
#[test]
fn sums_over_single_records_are_sums_over_single_records() {
    let grid = Grid { west_m: -150.0, north_m: 1100.0, cell_m: 60.0, columns: 21, rows: 23 };
    let h = 130.0;
    for shared in [true, false] {
        let mut points = scattered(&mut rng(5), 40, 1000.0);
        points.iter_mut().filter(|_| shared).for_each(|p| p.weight = 2.5);
        let sums = PointSums::new(&points, &grid, h);
        assert!(sums.weights().iter().zip(&points).all(|(w, p)| *w == p.weight));
        let part: Vec<u32> = (0..40).filter(|i| i % 3 != 1).collect();
        let power = |n: i32| part.iter().map(|&i| points[i as usize].weight.powi(n)).sum::<f64>();
        // What interpolation may err, a record: 2e-6 of a kernel's peak, 3e-5 of its square's.
        let (once, twice) = (power(1), power(2));
        let found = sums.sums_over(&part);
        let peak = 1.0 / (2.0 * PI * h * h);
        for cell in 0..grid.cells() {
            let centre = grid.centre(cell / grid.columns, cell % grid.columns);
            let mut wanted = [0.0; 3];
            for p in part.iter().map(|&i| &points[i as usize]) {
                let kernel = peak * (-0.5 * (centre.distance_m(p.at) / h).powi(2)).exp();
                wanted[0] += p.weight * kernel;
                wanted[1] += p.weight.powi(2) * kernel;
                wanted[2] += (p.weight * kernel).powi(2);
            }
            let errs = [3e-6 * peak * once, 3e-6 * peak * twice, 5e-5 * peak * peak * twice];
            for (layer, (wanted, err)) in wanted.iter().zip(errs).enumerate() {
                assert!((found[layer * grid.cells() + cell] - wanted).abs() < err, "{layer} {cell}");
            }
        }
    }
}

/// ∫(p₂ − p₁)² of patterns; of rates that of (E₁F₂ − E₂F₁)/(E₁ + E₂) over N₁N₂/(N₁ + N₂).
#[test]
fn the_plain_statistic_is_its_definition() {
    for searched in [false, true] {
        let outings = outings(6, (3, 4), searched);
        let lattice = any_lattice(&outings, 5, 7);
        let over = |surfaces: &[Vec<f64>], season: Season, c: usize| -> f64 {
            (0..7).filter(|&i| outings.list()[i].season == season).map(|i| surfaces[i][c]).sum()
        };
        let (n1, n2) = (outings.sign_count(Season::Before), outings.sign_count(Season::After));
        let difference = |c: usize| {
            let (f1, f2) = (over(&lattice.sign, Season::Before, c), over(&lattice.sign, Season::After, c));
            let Some(effort) = &lattice.effort else { return f2 / n2 - f1 / n1 };
            let (e1, e2) = (over(effort, Season::Before, c), over(effort, Season::After, c));
            if e1 + e2 > 0.0 { (e1 * f2 - e2 * f1) / (e1 + e2) * (n1 + n2) / (n1 * n2) } else { 0.0 }
        };
        let wanted = (0..5).map(|c| difference(c).powi(2)).sum::<f64>() * 49.0;
        assert_relative_eq!(plain_statistic(&outings, &lattice), wanted, max_relative = 1e-12);
    }
}

/// Two records: ∫(f − g)² = (1 − exp(−d²/4h²))/(2πh²), whatever their weights.
#[test]
fn two_records_differ_by_the_closed_form() {
    let (f, g) = ([at(3.0, 4.0, 2.0)], [at(63.0, 84.0, 5.0)]);
    let found = squared_difference_per_m2(&f, &g, 50.0);
    assert_relative_eq!(found, (1.0 - (-1.0_f64).exp()) / (2.0 * PI * 2500.0), max_relative = 1e-12);
    assert!(squared_difference_per_m2(&f, &[], 50.0).is_nan());
    assert_relative_eq!(log_ratio(2.0, 6.0), 3.0_f64.ln(), max_relative = 1e-15);
    assert_eq!((log_ratio(1.0, 0.0), log_ratio(0.0, 1.0)), (-20.0, 20.0));
    assert_eq!((log_ratio(1.0, -1.0), log_ratio(-1.0, 1.0)), (-20.0, 20.0));
    assert!(
        log_ratio(0.0, 0.0).is_nan() && log_ratio(-1.0, 0.0).is_nan() && log_ratio(f64::NAN, 1.0).is_nan()
    );
    assert!(log_ratio(1.0, f64::NAN).is_nan());
}

/// Cells whole multiples or parts of the output's, at least three to a bandwidth and no finer than must
/// be; four and a half bandwidths beyond all that was found and searched; surfaces per m².
#[test]
fn the_lattice_covers_all_with_surfaces_of_every_outing() {
    for (searched, h, cell_m, wanted_m) in [
        (false, 100.0, 10.0, 30.0),
        (true, 100.0, 10.0, 30.0),
        (true, 90.0, 100.0, 25.0),
        (false, 90.0, 30.0, 30.0),
    ] {
        let outings = outings(8, (3, 2), searched);
        let lattice = Lattice::new(&outings, Kernel::Gaussian, h, cell_m).unwrap();
        assert_relative_eq!(lattice.grid.cell_m, wanted_m, max_relative = 1e-12);
        assert_eq!(lattice.compares, if searched { Compares::Rate } else { Compares::Pattern });
        let all = || outings.list().iter().flat_map(|o| o.sign.iter().chain(&o.searched));
        let (grid, reach) = (lattice.grid, 4.5 * h);
        let ends = |value: fn(&WeightedPoint) -> f64| {
            all().map(value).fold((f64::MAX, f64::MIN), |(a, b), v| (a.min(v), b.max(v)))
        };
        let ((west, east), (south, north)) = (ends(|p| p.at.x_m), ends(|p| p.at.y_m));
        let beyond = |metres: f64| (-1e-6..2.0 * wanted_m).contains(&metres);
        assert!(beyond(west - reach - grid.west_m) && beyond(grid.north_m - north - reach));
        let (width, height) = (grid.columns as f64 * wanted_m, grid.rows as f64 * wanted_m);
        assert!(beyond(grid.west_m + width - east - reach) && beyond(south - reach - grid.north_m + height));
        for (i, outing) in outings.list().iter().enumerate() {
            let surface = density_on_grid(&outing.sign, &grid, Kernel::Gaussian, h);
            assert!(lattice.sign[i].iter().zip(&surface).all(|(m, km)| (m - km * 1e-6).abs() < 1e-15));
            if let Some(effort) = &lattice.effort {
                let surface = density_on_grid(&outing.searched, &grid, Kernel::Gaussian, h);
                assert!(effort[i].iter().zip(&surface).all(|(m, km)| (m - km * 1e-6).abs() < 1e-15));
            }
        }
        let least = present_per_m2(h);
        assert_relative_eq!(least, (-4.5_f64).exp() / (2.0 * PI * h * h), max_relative = 1e-12);
        let sum = |surfaces: &[Vec<f64>], season: Option<Season>, c: usize| -> f64 {
            let of = (0..surfaces.len()).filter(|&i| season.is_none_or(|s| outings.list()[i].season == s));
            of.map(|i| surfaces[i][c]).sum()
        };
        for (c, tested) in lattice.tested(&outings).into_iter().enumerate() {
            let both = [Season::Before, Season::After];
            let seen = |effort: &Vec<Vec<f64>>| both.iter().all(|&s| sum(effort, Some(s), c) >= least);
            let wanted = sum(&lattice.sign, None, c) >= least && lattice.effort.as_ref().is_none_or(seen);
            assert_eq!(tested, wanted, "{c}");
        }
    }
}

/// D and V of single records by plain sums; where all orders are few, p is the share of them.
#[test]
fn single_records_are_dealt_by_the_effort_where_they_lie() {
    let h = 100.0;
    let outing = |season, on: &str, sign, searched| Outing { season, day: Some(day(on)), sign, searched };
    // Found where the season searched little.
    let list = [
        outing(
            Season::Before,
            "2025-03-01",
            vec![at(300.0, 0.0, 2.0), at(310.0, 40.0, 1.0)],
            vec![at(0.0, 0.0, 3.0), at(300.0, 0.0, 1.0)],
        ),
        outing(
            Season::After,
            "2026-03-01",
            vec![at(0.0, 0.0, 1.0)],
            vec![at(0.0, 50.0, 1.0), at(300.0, 0.0, 1.0)],
        ),
    ];
    let outings = Outings::new(list).unwrap();
    let lattice = Lattice::new(&outings, Kernel::Gaussian, h, 25.0).unwrap();
    let rates = RecordRates::new(&outings, &lattice).unwrap();
    let kernel =
        |a: GroundPoint, b: GroundPoint| (-0.5 * (a.distance_m(b) / h).powi(2)).exp() / (2.0 * PI * h * h);
    let share = |at: GroundPoint| {
        let of = |season| -> f64 {
            outings.of(season).flat_map(|o| &o.searched).map(|p| p.weight * kernel(at, p.at)).sum()
        };
        of(Season::Before) / (of(Season::Before) + of(Season::After))
    };
    let records: Vec<WeightedPoint> = outings.sign().copied().collect();
    let (mut observed, mut chances) = (0.0, vec![(0.0, 0.0); 8]);
    for (deal, chance) in chances.iter_mut().enumerate() {
        let dealt = |i: usize| deal >> i & 1 == 1;
        let (mut squares, mut variances) = (0.0, 0.0);
        for cell in 0..lattice.grid.cells() {
            let here = lattice.grid.centre(cell / lattice.grid.columns, cell % lattice.grid.columns);
            let part = share(here);
            let weight = |i: usize| if dealt(i) { 1.0 - part } else { -part };
            let each = |i: usize| records[i].weight * kernel(here, records[i].at);
            squares += (0..3).map(|i| weight(i) * each(i)).sum::<f64>().powi(2);
            variances += (0..3).map(|i| (weight(i) * each(i)).powi(2)).sum::<f64>();
        }
        let own = |i: usize| if dealt(i) { share(records[i].at) } else { 1.0 - share(records[i].at) };
        *chance = (squares / variances, (0..3).map(own).product());
        let is_seen = outings.list().iter().flat_map(|o| o.sign.iter().map(|_| o.season)).enumerate();
        if is_seen.clone().all(|(i, season)| dealt(i) == (season == outings.list()[0].season)) {
            observed = squares / variances;
        }
    }
    // The part is the season that comes first in the order of time.
    assert_relative_eq!(rates.observed(), observed, max_relative = 1e-3);
    let p: f64 = chances.iter().filter(|c| c.0 >= observed * 0.999).map(|c| c.1).sum();
    // Neither always nor never reached, so that dealing matters.
    assert!((0.1..0.9).contains(&p), "{p}");
    for stream in [2, 3] {
        assert!((rates.p(4000, 1, stream) - p).abs() < 0.03, "{} {p}", rates.p(4000, 1, stream));
    }
    assert_ne!(rates.p(500, 1, 2), rates.p(500, 1, 3));
}

/// z, both tails, the family and the claim, over all relabellings drawn and their mirrors.
#[test]
fn tests_of_cells_are_counted_out() {
    for (sizes, runs) in [((4, 6), 59), ((5, 5), 80), ((4, 4), 20), ((4, 5), 7)] {
        let outings = outings(9, sizes, true);
        let lattice = any_lattice(&outings, 7, 10);
        let blocks = Blocks::of(&outings, BlockSize::Outing).unwrap();
        let sign: Vec<f64> = outings.list().iter().map(Outing::sign_count).collect();
        let places = [0, 1, 2, 4, 5, 6];
        let moments = Moments::of_blocks(&lattice, &blocks, &sign, &places);
        let relabellings = Relabellings::draw(&blocks.seasons, runs, 3, 4);
        let found = test_cells(&moments, &relabellings, &places, 7);
        let z_of = |part: &[u32]| -> Vec<f64> {
            let c = moments.contrast(part);
            let floor = 0.05 * c.error.iter().fold(0.0_f64, |a, &b| a.max(b));
            c.difference.iter().zip(&c.error).map(|(d, e)| d / (e + floor)).collect()
        };
        let seen = z_of(relabellings.observed());
        let mut all: Vec<Vec<f64>> = relabellings.parts().iter().map(|part| z_of(part)).collect();
        let mut family = all.clone();
        if relabellings.mirrored() {
            let turned = |z: &Vec<f64>| z.iter().map(|z| -z).collect::<Vec<f64>>();
            all.extend(family.iter().map(turned).collect::<Vec<_>>());
            all.push(turned(&seen));
        }
        assert_eq!((all.len(), found.runs, found.tested), (relabellings.runs(), relabellings.runs(), 6));
        family.push(seen.clone());
        let sign = if relabellings.part_is() == Season::After { 1.0 } else { -1.0 };
        let reaches = |a: f64, b: f64| a >= b - 1e-12 * b.abs();
        let least = 1.0 / family.len() as f64;
        for (k, &place) in places.iter().enumerate() {
            assert_eq!(found.z[place], sign * seen[k]);
            let tail = |turn: f64| {
                let reached = all.iter().filter(|z| reaches(turn * z[k], turn * seen[k])).count();
                (reached + 1) as f64 / (all.len() + 1) as f64
            };
            assert_relative_eq!(found.p[place], (2.0 * tail(1.0).min(tail(-1.0))).min(1.0));
            let largest = |z: &Vec<f64>| z.iter().fold(0.0_f64, |a, z| a.max(z.abs()));
            let reached = family.iter().filter(|z| reaches(largest(z), seen[k].abs())).count();
            assert_relative_eq!(found.p_family[place], reached as f64 * least);
            assert_eq!(found.p_family[place] <= 0.05 + 1e-9, seen[k].abs() > found.claim_above, "{k}");
        }
        assert_eq!(found.claim_above.is_infinite(), least > 0.05);
        assert!(found.z[3].is_nan() && found.p[3].is_nan() && found.p_family[3].is_nan());
        let p: Vec<f64> = places.iter().map(|&i| found.p[i]).collect();
        let adjusted = benjamini_hochberg(&p);
        assert!(places.iter().zip(adjusted).all(|(&i, p)| found.p_fdr[i] == p));
    }
}
