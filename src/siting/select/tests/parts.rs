//! The parts of the searches, each against its definition or against trying everything.

use super::super::budget::{best_subset, pieces_of_difference};
use super::super::clique::{edge_cover, quick_bound, violated};
use super::super::graph::Graph;
use super::super::lists::Lists;
use super::super::local::Choice;
use super::super::reached::Reached;
use super::super::reduce::reduce;
use super::super::relax::{Iterate, Relaxation};
use super::super::shares::keep_to_budget;
use super::*;

fn graph_of(problem: &Problem) -> Graph {
    Graph::new(problem.weights.clone(), &problem.conflicts)
}

fn adjacent(problem: &Problem, a: u32, b: u32) -> bool {
    problem.conflicts.of(a).any(|c| c == b)
}

fn is_clique(problem: &Problem, clique: &[u32]) -> bool {
    clique.iter().all(|&a| clique.iter().all(|&b| a == b || adjacent(problem, a, b)))
}

/// Nothing else conflicts with all of them.
fn is_maximal(problem: &Problem, clique: &[u32]) -> bool {
    let n = problem.weights.len() as u32;
    (0..n).filter(|v| !clique.contains(v)).all(|v| !clique.iter().all(|&m| adjacent(problem, v, m)))
}

#[test]
fn cliques_hold_every_conflict_and_cannot_grow() {
    let mut rng = ChaCha8Rng::seed_from_u64(31);
    for n in [1, 2, 9, 40, 90, 150] {
        let problem = random_problem(&mut rng, n);
        let graph = graph_of(&problem);
        let cover = edge_cover(&graph);
        assert!(cover.iter().all(|c| c.is_sorted_by(|a, b| a < b)));
        assert!(cover.iter().all(|c| is_clique(&problem, c) && is_maximal(&problem, c)));
        for a in 0..n as u32 {
            assert!(cover.iter().any(|c| c.contains(&a)));
            for b in problem.conflicts.of(a) {
                assert!(cover.iter().any(|c| c.contains(&a) && c.contains(&b)), "{a} {b}");
            }
        }
        // No more cliques than conflicts and lonely items.
        let lonely = (0..n as u32).filter(|&v| problem.conflicts.of(v).next().is_none()).count();
        assert!(cover.len() <= problem.conflicts.pairs() + lonely);
        let share: Vec<f64> = (0..n).map(|_| rng.random_range(0.0..0.7)).collect();
        let broken = violated(&graph, &share);
        assert!(broken.is_sorted_by(|a, b| a < b));
        for clique in &broken {
            assert!(is_clique(&problem, clique) && is_maximal(&problem, clique));
            assert!(clique.iter().map(|&v| share[v as usize]).sum::<f64>() > 1.02);
        }
        // A conflict of two with more than one between them is in a broken clique.
        let heavy = |a: u32, b: u32| share[a as usize] + share[b as usize] > 1.02;
        let any = (0..n as u32).any(|a| problem.conflicts.of(a).any(|b| heavy(a, b)));
        assert!(!any || !broken.is_empty());
    }
}

/// Three in conflict with each other: only all together break the clique, and only above a margin.
#[test]
fn a_clique_is_broken_by_the_sum_of_its_shares() {
    let problem = Problem {
        weights: vec![5, 4, 3, 2],
        costs: vec![1; 4],
        conflicts: Conflicts::from_pairs(4, &[(0, 1), (0, 2), (1, 2), (2, 3)]).into(),
        budget: None,
    };
    let graph = graph_of(&problem);
    assert_eq!(violated(&graph, &[0.4, 0.4, 0.4, 0.4]), [[0, 1, 2]]);
    assert!(violated(&graph, &[0.34, 0.34, 0.34, 0.34]).is_empty());
    // Too small to be looked at, or a pair.
    assert_eq!(violated(&graph, &[0.0, 0.0, 0.6, 0.6]), [[2, 3]]);
    assert!(violated(&graph, &[0.6, 0.0, 0.0, 0.6]).is_empty());
    assert_eq!(edge_cover(&graph), [vec![0, 1, 2], vec![2, 3]]);
}

