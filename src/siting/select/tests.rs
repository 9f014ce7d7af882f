use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;

mod parts;
mod recorded;
mod searches;

/// The best total over all choices, by trying them all.
fn brute_force(problem: &Problem) -> i64 {
    let n = problem.weights.len();
    let masks: Vec<u32> = (0..n as u32).map(|v| problem.conflicts.of(v).fold(0, |m, u| m | 1 << u)).collect();
    let mut best = 0;
    for set in 0..1_u32 << n {
        let members = (0..n).filter(|&v| set >> v & 1 == 1);
        let (mut total, mut cost, mut clash) = (0, 0, 0);
        for v in members {
            total += problem.weights[v];
            cost += problem.costs[v];
            clash |= masks[v] & set;
        }
        if clash == 0 && problem.budget.is_none_or(|b| cost <= b) {
            best = best.max(total);
        }
    }
    best
}

fn check(problem: &Problem, selection: &Selection) {
    let total: i64 = selection.chosen.iter().map(|&v| problem.weights[v as usize]).sum();
    assert_eq!(total, selection.total);
    for &a in &selection.chosen {
        for b in problem.conflicts.of(a) {
            assert!(!selection.chosen.contains(&b), "{a} and {b} conflict");
        }
    }
    if let Some(budget) = problem.budget {
        let cost: u32 = selection.chosen.iter().map(|&v| problem.costs[v as usize]).sum();
        assert!(cost <= budget);
    }
    assert!(selection.upper_bound >= selection.total);
}

fn random_problem(rng: &mut ChaCha8Rng, n: usize) -> Problem {
    let density = rng.random_range(0.05..0.6);
    let mut pairs = Vec::new();
    for a in 0..n as u32 {
        for b in a + 1..n as u32 {
            // Mostly near in number, as along a line, and some anywhere.
            let p: f64 = if b - a < 4 { density * 1.5 } else { density * 0.4 };
            if rng.random_bool(p.min(1.0)) {
                pairs.push((a, b));
            }
        }
    }
    Problem {
        weights: (0..n).map(|_| rng.random_range(1..40)).collect(),
        costs: vec![1; n],
        conflicts: Conflicts::from_pairs(n, &pairs).into(),
        budget: None,
    }
}

#[test]
fn free_choice_equals_brute_force() {
    let mut rng = ChaCha8Rng::seed_from_u64(1);
    for case in 0..300 {
        let n = rng.random_range(1..15);
        let problem = random_problem(&mut rng, n);
        let selection = select(&problem, Limits::default());
        check(&problem, &selection);
        assert_eq!(selection.total, brute_force(&problem), "case {case}");
        assert_eq!(selection.upper_bound, selection.total, "case {case}");
    }
}

#[test]
fn choice_within_a_budget_equals_brute_force() {
    let mut rng = ChaCha8Rng::seed_from_u64(2);
    for case in 0..600 {
        let n = rng.random_range(1..15);
        let mut problem = random_problem(&mut rng, n);
        problem.budget = Some(rng.random_range(0..7));
        if case % 2 == 0 {
            problem.costs = (0..n).map(|_| rng.random_range(1..4)).collect();
        }
        let selection = select(&problem, Limits::default());
        check(&problem, &selection);
        assert_eq!(selection.total, brute_force(&problem), "case {case}");
        assert_eq!(selection.upper_bound, selection.total, "case {case}");
    }
}

/// Fifteen points in metres and their weights, on which published problems were solved by
/// trying all 2^15 choices.
const POINTS: [(f64, f64); 15] = [
    (100.0, 100.0),
    (350.0, 900.0),
    (700.0, 400.0),
    (1200.0, 150.0),
    (1500.0, 800.0),
    (1900.0, 500.0),
    (2300.0, 950.0),
    (2600.0, 200.0),
    (3000.0, 700.0),
    (3300.0, 100.0),
    (900.0, 1300.0),
    (2100.0, 1400.0),
    (2800.0, 1350.0),
    (150.0, 1500.0),
    (1600.0, 1450.0),
];
const WEIGHTS: [i64; 15] = [5, 8, 7, 3, 9, 6, 4, 8, 5, 7, 6, 9, 3, 4, 5];

fn closer_than(points: &[(f64, f64)], apart_m: f64) -> Vec<(u32, u32)> {
    let n = points.len() as u32;
    let all = (0..n).flat_map(|a| (a + 1..n).map(move |b| (a, b)));
    all.filter(|&(a, b)| {
        let (p, q) = (points[a as usize], points[b as usize]);
        (p.0 - q.0).hypot(p.1 - q.1) < apart_m
    })
    .collect()
}

