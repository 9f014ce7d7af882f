//! Answers and areas: what is claimed, and what is said where nothing is.

use geo::{Area, Contains};
use geo_types::Point;

use super::super::compare::{few_runs, finer_than_the_rule};
use super::*;
use crate::surface::{Grid, Kernel};

fn settings(block: Option<BlockSize>, runs: usize) -> Settings {
    Settings { kernel: Kernel::Gaussian, bandwidth_m: 150.0, cell_m: 50.0, runs, seed: 1, block }
}

/// Cell tests that hold these values and nothing else.
fn tests_of(cells: usize, runs: usize, tested: usize, claim_above: f64) -> CellTests {
    let none = vec![f64::NAN; cells];
    CellTests {
        z: none.clone(),
        p: none.clone(),
        p_family: none.clone(),
        p_fdr: none,
        claim_above,
        runs,
        tested,
    }
}

#[test]
fn too_few_runs_are_told() {
    let said = |runs, tested, claim| few_runs(&tests_of(0, runs, tested, claim)).join("; ");
    assert_eq!(said(4999, 100, 3.0), "");
    // 2/5000 over 126 tests is 0.0504.
    assert_eq!(said(4999, 125, 3.0), "");
    assert!(
        said(4999, 126, 3.0).ends_with("only together with at least 1 others"),
        "{}",
        said(4999, 126, 3.0)
    );
    assert!(said(4999, 1000, 3.0).ends_with("together with at least 7 others"));
    assert!(said(39, 1, 3.0).is_empty());
    assert_eq!(said(38, 1, 3.0), "38 runs are too few for any cell to survive the false discovery rate");
    assert_eq!(said(4999, 5, f64::INFINITY), "4999 runs are too few for any area of change to be claimed");
}

fn size_test(size: BlockSize, p: Option<f64>, reason: Option<&str>) -> SizeTest {
    SizeTest {
        size,
        blocks_before: 12,
        blocks_after: 12,
        statistic: 1.0,
        studentised: Some(1.0),
        p,
        reason: reason.map(str::to_string),
    }
}

/// The coarsest size that can be used carries the answer; records never do.
#[test]
fn the_headline_rests_on_the_coarsest_usable_blocks() {
    let outings = outings(21, (12, 12), false);
    let lattice = Lattice::new(&outings, Kernel::Gaussian, 150.0, 50.0).unwrap();
    let few = Some("too few");
    let all = [
        size_test(BlockSize::Record, Some(0.001), None),
        size_test(BlockSize::Outing, Some(0.04), None),
        size_test(BlockSize::Day, Some(0.05), None),
        size_test(BlockSize::Week, None, few),
        size_test(BlockSize::Month, Some(0.2), few),
    ];
    let found = headline(&outings, &lattice, &all, &settings(None, 99));
    assert!(!found.dependence.unwrap().beyond_block);
    assert_eq!((found.block, found.p, found.verdict), (Some(BlockSize::Day), Some(0.05), Verdict::Change));
    assert!(found.claims_change() && found.reason.is_none());
    let mut weaker = all.clone();
    weaker[2].p = Some(0.051);
    let found = headline(&outings, &lattice, &weaker, &settings(None, 99));
    assert_eq!((found.p, found.verdict), (Some(0.051), Verdict::NoChangeShown));
    let found = headline(&outings, &lattice, &all[..1], &settings(None, 99));
    assert_eq!((found.block, found.p, found.verdict), (None, None, Verdict::NotEnough));
    // Asked for by name, even records and too few blocks answer; without a p they do not.
    for (fixed, p) in
        [(BlockSize::Record, Some(0.001)), (BlockSize::Month, Some(0.2)), (BlockSize::Week, None)]
    {
        let found = headline(&outings, &lattice, &all, &settings(Some(fixed), 99));
        assert_eq!((found.block, found.p), (Some(fixed), p));
        assert_eq!(found.reason.as_deref(), if p.is_none() { few } else { None });
    }
    let undated = Outings::new(outings.list().iter().map(|o| Outing { day: None, ..o.clone() })).unwrap();
    let found = headline(&undated, &lattice, &all[..2], &settings(None, 99));
    assert!(found.p.is_none() && found.reason.unwrap().contains("no dates"));
}