#[test]
fn quick_bounds_and_greedy_choices_stand_on_both_sides_of_the_best() {
    let mut rng = ChaCha8Rng::seed_from_u64(32);
    let (mut bounds, mut greedy, mut improved, mut best) = (0, 0, 0, 0);
    for _ in 0..200 {
        let problem = random_problem(&mut rng, 14);
        let graph = graph_of(&problem);
        let most = brute_force(&problem);
        let mut choice = Choice::greedy(&graph, |v| graph.w(v) as f64);
        let total =
            |choice: &Choice| (0..14).filter(|&v| choice.chosen[v]).map(|v| problem.weights[v]).sum::<i64>();
        assert_eq!(choice.total, total(&choice));
        greedy += choice.total;
        // Nothing more fits.
        let free = |v: u32| {
            !choice.chosen[v as usize] && !problem.conflicts.of(v).any(|u| choice.chosen[u as usize])
        };
        assert!(!(0..14).any(free));
        choice.improve();
        assert_eq!(choice.total, total(&choice));
        check_swaps(&problem, &choice.chosen);
        let bound = quick_bound(&graph);
        assert!(choice.total <= most && most <= bound);
        (bounds, improved, best) = (bounds + bound, improved + choice.total, best + most);
    }
    // How near they come, over all cases, in thousandths of the best: no worse than when this was written.
    let share = |total: i64| total * 1000 / best;
    assert!(
        share(bounds) <= 1042 && share(greedy) >= 947 && share(improved) >= 979,
        "{} {} {}",
        share(bounds),
        share(greedy),
        share(improved)
    );
}

/// No swap of one for all against it, or of two for one, gains.
fn check_swaps(problem: &Problem, chosen: &[bool]) {
    let n = chosen.len() as u32;
    let against = |v: u32| problem.conflicts.of(v).filter(|&u| chosen[u as usize]).collect::<Vec<u32>>();
    let w = |v: u32| problem.weights[v as usize];
    for a in (0..n).filter(|&v| !chosen[v as usize]) {
        assert!(w(a) <= against(a).iter().map(|&u| w(u)).sum());
        for b in (0..n).filter(|&v| v != a && !chosen[v as usize] && !adjacent(problem, a, v)) {
            if against(a).len() == 1 && against(a) == against(b) {
                assert!(w(a) + w(b) <= w(against(a)[0]));
            }
        }
    }
}

/// The constant and the best of what is left are the best of all, and so is the choice carried back.
#[test]
fn reductions_lose_nothing() {
    let mut rng = ChaCha8Rng::seed_from_u64(33);
    let mut left = 0;
    for case in 0..400 {
        let mut problem = random_problem(&mut rng, 13);
        if case % 3 == 0 {
            problem.weights.iter_mut().for_each(|w| *w = 1 + *w % 3);
        }
        problem.weights[case % 13] -= 20;
        let mut graph = graph_of(&problem);
        let trail = reduce(&mut graph);
        let rest: Vec<u32> = graph.vertices();
        left += rest.len();
        for &v in &rest {
            let around = rest.iter().filter(|&&u| u != v && graph.adjacent(v, u)).count();
            assert_eq!(around, graph.degree[v as usize] as usize);
            // Whoever outweighs all around it would have been taken.
            let heavy: i64 = graph.neighbours(v).map(|u| graph.w(u)).sum();
            assert!(graph.w(v) > 0 && graph.w(v) < heavy);
        }
        let (mut most, mut chosen) = (0, vec![false; 13]);
        for set in 0..1_u32 << rest.len() {
            let members: Vec<u32> = (0..rest.len()).filter(|k| set >> k & 1 == 1).map(|k| rest[k]).collect();
            let clash = members.iter().any(|&a| members.iter().any(|&b| a != b && graph.adjacent(a, b)));
            let total = members.iter().map(|&v| graph.w(v)).sum();
            if !clash && total > most {
                most = total;
                chosen = vec![false; 13];
                members.iter().for_each(|&v| chosen[v as usize] = true);
            }
        }
        let constant = trail.constant;
        trail.undo(&mut chosen);
        assert_eq!(constant + most, brute_force(&problem), "case {case}");
        let total: i64 = (0..13).filter(|&v| chosen[v]).map(|v| problem.weights[v]).sum();
        assert_eq!(total, constant + most, "case {case}");
        let clash = |v: u32| chosen[v as usize] && problem.conflicts.of(v).any(|u| chosen[u as usize]);
        assert!(!(0..13).any(clash), "case {case}");
    }
    assert!(left <= 908, "{left} vertices are left of 5,200");
}