fn spaced(points: &[(f64, f64)], weights: &[i64], apart_m: f64, budget: Option<u32>) -> Selection {
    let problem = Problem {
        weights: weights.to_vec(),
        costs: vec![1; weights.len()],
        conflicts: Conflicts::from_pairs(points.len(), &closer_than(points, apart_m)).into(),
        budget,
    };
    let selection = select(&problem, Limits::default());
    check(&problem, &selection);
    selection
}

/// Maximum weight with points at least so far apart (the distance itself allowed), by brute
/// force over 2^15 sets; greedy by weight finds 71, 28 and 25.
#[test]
fn spaced_maximum_weight() {
    for (apart_m, best) in [(600.0, 71), (1000.0, 31), (1400.0, 25)] {
        let selection = spaced(&POINTS, &WEIGHTS, apart_m, None);
        assert_eq!((selection.total, selection.upper_bound), (best, best), "{apart_m} m");
    }
    assert_eq!(spaced(&POINTS, &WEIGHTS, 1000.0, None).chosen, [0, 3, 7, 10, 11]);
}

/// p-dispersion (Erkut 1990, EJOR 46:48), by brute force: the greatest least distance among
/// p points. With equal weights, p points fit at that distance and not a millimetre further.
#[test]
fn p_dispersion() {
    let cases = [(3, 2018.0436070610565), (4, 1540.2921800749364), (5, 1346.291201783626)];
    for (p, least_m) in cases {
        let fit = |apart_m: f64| spaced(&POINTS, &[1; 15], apart_m, Some(p)).total;
        assert_eq!(fit(least_m - 1e-6), i64::from(p));
        assert!(fit(least_m + 1e-3) < i64::from(p));
    }
}

/// Stations on one track, by the exact dynamic programme of weighted interval scheduling
/// and by brute force over 2^13 sets.
#[test]
fn one_track() {
    let at =
        [0.0, 300.0, 450.0, 900.0, 1100.0, 1500.0, 1600.0, 2100.0, 2600.0, 2750.0, 3300.0, 3900.0, 4000.0];
    let weights = [4, 9, 6, 5, 8, 3, 7, 9, 2, 6, 5, 4, 8];
    let points: Vec<(f64, f64)> = at.iter().map(|&x: &f64| (x, 0.0)).collect();
    let selection = spaced(&points, &weights, 1000.0, None);
    assert_eq!(selection.total, 30);
    assert_eq!(selection.chosen, [1, 6, 9, 12]);
}

/// Maximal covering location (Church & ReVelle 1974): optima by brute force, equal to the
/// bound of the linear relaxation (scipy 1.17.1 HiGHS, OR-Tools GLOP).
#[test]
fn maximal_covering() {
    const DEMAND_POINTS: [(f64, f64); 40] = [
        (3302.0, 776.0),
        (915.0, 145.0),
        (1356.0, 1422.0),
        (1244.0, 1358.0),
        (677.0, 539.0),
        (68.0, 1313.0),
        (583.0, 683.0),
        (512.0, 1393.0),
        (238.0, 488.0),
        (1133.0, 295.0),
        (849.0, 812.0),
        (1274.0, 813.0),
        (2750.0, 679.0),
        (1362.0, 788.0),
        (690.0, 350.0),
        (868.0, 549.0),
        (3380.0, 1437.0),
        (1996.0, 1171.0),
        (2499.0, 801.0),
        (769.0, 842.0),
        (62.0, 1079.0),
        (35.0, 278.0),
        (2776.0, 885.0),
        (679.0, 399.0),
        (2359.0, 682.0),
        (3.0, 808.0),
        (3234.0, 855.0),
        (3129.0, 585.0),
        (3160.0, 782.0),
        (1335.0, 453.0),
        (316.0, 883.0),
        (2666.0, 1506.0),
        (1554.0, 1548.0),
        (301.0, 994.0),
        (347.0, 240.0),
        (2879.0, 879.0),
        (3012.0, 154.0),
        (2177.0, 423.0),
        (1583.0, 1436.0),
        (576.0, 1397.0),
    ];
    const DEMAND: [i64; 40] = [
        3, 1, 5, 2, 3, 6, 5, 9, 6, 3, 4, 7, 6, 2, 1, 7, 6, 5, 8, 3, 3, 5, 2, 7, 8, 8, 7, 4, 9, 8, 2, 9, 9, 1,
        8, 5, 8, 4, 7, 7,
    ];
    for (budget, best) in [(2, 84), (3, 112), (5, 154)] {
        let within = |p: &(f64, f64)| {
            let near = |&j: &u32| {
                let q = DEMAND_POINTS[j as usize];
                (p.0 - q.0).hypot(p.1 - q.1) <= 500.0
            };
            (0..40).filter(near).collect::<Vec<u32>>()
        };
        let problem = Coverage {
            demand: DEMAND.to_vec(),
            reaches: POINTS.iter().map(within).collect(),
            conflicts: Conflicts::from_pairs(15, &[]).into(),
            budget: Some(budget),
        };
        let selection = cover(&problem, Limits::default());
        assert_eq!(selection.total, best, "budget {budget}");
        assert!(
            selection.upper_bound >= best && selection.upper_bound <= best + 1,
            "{}",
            selection.upper_bound
        );
    }
}

