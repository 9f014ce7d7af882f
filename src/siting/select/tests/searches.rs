//! Searches on invented tracks: the optimum, proven, within the work that it took when this was written.
//!
//! Optima by integer programming: script, instances and versions in `tests/golden/siting`. Work is
//! counted, not timed, so it is the same on every machine: a rule of the search that no longer helps
//! shows as more work. A better search needs less of it, and may need more on single instances; then
//! take the figures that a failing run prints.

use serde_json::Value;

use super::super::demand_price::price_demands;
use super::super::lists::Lists;
use super::super::reached::Reached;
use super::super::shares::Descent;
use super::super::*;
use super::check;
use super::recorded::*;

/// SplitMix64 (Steele, Lea & Flood 2014), as the script draws.
struct Draw(u64);

impl Draw {
    fn below(&mut self, n: i64) -> i64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let z = (self.0 ^ (self.0 >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        let z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((z ^ (z >> 31)) % n as u64) as i64
    }
}

/// An instance of the golden file, drawn again.
struct Instance {
    row: Value,
    draw: Draw,
    at: Vec<(i64, i64)>,
    weights: Vec<i64>,
    costs: Vec<u32>,
}

impl Instance {
    fn number(row: &Value, name: &str) -> i64 {
        row[name].as_i64().unwrap_or(0)
    }

    fn of(row: &Value) -> Self {
        let get = |name: &str| Self::number(row, name);
        let mut draw = Draw(get("seed") as u64);
        let (mut at, mut weights, mut costs) = (Vec::new(), Vec::new(), Vec::new());
        for _ in 0..get("tracks") {
            let (mut x, mut y) = (draw.below(get("wide")), draw.below(get("wide")));
            let (east, north) = (draw.below(61) - 30, draw.below(61) - 30);
            for k in 0..get("points") {
                x += east + draw.below(21) - 10;
                y += north + draw.below(21) - 10;
                let weight = 1000 - get("spread") / 2 + draw.below(get("spread"));
                let sizes = if row["clusters"] == true && k % 10 == 0 { 3 } else { 1 };
                for size in 0..sizes {
                    at.push((x, y));
                    weights.push([weight, weight * 3 / 2, weight * 7 / 4][size]);
                    costs.push(size as u32 + 1);
                }
            }
        }
        assert_eq!(at.len() as i64, get("items"));
        Self { row: row.clone(), draw, at, weights, costs }
    }

    fn get(&self, name: &str) -> i64 {
        Self::number(&self.row, name)
    }

    fn near(&self, a: (i64, i64), b: (i64, i64)) -> i64 {
        (a.0 - b.0).pow(2) + (a.1 - b.1).pow(2)
    }

    fn conflicts(&self) -> Conflicts {
        let n = self.at.len() as u32;
        let apart = self.get("apart").pow(2);
        let all = (0..n).flat_map(|a| (a + 1..n).map(move |b| (a, b)));
        let close = |&(a, b): &(u32, u32)| self.near(self.at[a as usize], self.at[b as usize]) < apart;
        let pairs: Vec<(u32, u32)> = all.filter(close).collect();
        assert_eq!(pairs.len() as i64, self.get("pairs"));
        Conflicts::from_pairs(n as usize, &pairs)
    }

    fn budget(&self) -> Option<u32> {
        Some(self.get("budget") as u32).filter(|&budget| budget > 0)
    }

    fn problem(&self) -> Problem {
        Problem {
            weights: self.weights.clone(),
            costs: self.costs.clone(),
            conflicts: self.conflicts().into(),
            budget: self.budget(),
        }
    }

