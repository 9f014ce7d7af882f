//! The shortest tour through stops whose travel distances are known.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;

use super::bound::{Ascent, held_karp};
use super::branch::{Branching, branch};
use super::search::{Effort, improve};
use super::{TravelMatrix, directed};

/// Where a tour ends. It always starts at stop 0.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum TourEnd {
    /// Back at the start.
    AtStart,
    /// At whichever stop makes it shortest.
    Anywhere,
    /// At the last stop of the matrix.
    AtLast,
}

/// How hard to search, and from which seed.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TourSearch {
    /// Seed of the random kicks.
    pub seed: u64,
    /// Kicks for each stop; small tours get 500 in all.
    pub kicks_per_stop: usize,
    /// Most one-trees grown for the lower bound.
    pub bound_steps: usize,
    /// Most looks at a pair of stops in raising that bound by branching; 0 for none.
    pub branch_looks: f64,
}

impl Default for TourSearch {
    fn default() -> Self {
        Self { seed: 1, kicks_per_stop: 10, bound_steps: 1500, branch_looks: 2e8 }
    }
}

/// A tour and what is known about it.
#[derive(Clone, PartialEq, Debug)]
pub struct Tour {
    /// Every stop once, from stop 0; a tour back to the start does not repeat it.
    pub order: Vec<usize>,
    /// Its length in metres, the way back included where there is one.
    pub length_m: f64,
    /// No tour is shorter than this, in metres: the bound of Held & Karp (1971), raised by
    /// branching; the tour's own length where it is proven shortest. Where distances differ
    /// by direction, the bound over the lesser of the two.
    pub lower_bound_m: f64,
}

/// A short tour from stop 0 through every stop, with a proven lower bound.
///
/// The tour is found by search, the bound by ascent: they meet only where the bound is
/// sharp, and the distance between them is an upper limit of what is lost. An open tour
/// is a closed one through a stop that costs nothing. Same input and settings, same tour.
/// Time grows about as stops² (bound) plus stops × kicks; a few hundred stops take a
/// fraction of a second, 2,000 stops some seconds.
///
/// ```
/// use stakeline::round::{TourEnd, TourSearch, TravelMatrix, shortest_tour};
/// // Three stations along one track, one kilometre apart.
/// let km = |a: f64, b: f64| (a - b).abs() * 1000.0;
/// let metres = (0..9).map(|k| km((k / 3) as f64, (k % 3) as f64)).collect();
/// let matrix = TravelMatrix::new(3, metres).unwrap();
/// let there_and_back = shortest_tour(&matrix, TourEnd::AtStart, &TourSearch::default());
/// assert_eq!(there_and_back.length_m, 4000.0);
/// let one_way = shortest_tour(&matrix, TourEnd::Anywhere, &TourSearch::default());
/// assert_eq!(one_way.order, [0, 1, 2]);
/// ```
pub fn shortest_tour(matrix: &TravelMatrix, end: TourEnd, search: &TourSearch) -> Tour {
    let n = matrix.stops();
    if n < 2 {
        return Tour { order: (0..n).collect(), length_m: 0.0, lower_bound_m: 0.0 };
    }
    // Above the most that one chain of exchanges could gain by parting a held link.
    let reward_m = 16.0 * matrix.largest_m().max(1.0);
    let held: &[(usize, f64)] = match end {
        TourEnd::AtStart => &[],
        TourEnd::Anywhere => &[(0, reward_m)],
        TourEnd::AtLast => &[(0, reward_m), (n - 1, reward_m)],
    };
    let rewards_m = reward_m * held.len() as f64;
    let closed = if held.is_empty() { matrix.clone() } else { matrix.closed_by(held) };
    let (cycle, bound_m) = shortest_cycle(&closed, search);
    let order = from_start(cycle, n, end);
    let back_m = if end == TourEnd::AtStart { matrix.metres(order[n - 1], 0) } else { 0.0 };
    let length_m = matrix.path_m(&order) + back_m;
    Tour { order, length_m, lower_bound_m: (bound_m + rewards_m).clamp(0.0, length_m) }
}

/// A short closed tour and the bound.
fn shortest_cycle(matrix: &TravelMatrix, search: &TourSearch) -> (Vec<usize>, f64) {
    let n = matrix.stops();
    let mut rng = ChaCha8Rng::seed_from_u64(search.seed);
    let either_way = if matrix.is_symmetric() { None } else { Some(matrix.lesser()) };
    let symmetric = either_way.as_ref().unwrap_or(matrix);
    let first = improve(
        symmetric,
        &vec![0.0; n],
        nearest_next(symmetric),
        Effort { kicks: 0, bound_m: f64::NEG_INFINITY },
        &mut rng,
    );
    if n < 4 {
        let tour = if either_way.is_some() { directed::improve(matrix, first, 0, &mut rng) } else { first };
        let bound_m = cycle_m(symmetric, &tour);
        return (tour, bound_m);
    }
    let ascent = Ascent { tour_m: cycle_m(symmetric, &first), steps: search.bound_steps };
    let bound = held_karp(symmetric, ascent);
    let kicks = (search.kicks_per_stop * n).max(500);
    let tour = match either_way {
        None => improve(symmetric, &bound.prices_m, first, Effort { kicks, bound_m: bound.metres }, &mut rng),
        Some(_) => directed::improve(matrix, first, kicks / 4, &mut rng),
    };
    // A bound over the lesser of two directions is weak for a reason that branching does not mend.
    let sharper = |tour: &[usize]| {
        let branching = Branching { tour_m: cycle_m(symmetric, tour), looks: search.branch_looks };
        branch(symmetric, &bound, branching)
    };
    let metres = if matrix.is_symmetric() { sharper(&tour) } else { bound.metres };
    (tour, metres)
}

/// A closed tour that always goes on to the nearest stop left.
fn nearest_next(matrix: &TravelMatrix) -> Vec<usize> {
    let mut tour = vec![0];
    let mut left: Vec<usize> = (1..matrix.stops()).collect();
    let mut here = 0;
    while let Some((slot, _)) = left
        .iter()
        .enumerate()
        .min_by(|a, b| matrix.metres(here, *a.1).total_cmp(&matrix.metres(here, *b.1)).then(a.1.cmp(b.1)))
    {
        here = left.remove(slot);
        tour.push(here);
    }
    tour
}

fn cycle_m(matrix: &TravelMatrix, tour: &[usize]) -> f64 {
    matrix.path_m(tour) + matrix.metres(tour[tour.len() - 1], tour[0])
}

/// Turns a closed tour so that it starts at stop 0 and, where it is open, leaves out the
/// helping stop `n`. Of the two directions of a closed tour the one is taken that goes
/// first to the lower-numbered neighbour.
fn from_start(mut cycle: Vec<usize>, n: usize, end: TourEnd) -> Vec<usize> {
    let anchor = if end == TourEnd::AtStart { 0 } else { n };
    let at = cycle.iter().position(|&stop| stop == anchor).unwrap_or(0);
    cycle.rotate_left(at);
    if end == TourEnd::AtStart {
        return cycle;
    }
    cycle.remove(0);
    if cycle[0] != 0 {
        cycle.reverse();
    }
    cycle
}
