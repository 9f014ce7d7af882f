//! Coverage by simulated annealing (Kirkpatrick, Gelatt & Vecchi 1983): one item in for those that
//! stand against it, or for one of those that reach the same demands.

use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

use super::cover::Coverage;
use super::lists::Lists;

/// The temperature at the end, as a share of what an item reaches on average.
const COLD: f64 = 0.001;
/// Proposals between two temperatures.
const STRIDE: usize = 1024;
/// One in so many proposals is of any item; the others are of items that share a demand with a
/// chosen one.
const ANYWHERE: u32 = 10;

/// A choice that changes item by item.
struct Walk<'a> {
    problem: &'a Coverage,
    /// By how many chosen items each demand is reached.
    times: Vec<u32>,
    chosen: Vec<u32>,
    /// Where in `chosen` an item is, or `OUT`.
    place: Vec<u32>,
    total: i64,
}

const OUT: u32 = u32::MAX;

impl<'a> Walk<'a> {
    fn new(problem: &'a Coverage, from: &[u32]) -> Self {
        let (items, demands) = (problem.reaches.len(), problem.demand.len());
        let mut walk =
            Self { problem, times: vec![0; demands], chosen: Vec::new(), place: vec![OUT; items], total: 0 };
        for &item in from {
            walk.total += walk.gain(item);
            walk.insert(item);
        }
        walk
    }

    fn gain(&self, item: u32) -> i64 {
        let open = self.problem.reaches[item as usize].iter().filter(|&&d| self.times[d as usize] == 0);
        open.map(|&d| self.problem.demand[d as usize]).sum()
    }

    fn insert(&mut self, item: u32) {
        self.problem.reaches[item as usize].iter().for_each(|&d| self.times[d as usize] += 1);
        self.place[item as usize] = self.chosen.len() as u32;
        self.chosen.push(item);
    }

    /// Takes an item's demands off; returns what is then no longer reached.
    fn release(&mut self, item: u32) -> i64 {
        let mut lost = 0;
        for &d in &self.problem.reaches[item as usize] {
            self.times[d as usize] -= 1;
            if self.times[d as usize] == 0 {
                lost += self.problem.demand[d as usize];
            }
        }
        lost
    }

    fn unlist(&mut self, item: u32) {
        let place = std::mem::replace(&mut self.place[item as usize], OUT);
        self.chosen.swap_remove(place as usize);
        if let Some(&moved) = self.chosen.get(place as usize) {
            self.place[moved as usize] = place;
        }
    }
}

/// Changes a choice for so many proposals, and returns the best one on the way with its total. The
/// temperature falls from `hot`, as a share of what an item reaches on average. `reached_by` has the items that reach each demand. Cost: a proposal costs what three items reach.
pub(super) fn anneal(
    problem: &Coverage,
    reached_by: &Lists,
    from: &[u32],
    proposals: usize,
    hot: f64,
    seed: u64,
    is_late: &impl Fn() -> bool,
) -> (Vec<u32>, i64) {
    let mut walk = Walk::new(problem, from);
    let mut best = (from.to_vec(), walk.total);
    let room = problem.budget.map_or(usize::MAX, |budget| budget as usize);
    if from.is_empty() {
        return best;
    }
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    let unit = walk.total as f64 / from.len() as f64;
    let mut out = Vec::new();
    for step in 0..proposals {
        if step % STRIDE == 0 && is_late() {
            break;
        }
        let done = (step / STRIDE * STRIDE) as f64 / proposals as f64;
        let heat = unit * hot * (COLD / hot).powf(done);
        let near = walk.chosen[rng.random_range(0..walk.chosen.len())];
        let item = propose(problem, reached_by, near, &mut rng);
        if walk.place[item as usize] != OUT {
            continue;
        }
        let against = problem.conflicts.of(item);
        out.clear();
        out.extend(against.filter(|&other| walk.place[other as usize] != OUT));
        if walk.chosen.len() + 1 > room.saturating_add(out.len()) {
            out.push(near);
        }
        let lost: i64 = out.iter().map(|&other| walk.release(other)).sum();
        let change = walk.gain(item) - lost;
        if change >= 0 || rng.random::<f64>() < (change as f64 / heat).exp() {
            out.iter().for_each(|&other| walk.unlist(other));
            walk.insert(item);
            walk.total += change;
            if walk.total > best.1 {
                best.0.clone_from(&walk.chosen);
                best.1 = walk.total;
            }
        } else {
            for &d in out.iter().flat_map(|&other| &problem.reaches[other as usize]) {
                walk.times[d as usize] += 1;
            }
        }
    }
    best.0.sort_unstable();
    best
}

/// An item: most often one that shares a demand with a chosen one.
fn propose(problem: &Coverage, reached_by: &Lists, near: u32, rng: &mut ChaCha8Rng) -> u32 {
    let reaches = &problem.reaches[near as usize];
    if reaches.is_empty() || rng.random_range(0..ANYWHERE) == 0 {
        return rng.random_range(0..problem.reaches.len() as u32);
    }
    let others = reached_by.of(reaches[rng.random_range(0..reaches.len())] as usize);
    others[rng.random_range(0..others.len())]
}