    fn coverage(mut self) -> Coverage {
        let reach = self.get("reach").pow(2);
        let (mut demand, mut reaches) = (Vec::new(), vec![Vec::new(); self.at.len()]);
        for d in 0..self.get("demands") as u32 {
            let (wide, draw) = (Self::number(&self.row, "wide"), &mut self.draw);
            let (x, y) = (draw.below(wide), draw.below(wide));
            demand.push(1 + draw.below(100));
            for (item, &at) in self.at.iter().enumerate() {
                if self.near(at, (x, y)) <= reach {
                    reaches[item].push(d);
                }
            }
        }
        Coverage { demand, reaches, conflicts: self.conflicts().into(), budget: self.budget() }
    }
}

fn rows(kind: &str) -> Vec<Value> {
    let golden = include_str!("../../../../tests/golden/siting/choices.json");
    let golden: Value = serde_json::from_str(golden).unwrap();
    let rows = golden["rows"].as_array().unwrap().iter();
    rows.filter(|row| row["kind"] == kind).cloned().collect()
}

/// Holds what was found against what is recorded: seed, total, bound and work, each no worse.
fn hold(found: &[Row], recorded: &[Row]) {
    let no_worse = |(f, r): (&Row, &Row)| f.0 == r.0 && f.1 >= r.1 && f.2 <= r.2 && f.3 <= r.3;
    let holds = found.len() == recorded.len() && found.iter().zip(recorded).all(no_worse);
    assert!(holds, "(seed, total, bound, work) are now {found:?}");
}

fn told(row: &Value, selection: &Selection) -> Row {
    (Instance::number(row, "seed"), selection.total, selection.upper_bound, selection.work)
}

fn selected(row: &Value, work: u64) -> Selection {
    let problem = Instance::of(row).problem();
    let selection = select(&problem, Limits { work, ..Limits::default() });
    check(&problem, &selection);
    assert!(selection.total <= Instance::number(row, "best"), "{row}");
    assert!(selection.upper_bound >= Instance::number(row, "best"), "{row}");
    selection
}

/// Every instance of a kind, solved to the end.
fn solved(kind: &str) -> Vec<Row> {
    let solve = |row: &Value| {
        let selection = selected(row, Limits::default().work);
        let best = Instance::number(row, "best");
        assert_eq!((selection.total, selection.upper_bound), (best, best), "{row}");
        told(row, &selection)
    };
    rows(kind).iter().map(solve).collect()
}

#[test]
fn free_choices_are_proven_best_within_the_recorded_work() {
    hold(&solved("free"), &FREE);
}

#[test]
fn choices_within_a_budget_are_proven_best_within_the_recorded_work() {
    hold(&solved("budget"), &BUDGET);
}

/// Ended early: total and bound are no worse than when this was written.
fn cut_short(kind: &str, work: u64) -> Vec<Row> {
    rows(kind).iter().map(|row| told(row, &selected(row, work))).collect()
}

#[test]
fn free_choices_that_are_cut_short_reach_what_they_did() {
    hold(&cut_short("free", 200_000), &FREE_CUT);
}

#[test]
fn choices_within_a_budget_that_are_cut_short_reach_what_they_did() {
    hold(&cut_short("budget", 200_000), &BUDGET_CUT);
}

/// However early a search ends, the optimum lies between total and bound, and more work never ends in less.
#[test]
fn searches_that_end_at_any_time_are_honest() {
    for kind in ["free", "budget"] {
        for row in rows(kind).iter().filter(|row| row["items"].as_i64() < Some(500)) {
            let mut last = 0;
            for work in [1, 20_000, 60_000, 150_000, 400_000, 1_000_000, 2_500_000, 6_000_000] {
                let found = selected(row, work);
                assert!(found.work < work + 400_000, "{row}: {} of {work}", found.work);
                last = last.max(found.total);
                if found.total == found.upper_bound {
                    break;
                }
            }
            assert!(last * 100 >= Instance::number(row, "best") * 97, "{row}: {last}");
        }
    }
}

/// A limit in seconds that is not reached changes nothing.
#[test]
fn time_enough_changes_nothing() {
    let limits = Limits { seconds: Some(1e6), ..Limits::default() };
    for row in [&rows("free")[4], &rows("budget")[5]] {
        let problem = Instance::of(row).problem();
        assert_eq!(select(&problem, limits), select(&problem, Limits::default()));
    }
    for row in &rows("coverage")[..2] {
        let problem = Instance::of(row).coverage();
        assert_eq!(cover(&problem, limits), cover(&problem, Limits::default()));
    }
}

/// The relaxation comes within half a percent of its optimum in no more iterations than it did; no
/// prices, however far from the best, prove less than it.
#[test]
fn the_relaxation_of_coverage_comes_near_in_the_recorded_iterations() {
    let mut found = Vec::new();
    for row in rows("coverage") {
        let (seed, relaxed) = (Instance::number(&row, "seed"), row["relaxed"].as_f64().unwrap());
        let problem = Instance::of(&row).coverage();
        let reached_by = Lists::new(problem.reaches.iter().map(Vec::as_slice)).turned(problem.demand.len());
        let price: Vec<f64> = problem.demand.iter().map(|&d| d as f64 / 2.0).collect();
        let mut descent = Descent::new(&problem, &reached_by, &vec![0.0; problem.reaches.len()], &price);
        let coarse = descent.run(5000, relaxed * 1.005, &|| false);
        assert!(descent.bound >= relaxed * (1.0 - 1e-9) && descent.bound <= relaxed * 1.005, "{row}");
        let fine = descent.run(20_000, relaxed * 1.000_05, &|| false);
        assert!(descent.bound >= relaxed * (1.0 - 1e-9), "{row}");
        found.push((seed, 0, (descent.bound * 100.0).ceil() as i64, (coarse + fine) as u64));
        found.push((seed, 0, 0, coarse as u64));
        // Without conflicts in the bound, by prices of demands alone.
        let unspaced = row["unspaced"].as_f64().unwrap();
        let budget = problem.budget.map_or(problem.reaches.len(), |n| n as usize);
        let best = Instance::number(&row, "best");
        let priced = price_demands(&problem, budget, best, Limits::default(), &|| false);
        assert!(
            priced.bound as f64 >= (unspaced * (1.0 - 1e-9)).floor()
                && priced.price.iter().all(|p| *p >= 0.0)
        );
        assert!(priced.share.iter().all(|s| (0.0..=1.0).contains(s)));
        found.push((seed, 0, priced.bound, priced.steps as u64));
    }
    hold(&found, &RELAXED);
}

/// Work is what it is said to be: of the first round's annealing, of each step of the prices, and of a
/// round of both sides.
#[test]
fn work_on_coverage_is_counted() {
    let mut rounds = 0;
    for row in rows("coverage") {
        let problem = Instance::of(&row).coverage();
        let (items, entries) = (problem.reaches.len(), problem.reaches.iter().map(Vec::len).sum::<usize>());
        let mut greedy = Reached::new(&problem);
        greedy.fill();
        let budget = problem.budget.map_or(items, |n| n as usize);
        let priced = price_demands(&problem, budget, greedy.total(), Limits::default(), &|| false);
        let (annealed, steps) = (500 * (entries + items) as u64, (priced.steps * entries) as u64);
        let one_round = cover(&problem, Limits { work: 1, ..Limits::default() });
        let rest = one_round.work - annealed - steps;
        if rest > 0 {
            let reached_by =
                Lists::new(problem.reaches.iter().map(Vec::as_slice)).turned(problem.demand.len());
            let iteration = Descent::new(&problem, &reached_by, &priced.share, &priced.price).work() as u64;
            let iterations = (rest - annealed) / iteration;
            assert_eq!(annealed + iterations * iteration, rest, "{row}");
            // As many as come to the same work, or fewer if the gap is closed before.
            assert!(iterations > 0 && iterations <= annealed.div_ceil(iteration), "{row}");
            rounds += 1;
        }
    }
    assert!(rounds >= 3, "{rounds}");
}

/// Coverage ended early, likewise.
#[test]
fn coverage_that_is_cut_short_reaches_what_it_did() {
    let found: Vec<_> = rows("coverage")
        .iter()
        .flat_map(|row| [1, 3_000_000].map(|work| (row, work)))
        .map(|(row, work)| {
            let limits = Limits { work, tolerance: 0.001, ..Limits::default() };
            let selection = cover(&Instance::of(row).coverage(), limits);
            let best = Instance::number(row, "best");
            assert!(selection.total <= best && selection.upper_bound >= best, "{row}");
            told(row, &selection)
        })
        .collect();
    hold(&found, &COVERAGE_CUT);
}

/// Ended at the first price, all is in how it is guessed and in what is made of its choice.
#[test]
fn choices_at_the_first_price_reach_what_they_did() {
    hold(&cut_short("budget", 1), &BUDGET_FIRST);
}

/// A gap that is good enough ends the search there, with less work.
#[test]
fn a_tolerance_ends_searches_as_early_as_it_did() {
    let found: Vec<_> = ["free", "budget"]
        .iter()
        .flat_map(|kind| rows(kind))
        .map(|row| {
            let limits = Limits { tolerance: 0.01, ..Limits::default() };
            let selection = select(&Instance::of(&row).problem(), limits);
            assert!(selection.gap() <= 0.01 && selection.upper_bound >= Instance::number(&row, "best"));
            told(&row, &selection)
        })
        .collect();
    hold(&found, &TOLERANT);
}

#[test]
fn coverage_comes_as_near_as_it_did() {
    let found: Vec<_> = rows("coverage")
        .iter()
        .map(|row| {
            let selection = cover(&Instance::of(row).coverage(), Limits::default());
            let best = Instance::number(row, "best");
            assert!(selection.total <= best && selection.upper_bound >= best, "{row}");
            told(row, &selection)
        })
        .collect();
    hold(&found, &COVERAGE);
}