/// Sign that moves on evenly from day to day: no answer, unless blocks are asked for by name.
#[test]
fn outings_that_depend_on_each_other_give_no_headline() {
    let list = (0..28_u32).map(|k| {
        let (season, start) =
            if k < 14 { (Season::Before, day("2025-03-01")) } else { (Season::After, day("2026-03-01")) };
        let on = start.saturating_add(jiff::Span::new().days(i64::from(k % 14)));
        Outing { season, day: Some(on), sign: vec![at(f64::from(k % 14) * 60.0, 0.0, 1.0)], searched: vec![] }
    });
    let outings = Outings::new(list).unwrap();
    let found = compare(&outings, &settings(None, 99)).unwrap().headline;
    assert_eq!((found.block, found.p, found.verdict), (Some(BlockSize::Day), None, Verdict::NotEnough));
    assert!(found.dependence.unwrap().beyond_block && found.reason.unwrap().contains("the edge of a day"));
    let fixed = compare(&outings, &settings(Some(BlockSize::Day), 99)).unwrap();
    assert!(fixed.headline.p.is_some() && fixed.warnings.iter().any(|w| w.contains("finer than the rule")));
}

/// So many cells and values and no more, counted before any is made.
#[test]
fn surfaces_too_large_are_refused() {
    let apart = |metres: f64, searched: bool| {
        let ground = |at: WeightedPoint| if searched { vec![at] } else { vec![] };
        let one = |season, x: f64| {
            let place = at(x, x, 1.0);
            Outing { season, day: None, sign: vec![place], searched: ground(place) }
        };
        Outings::new([one(Season::Before, 0.0), one(Season::After, metres)]).unwrap()
    };
    let made = |metres: f64, searched: bool| {
        Lattice::new(&apart(metres, searched), Kernel::Gaussian, 30.0, 10.0)
            .map(|lattice| lattice.grid.cells())
    };
    // Cells of 10 m, a margin of 135 m: 2,000 a side are four million.
    assert!(made(19_600.0, false).unwrap() > 3_900_000);
    let Err(SeasonError::TooLarge { cells, outings }) = made(19_740.0, false) else { panic!() };
    assert!((cells - 2002.0_f64.powi(2)).abs() < 1.0 && outings == 2, "{cells}");
    // Forty outings on four million cells are 160 million numbers.
    let many = |count: usize, searched: bool| {
        let list = apart(15_000.0, searched).list().to_vec();
        let all = Outings::new(list.into_iter().cycle().take(count)).unwrap();
        Lattice::new(&all, Kernel::Gaussian, 30.0, 10.0).is_ok()
    };
    // 1,528 a side: 2,334,784 cells, of which 55 surfaces fit.
    assert!(!many(56, false) && !many(28, true));
}

#[test]
fn blocks_finer_than_the_rule_are_warned_of() {
    let sizes = [
        size_test(BlockSize::Outing, Some(0.5), None),
        size_test(BlockSize::Day, Some(0.5), None),
        size_test(BlockSize::Week, Some(0.5), Some("few weeks")),
    ];
    let plain =
        Headline { block: None, p: None, verdict: Verdict::NotEnough, reason: None, dependence: None };
    let said = |fixed, sizes: &[SizeTest], found: &Headline| finer_than_the_rule(fixed, sizes, found);
    assert!(said(BlockSize::Outing, &sizes, &plain).unwrap().contains("finer than the rule"));
    assert_eq!(said(BlockSize::Day, &sizes, &plain), None);
    assert_eq!(
        said(BlockSize::Week, &sizes, &plain).unwrap(),
        "blocks of one week are too few by the rule: few weeks"
    );
    // Where no size can be used, any is finer than the rule.
    assert!(said(BlockSize::Week, &sizes[2..], &plain).unwrap().contains("finer"));
    let beyond = Dependence { p: 0.01, reach_days: 1.0, beyond_block: true };
    let tied = Headline { dependence: Some(beyond), ..plain.clone() };
    assert!(said(BlockSize::Day, &sizes, &tied).unwrap().contains("finer"));
    let free = Headline { dependence: Some(Dependence { beyond_block: false, ..beyond }), ..plain };
    assert_eq!(said(BlockSize::Day, &sizes, &free), None);
}

