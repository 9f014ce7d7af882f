use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::*;

/// The best total over all choices, by trying them all.
fn brute_force(problem: &Problem) -> i64 {
    let n = problem.weights.len();
    let masks: Vec<u32> =
        (0..n as u32).map(|v| problem.conflicts.of(v).iter().fold(0, |m, &u| m | 1 << u)).collect();
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
        for &b in problem.conflicts.of(a) {
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
        conflicts: Conflicts::from_pairs(n, &pairs),
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