/// The induced graph, its parts and what is taken away, against the pairs.
#[test]
fn graphs_hold_what_is_left() {
    let mut rng = ChaCha8Rng::seed_from_u64(34);
    for n in [5, 64, 65, 130, 200] {
        let problem = random_problem(&mut rng, n);
        let mut graph = graph_of(&problem);
        let gone: Vec<u32> = (0..n as u32).filter(|_| rng.random_bool(0.4)).collect();
        gone.iter().for_each(|&v| graph.remove(v));
        let keep: Vec<u32> = (0..n as u32).filter(|v| !gone.contains(v)).collect();
        assert_eq!(graph.vertices(), keep);
        let part = graph.induced(&keep);
        for (i, &v) in keep.iter().enumerate() {
            let around: Vec<u32> = problem.conflicts.of(v).filter(|u| keep.contains(u)).collect();
            assert_eq!(graph.neighbours(v).collect::<Vec<_>>(), around);
            assert_eq!(graph.degree[v as usize] as usize, around.len());
            let again: Vec<u32> = part.neighbours(i as u32).map(|k| keep[k as usize]).collect();
            assert_eq!(
                (again, part.degree[i] as usize, part.w(i as u32)),
                (around.clone(), around.len(), graph.w(v))
            );
        }
        let parts = graph.components();
        let mut all: Vec<u32> = parts.iter().flatten().copied().collect();
        assert!(parts.iter().all(|p| p.is_sorted_by(|a, b| a < b)) && parts.is_sorted_by(|a, b| a[0] < b[0]));
        all.sort_unstable();
        assert_eq!(all, keep);
        for (k, part) in parts.iter().enumerate() {
            let inside = |v: &u32| graph.neighbours(*v).all(|u| parts[k].contains(&u));
            assert!(part.iter().all(inside));
            // Connected: as many are reached from the first.
            let mut reached = std::collections::BTreeSet::from([part[0]]);
            let mut rim = vec![part[0]];
            while let Some(v) = rim.pop() {
                rim.extend(graph.neighbours(v).filter(|&u| reached.insert(u)));
            }
            assert_eq!(reached.len(), part.len());
        }
    }
}

#[test]
fn the_best_subset_is_the_best_of_all() {
    let mut rng = ChaCha8Rng::seed_from_u64(35);
    for case in 0..400 {
        let n = rng.random_range(0..9);
        let changes: Vec<(i64, i64)> =
            (0..n).map(|_| (rng.random_range(-30..31), rng.random_range(-4..5))).collect();
        let room = rng.random_range(0..9);
        let sum = |take: &dyn Fn(usize) -> bool| {
            (0..n).filter(|&i| take(i)).fold((0, 0), |(w, c), i| (w + changes[i].0, c + changes[i].1))
        };
        let all = (0..1_u32 << n).map(|set| sum(&|i| set >> i & 1 == 1));
        let best = all.filter(|(_, cost)| *cost <= room).map(|(gain, _)| gain).max().unwrap();
        let taken = best_subset(&changes, room);
        let (gain, cost) = sum(&|i| taken[i]);
        assert!(gain == best && cost <= room, "case {case}: {changes:?} {room}");
    }
}

