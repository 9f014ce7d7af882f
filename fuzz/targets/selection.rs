//! A selection: never two in conflict, never over budget, never above its bound, and on
//! small problems the best there is.
#![no_main]

use stakeline::siting::select::{Conflicts, Limits, Problem, select};
use stakeline_fuzz::Numbers;

libfuzzer_sys::fuzz_target!(|bytes: &[u8]| {
    let mut numbers = Numbers(bytes);
    let items = 1 + usize::from(numbers.byte() % 12);
    let budget = match numbers.byte() % 8 {
        0..4 => None,
        n => Some(u32::from(n) - 2),
    };
    let weights = (0..items).map(|_| i64::from(numbers.short())).collect();
    let costs = (0..items).map(|_| 1 + u32::from(numbers.byte() % 3)).collect();
    let mut pairs = Vec::new();
    while numbers.any() && pairs.len() < 70 {
        pairs.push((u32::from(numbers.byte()) % items as u32, u32::from(numbers.byte()) % items as u32));
    }
    let problem = Problem { weights, costs, conflicts: Conflicts::from_pairs(items, &pairs).into(), budget };
    let found = select(&problem, Limits::default());
    assert_eq!(value(&problem, found.chosen.iter().fold(0, |set, &k| set | 1 << k)), Some(found.total));
    let best = (0..1u32 << items).filter_map(|set| value(&problem, set)).max();
    assert_eq!(best, Some(found.total), "a better choice exists");
    assert!(found.upper_bound >= found.total);
});

/// The weight of a set of items, if it may be chosen.
fn value(problem: &Problem, set: u32) -> Option<i64> {
    let members = || (0..problem.weights.len() as u32).filter(move |k| set >> k & 1 == 1);
    let apart = members().all(|a| problem.conflicts.of(a).all(|b| set >> b & 1 == 0));
    let cost: u32 = members().map(|k| problem.costs[k as usize]).sum();
    (apart && problem.budget.is_none_or(|most| cost <= most))
        .then(|| members().map(|k| problem.weights[k as usize]).sum())
}