/// With conflicts, against trying every choice: never above the bound, and the bound near.
#[test]
fn coverage_bound_is_never_below_the_best() {
    let mut rng = ChaCha8Rng::seed_from_u64(6);
    for case in 0..60 {
        let n = rng.random_range(2..11);
        let m = rng.random_range(1..20);
        let base = random_problem(&mut rng, n);
        let reaches: Vec<Vec<u32>> =
            (0..n).map(|_| (0..m).filter(|_| rng.random_bool(0.3)).collect()).collect();
        let problem = Coverage {
            demand: (0..m).map(|_| rng.random_range(0..20)).collect(),
            reaches,
            conflicts: base.conflicts.clone(),
            budget: Some(rng.random_range(1..5)),
        };
        let reached = |set: u32| {
            let by = |j: u32| (0..n).any(|i| set >> i & 1 == 1 && problem.reaches[i].contains(&j));
            (0..m).filter(|&j| by(j)).map(|j| problem.demand[j as usize]).sum::<i64>()
        };
        let allowed = |set: &u32| {
            let members: Vec<u32> = (0..n as u32).filter(|i| set >> i & 1 == 1).collect();
            let clash =
                members.iter().any(|&a| members.iter().any(|b| problem.conflicts.of(a).any(|c| c == *b)));
            members.len() <= problem.budget.unwrap() as usize && !clash
        };
        let best = (0..1_u32 << n).filter(allowed).map(reached).max().unwrap();
        let selection = cover(&problem, Limits::default());
        let set = selection.chosen.iter().fold(0, |s, &i| s | 1 << i);
        assert!(allowed(&set) && reached(set) == selection.total, "case {case}");
        assert!(selection.total <= best && selection.upper_bound >= best, "case {case}");
        assert!(selection.total * 10 >= best * 8, "case {case}: {} of {best}", selection.total);
    }
}

/// Out of time at once: what was found by then, and a bound that the best choice does not exceed.
#[test]
fn a_time_limit_leaves_the_best_found_and_an_honest_gap() {
    let mut rng = ChaCha8Rng::seed_from_u64(9);
    let none = Limits { seconds: Some(0.0), ..Limits::default() };
    let mut open = [0, 0];
    for _ in 0..5 {
        let mut problem = random_problem(&mut rng, 60);
        problem.budget = rng.random_bool(0.5).then_some(6);
        let (best, found) = (select(&problem, Limits::default()), select(&problem, none));
        check(&problem, &found);
        assert_eq!(best.total, best.upper_bound);
        assert!(0 < found.total && found.total <= best.total && best.total <= found.upper_bound);
        open[0] += u32::from(found.gap() > 0.0);
        let problem = Coverage {
            demand: (0..300).map(|_| rng.random_range(1..20)).collect(),
            reaches: (0..60).map(|_| (0..300).filter(|_| rng.random_bool(0.1)).collect()).collect(),
            conflicts: problem.conflicts.clone(),
            budget: Some(5),
        };
        let (best, found) = (cover(&problem, Limits::default()), cover(&problem, none));
        assert!(0 < found.total && found.total <= best.total && best.total <= found.upper_bound);
        assert!(best.gap() <= found.gap());
        open[1] += u32::from(found.gap() > 0.0);
    }
    assert!(open[0] > 0 && open[1] > 0, "time was enough: {open:?}");
}

/// The same choice and bound whatever the number of threads.
#[test]
fn coverage_does_not_depend_on_the_number_of_threads() {
    let mut rng = ChaCha8Rng::seed_from_u64(10);
    let problem = Coverage {
        demand: (0..200).map(|_| rng.random_range(1..20)).collect(),
        reaches: (0..60).map(|_| (0..200).filter(|_| rng.random_bool(0.08)).collect()).collect(),
        conflicts: random_problem(&mut rng, 60).conflicts,
        budget: Some(6),
    };
    let limits = Limits { work: 200_000_000, ..Limits::default() };
    let found = [1, 3].map(|threads| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| cover(&problem, limits))
    });
    assert_eq!(found[0], found[1]);
}