#[test]
fn pieces_of_difference_are_the_connected_parts_of_it() {
    let mut rng = ChaCha8Rng::seed_from_u64(36);
    for _ in 0..50 {
        let problem = random_problem(&mut rng, 30);
        let graph = graph_of(&problem);
        let [a, b]: [Vec<bool>; 2] = [0, 1].map(|_| (0..30).map(|_| rng.random_bool(0.5)).collect());
        let mut differ = graph.clone();
        (0..30).filter(|&v| a[v] == b[v]).for_each(|v| differ.remove(v as u32));
        let mut pieces = pieces_of_difference(&graph, &a, &b);
        pieces.iter_mut().for_each(|piece| piece.sort_unstable());
        assert_eq!(pieces, differ.components());
    }
}

/// Shares on a ring of five in conflict: a half each, and the bound 2.5 of it; on a chain that can be
/// taken whole, the optimum; within so many iterations.
#[test]
fn relaxations_of_known_optimum_are_solved() {
    let solve = |gain: &[f64], rows: &[(&[(u32, f64)], f64)], iterations: usize| {
        let mut lp = Relaxation::new(gain.to_vec());
        rows.iter().for_each(|(row, limit)| lp.add_row(row.iter().copied(), *limit));
        let mut iterate = Iterate::new(&lp);
        let mut best = f64::INFINITY;
        for _ in 0..iterations / 40 {
            iterate.run(&lp, 40);
            for prices in [&iterate.y, &iterate.y_mean] {
                let mut reduced = Vec::new();
                lp.reduced(prices, &mut reduced);
                best = best.min(lp.bound(prices, &reduced));
            }
        }
        assert_eq!(lp.coefficients(), rows.iter().map(|(row, _)| row.len()).sum::<usize>());
        (best, iterate.x)
    };
    let pair = |a: u32, b: u32| [(a, 1.0), (b, 1.0)];
    let ring = [pair(0, 1), pair(1, 2), pair(2, 3), pair(3, 4), pair(4, 0)];
    let ring: Vec<(&[(u32, f64)], f64)> = ring.iter().map(|p| (&p[..], 1.0)).collect();
    let (bound, share) = solve(&[1.0; 5], &ring, 400);
    assert!((2.5 - 1e-9..2.5 + 1e-6).contains(&bound), "{bound}");
    assert!(share.iter().all(|s| (s - 0.5).abs() < 1e-3), "{share:?}");
    let (bound, share) = solve(&[3.0, 4.0, 3.0], &[(&pair(0, 1), 1.0), (&pair(1, 2), 1.0)], 400);
    assert!((6.0 - 1e-9..6.0 + 1e-4).contains(&bound), "{bound}");
    assert!(share[0] > 0.99 && share[1] < 0.01 && share[2] > 0.99, "{share:?}");
    // A knapsack: 2 x + 3 y + 4 z ≤ 5 with 3, 6, 4: y whole, x whole; with 4 for the room, x by half.
    let row = [(0, 2.0), (1, 3.0), (2, 4.0)];
    let (bound, share) = solve(&[3.0, 6.0, 4.0], &[(&row, 4.0)], 2000);
    assert!((7.5 - 1e-9..7.501).contains(&bound), "{bound}");
    assert!((share[0] - 0.5).abs() < 0.01 && share[1] > 0.99 && share[2] < 0.01, "{share:?}");
}

/// The nearest point of the box that keeps to the budget: by halving the price.
#[test]
fn shares_keep_to_the_budget_at_the_nearest_point() {
    let mut rng = ChaCha8Rng::seed_from_u64(37);
    for case in 0..300 {
        let n = rng.random_range(1..40);
        let wanted: Vec<f64> = (0..n).map(|_| rng.random_range(-1.0..3.0)).collect();
        let step: Vec<f64> = (0..n).map(|_| rng.random_range(0.01..2.0)).collect();
        let budget = f64::from(rng.random_range(1..20_u8));
        let guess = [0.0, -1.0, rng.random_range(0.0..4.0), 1e3][case % 4];
        let at =
            |price: f64| (0..n).map(|i| (wanted[i] - step[i] * price).clamp(0.0, 1.0)).collect::<Vec<f64>>();
        let used = |price: f64| at(price).iter().sum::<f64>();
        let (mut low, mut high) = (0.0, 1000.0);
        if used(0.0) <= budget {
            high = 0.0;
        }
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if used(middle) > budget { low = middle } else { high = middle }
        }
        let mut share = vec![7.0; n];
        let price = keep_to_budget(&wanted, &step, budget, guess, &mut share);
        assert!(
            (price - high).abs() < 1e-6 || (used(price) - budget).abs() < 1e-8,
            "case {case}: {price} {high}"
        );
        assert!(share.iter().zip(at(high)).all(|(a, b)| (a - b).abs() < 1e-6), "case {case}");
        assert!(share.iter().sum::<f64>() <= budget + 1e-8, "case {case}");
    }
}