/// Ten blocks a season and a thousand ways at least; where days make the blocks of outings, the test is
/// the same.
#[test]
fn a_comparison_tests_every_size_it_can() {
    for searched in [false, true] {
        let outings = outings(22, (12, 14), searched);
        let found = compare(&outings, &settings(None, 199)).unwrap();
        let sizes: Vec<_> =
            found.sizes.iter().map(|t| (t.blocks_before, t.blocks_after, t.p.is_some())).collect();
        let records = |season| outings.of(season).map(|o| o.sign.len()).sum::<usize>();
        let by_record = (records(Season::Before), records(Season::After), true);
        assert_eq!(sizes, [by_record, (12, 14, true), (12, 14, true), (2, 2, false), (1, 1, false)]);
        assert_eq!(found.sizes[1].p, found.sizes[2].p);
        assert_eq!(found.sizes[2].blocks(), 26);
        assert!(found.sizes[3].studentised.is_some() && found.sizes[4].studentised.is_none());
        let reason = "blocks: 2 before and 2 after; at least 10 in each season are needed";
        assert_eq!(found.sizes[3].reason.as_deref(), Some(reason));
        assert_eq!(found.compares, if searched { Compares::Rate } else { Compares::Pattern });
        // Tests of cells come with an answer, from the same blocks.
        let cells = local_tests(&outings, &found.lattice, BlockSize::Day, 199, 1).unwrap();
        assert_eq!(found.headline.block, Some(BlockSize::Day));
        assert_eq!(format!("{:?}", found.cells), format!("{:?}", Some(&cells)));
        let tested = found.lattice.tested(&outings);
        assert!(cells.z.iter().zip(&tested).all(|(z, tested)| z.is_nan() != *tested));
        assert!(local_tests(&outings, &found.lattice, BlockSize::Record, 19, 1).is_some() != searched);
        let fixed = compare(&outings, &settings(Some(BlockSize::Week), 199)).unwrap();
        assert!(fixed.headline.p.is_some() && fixed.sizes[3].p == fixed.headline.p);
        assert!(fixed.warnings.iter().any(|w| w.contains("too few by the rule")), "{:?}", fixed.warnings);
    }
    let test = |outings: &Outings, kernel, size, forced| {
        let lattice = Lattice::new(outings, kernel, 150.0, 50.0).unwrap();
        test_size(outings, &lattice, size, 99, 1, forced)
    };
    let nine = outings(23, (9, 30), false);
    assert!(test(&nine, Kernel::Gaussian, BlockSize::Outing, false).p.is_none());
    assert!(test(&nine, Kernel::Gaussian, BlockSize::Outing, true).p.is_some());
    assert!(test(&outings(23, (1, 30), false), Kernel::Gaussian, BlockSize::Outing, true).p.is_none());
    for searched in [false, true] {
        let of_records = test(&outings(23, (12, 12), searched), Kernel::Quartic, BlockSize::Record, true);
        assert!(of_records.p.is_none() && of_records.reason.unwrap().contains("gaussian kernel only"));
    }
}

/// Two spots above the claim and one below it: areas about as large as what is above, in metres, with the
/// least p of the claimed cells inside.
#[test]
fn areas_hold_the_cells_that_are_claimed() {
    let grid = Grid { west_m: 1000.0, north_m: 9000.0, cell_m: 20.0, columns: 40, rows: 30 };
    let mut cells = tests_of(grid.cells(), 999, grid.cells(), 2.0);
    let spot = |at: GroundPoint, x: f64, y: f64, radius: f64| {
        let away = at.distance_m(GroundPoint::new(x, y));
        (4.0 * (1.0 - away / (2.0 * radius))).max(0.0)
    };
    for i in 0..grid.cells() {
        let at = grid.centre(i / grid.columns, i % grid.columns);
        // Up to 2 at the radius; the third is nowhere above it.
        cells.z[i] = spot(at, 1200.0, 8800.0, 100.0) - spot(at, 1600.0, 8600.0, 80.0)
            + 0.49 * spot(at, 1250.0, 8500.0, 60.0);
        let strength = cells.z[i].abs();
        (cells.p[i], cells.p_family[i]) = (0.5 - 0.12 * strength, 0.6 - 0.14 * strength);
        cells.p_fdr[i] = if cells.z[i] > 0.0 { 0.05 } else { 0.051 };
    }
    // A hole of cells that were not tested, outside the areas.
    cells.z[grid.cells() - 1] = f64::NAN;
    let found = change_areas(&cells, &grid);
    let words: Vec<&str> = found.iter().map(|area| area.direction.word()).collect();
    assert_eq!(words, ["increase", "decrease"]);
    for (area, (x, y, radius)) in found.iter().zip([(1200.0, 8800.0, 100.0_f64), (1600.0, 8600.0, 80.0)]) {
        let wanted = std::f64::consts::PI * radius * radius;
        assert!((area.outline.signed_area() / wanted - 1.0).abs() < 0.03, "{}", area.outline.signed_area());
        for turn in 0..12 {
            let to = (f64::from(turn) * 30.0).to_radians();
            let at = |share: f64| Point::new(x + share * radius * to.sin(), y + share * radius * to.cos());
            assert!(area.outline.contains(&at(0.97)) && !area.outline.contains(&at(1.03)));
        }
        let inside = |i: &usize| {
            grid.centre(i / grid.columns, i % grid.columns).distance_m(GroundPoint::new(x, y)) < radius
        };
        let least = |p: &[f64]| (0..grid.cells()).filter(inside).map(|i| p[i]).fold(1.0, f64::min);
        assert_eq!((area.p_min, area.p_max), (least(&cells.p), least(&cells.p_family)));
        assert_eq!(area.survives_fdr, area.direction == Direction::Increase);
    }
    let (claimed, withheld) = Headline {
        block: None,
        p: Some(0.5),
        verdict: Verdict::NoChangeShown,
        reason: None,
        dependence: None,
    }
    .claims(found);
    assert_eq!((claimed.len(), withheld), (0, 2));
    cells.claim_above = f64::INFINITY;
    assert!(change_areas(&cells, &grid).is_empty());
}

