//! Prices of demands: a bound on coverage within a budget, and advice on what to choose.
//!
//! That a demand counts only if an item reaches it is paid for with a price (Lagrange); what is left
//! is to take the items whose demands are priced highest. Prices move along smoothed subgradients
//! with the step of Polyak (1969), and the items taken on the way, averaged, come close to shares
//! that the relaxation would give: the volume algorithm (Barahona & Anbil 2000,
//! doi:10.1007/s101070050002). Conflicts play no part in the bound, so it is weak where they rather
//! than the budget decide.

use super::Limits;
use super::cover::Coverage;

/// A bound that closes less than this share of the gap stands still.
const PROGRESS: f64 = 1e-4;
/// Keeps a step up a flat slope finite.
const LEAST_SLOPE: f64 = 1e-12;
/// Sums of rounded numbers: a part in 1e12 more is on the safe side.
const ROUNDING: f64 = 1e-12;

/// Most steps; prices hardly move after them.
const STEPS: usize = 800;
/// Steps without a better bound after which steps get shorter.
const PATIENCE: usize = 12;
/// By how much.
const SHORTER: f64 = 0.7;
/// Steps shorter than this move nothing.
const SHORTEST: f64 = 1e-3;
/// What the last choice weighs in the average.
const FRESH: f64 = 0.07;
/// What a direction keeps of the one before it.
const KEPT: f64 = 0.7;

/// What came of it.
pub(super) struct Priced {
    /// No choice reaches more than this.
    pub bound: i64,
    /// The prices that prove it.
    pub price: Vec<f64>,
    /// The average of the choices on the way, a share for each item.
    pub share: Vec<f64>,
    /// How many steps it took.
    pub steps: usize,
}

/// Prices the demands of a problem with a budget; `total` is what a known choice reaches.
///
/// Cost: a step costs as much as the items reach together.
pub(super) fn price_demands(
    problem: &Coverage,
    budget: usize,
    total: i64,
    limits: Limits,
    is_late: &impl Fn() -> bool,
) -> Priced {
    let demand: Vec<f64> = problem.demand.iter().map(|&d| d as f64).collect();
    let mut price: Vec<f64> = demand.iter().map(|d| d / 2.0).collect();
    let mut direction = vec![0.0; demand.len()];
    let mut share = vec![0.0; problem.reaches.len()];
    let (mut best, mut best_price) = (f64::INFINITY, price.clone());
    let (mut reach, mut idle) = (1.0, 0);
    let mut steps = 0;
    for step in 1..=STEPS {
        steps = step;
        let (taken, worth) = dearest(problem, &price, budget);
        let unpriced: f64 = demand.iter().zip(&price).map(|(d, p)| (d - p).max(0.0)).sum();
        let bound = worth + unpriced;
        idle = if bound < best - PROGRESS * (best - total as f64) { 0 } else { idle + 1 };
        if bound < best {
            best = bound;
            best_price.copy_from_slice(&price);
        }
        share.iter_mut().for_each(|s| *s *= 1.0 - FRESH);
        taken.iter().for_each(|&i| share[i as usize] += FRESH);
        if idle >= PATIENCE {
            (reach, idle) = (reach * SHORTER, 0);
        }
        let closed = best - total as f64 <= 1.0 + limits.tolerance * total as f64;
        if closed || reach < SHORTEST || is_late() {
            break;
        }
        turn(problem, &demand, &price, &taken, &mut direction);
        let squared: f64 = direction.iter().map(|d| d * d).sum();
        let length = reach * (bound - total as f64) / squared.max(LEAST_SLOPE);
        for ((p, d), most) in price.iter_mut().zip(&direction).zip(&demand) {
            *p = (*p + length * d).clamp(0.0, *most);
        }
    }
    // Sums of rounded numbers: a part in 1e12 more is on the safe side.
    Priced { bound: (best * (1.0 + ROUNDING)).floor() as i64, price: best_price, share, steps }
}

/// The items whose demands are priced highest, and what those prices add up to.
fn dearest(problem: &Coverage, price: &[f64], budget: usize) -> (Vec<u32>, f64) {
    let sum = |reaches: &Vec<u32>| reaches.iter().map(|&j| price[j as usize]).sum::<f64>();
    let worth: Vec<f64> = problem.reaches.iter().map(sum).collect();
    let mut order: Vec<u32> = (0..worth.len() as u32).collect();
    if budget < order.len() {
        let dearer = |a: &u32, b: &u32| worth[*b as usize].total_cmp(&worth[*a as usize]).then(a.cmp(b));
        order.select_nth_unstable_by(budget, dearer);
        order.truncate(budget);
        order.sort_unstable();
    }
    let total = order.iter().map(|&i| worth[i as usize]).sum();
    (order, total)
}

/// Turns the direction toward the subgradient: up where a demand is wanted and not reached, down
/// where it is reached more often than it counts.
fn turn(problem: &Coverage, demand: &[f64], price: &[f64], taken: &[u32], direction: &mut [f64]) {
    for ((direction, d), p) in direction.iter_mut().zip(demand).zip(price) {
        *direction = KEPT * *direction + if d > p { 1.0 } else { 0.0 };
    }
    for &j in taken.iter().flat_map(|&i| &problem.reaches[i as usize]) {
        direction[j as usize] -= 1.0;
    }
}