#[test]
fn lists_turn_round_and_add_up() {
    let mut rng = ChaCha8Rng::seed_from_u64(38);
    let lists: Vec<Vec<u32>> = (0..17).map(|_| (0..23).filter(|_| rng.random_bool(0.4)).collect()).collect();
    let made = Lists::new(lists.iter().map(Vec::as_slice));
    assert_eq!((made.len(), made.entries()), (17, lists.iter().map(Vec::len).sum()));
    assert!(made.iter().zip(&lists).all(|(a, b)| a == b.as_slice()));
    let turned = made.turned(23);
    for v in 0..23 {
        let wanted: Vec<u32> = (0..17).filter(|&k| lists[k as usize].contains(&v)).collect();
        assert_eq!(turned.of(v as usize), wanted);
    }
    let value: Vec<f64> = (0..23).map(|v| 1.0 + f64::from(v * v)).collect();
    for (k, list) in lists.iter().enumerate() {
        let wanted: f64 = list.iter().map(|&v| value[v as usize]).sum();
        assert_eq!(made.sum(k, &value), wanted);
    }
}

/// Always the item that adds most, as far as nothing stands against it and the budget goes.
#[test]
fn coverage_is_filled_greedily() {
    let mut rng = ChaCha8Rng::seed_from_u64(39);
    for case in 0..100 {
        let base = random_problem(&mut rng, 12);
        let problem = Coverage {
            demand: (0..30).map(|_| rng.random_range(0..20)).collect(),
            reaches: (0..12).map(|_| (0..30).filter(|_| rng.random_bool(0.2)).collect()).collect(),
            conflicts: base.conflicts.clone(),
            budget: [None, Some(3)][case % 2],
        };
        let share: Vec<f64> = (0..12).map(|_| rng.random_range(0.0..0.2)).collect();
        for rounded in [false, true] {
            let mut chosen: Vec<u32> = Vec::new();
            let full = |chosen: &[u32]| problem.budget.is_some_and(|n| chosen.len() >= n as usize);
            let free = |chosen: &[u32], i: u32| !chosen.iter().any(|&c| c == i || adjacent(&base, c, i));
            if rounded {
                let mut order: Vec<u32> = (0..12).filter(|&i| share[i as usize] > 0.05).collect();
                order.sort_by(|&a, &b| share[b as usize].total_cmp(&share[a as usize]));
                for i in order {
                    if free(&chosen, i) && !full(&chosen) {
                        chosen.push(i);
                    }
                }
            }
            let reached = |chosen: &[u32]| {
                let by = |d: &u32| chosen.iter().any(|&i| problem.reaches[i as usize].contains(d));
                (0..30).filter(by).map(|d| problem.demand[d as usize]).sum::<i64>()
            };
            while !full(&chosen) {
                let gain = |i: u32| reached(&[&chosen[..], &[i]].concat()) - reached(&chosen);
                let open = (0..12).filter(|&i| free(&chosen, i));
                let Some(best) = open.max_by_key(|&i| (gain(i), std::cmp::Reverse(i))) else { break };
                if gain(best) == 0 {
                    break;
                }
                chosen.push(best);
            }
            let mut found = if rounded { Reached::rounded(&problem, &share) } else { Reached::new(&problem) };
            found.fill();
            chosen.sort_unstable();
            assert_eq!((found.chosen(), found.total()), (chosen.clone(), reached(&chosen)), "case {case}");
        }
    }
}