#[test]
fn words_of_answers() {
    let words = [Verdict::Change, Verdict::NoChangeShown, Verdict::NotEnough].map(Verdict::words);
    assert_eq!(words, ["change", "no change shown", "not enough independent outings to tell"]);
    assert_eq!([Compares::Pattern, Compares::Rate].map(Compares::word), ["pattern", "rate"]);
}

/// Passed in both seasons and sign near, or no test; claims from the family-wise p.
#[test]
fn pieces_of_line_say_what_changed() {
    let piece = |log_ratio: f64, p_family: f64, p_fdr: f64| PieceChange {
        log_ratio: Some(log_ratio),
        p_family: Some(p_family),
        p_fdr: Some(p_fdr),
        ..PieceChange::default()
    };
    assert_eq!(piece(0.1, 0.05, 0.05).claimed(), Some(Direction::Increase));
    assert_eq!(piece(-0.1, 0.05, 0.05).claimed(), Some(Direction::Decrease));
    assert_eq!(piece(0.1, 0.051, 0.05).claimed(), None);
    assert_eq!(
        (piece(0.1, 0.5, 0.05).survives_fdr(), piece(0.1, 0.5, 0.051).survives_fdr()),
        (Some(true), Some(false))
    );
    assert_eq!((PieceChange::default().claimed(), PieceChange::default().survives_fdr()), (None, None));
    let outings = outings(24, (2, 2), true);
    let lines = LineOutings {
        sign: vec![
            vec![2e-3, 0.0, 1e-3, 1e-3],
            vec![1e-3, 0.0, 0.0, 1e-3],
            vec![4e-3, 0.0, 0.0, 0.0],
            vec![2e-3, 0.0, 0.0, 0.0],
        ],
        effort: vec![
            vec![1.0, 1.0, 1.0, 1.0],
            vec![2.0, 1.0, 1.0, 0.0],
            vec![1.0, 1.0, 1.0, 0.0],
            vec![1.0, 1.0, 1.0, 0.0],
        ],
        searched: vec![[true, true], [true, true], [true, false], [true, true]],
        present_per_m: 9e-3,
    };
    let found = compare_pieces(&outings, &lines, None, 9, 1);
    let rates: Vec<_> = found.iter().map(|piece| (piece.before_per_km, piece.after_per_km)).collect();
    assert_eq!(rates, [(Some(1.0), Some(3.0)), (Some(0.0), Some(0.0)), (Some(0.5), None), (Some(2.0), None)]);
    approx::assert_relative_eq!(found[0].log_ratio.unwrap(), 3.0_f64.ln(), max_relative = 1e-12);
    assert!(found[1..].iter().all(|piece| piece.log_ratio.is_none()));
    let scarce = LineOutings { present_per_m: 9.1e-3, ..lines };
    assert_eq!(compare_pieces(&outings, &scarce, None, 9, 1)[0].log_ratio, None);
}
