//! The search for a short closed tour where one-way lines make distances differ by
//! direction.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::{ROUNDING, TravelMatrix};

/// Longest piece that may be turned round.
const TURNED: usize = 40;
/// Longest of the two pieces that a kick swaps.
const KICK: usize = 30;
/// Most moves, for each stop, before a tour counts as settled: each shortens it, and some are enough.
const MOST_MOVES_A_STOP: usize = 200;

/// Improves a directed closed tour by swaps of neighbouring pieces, which keep every
/// direction (the one sequential exchange of three links that does), and by turning short
/// pieces round; then by kicks that swap two short pieces and are taken back where they do
/// not help.
///
/// The tour returned is no longer than the one given. One pass costs stops² looks.
pub(super) fn improve(
    matrix: &TravelMatrix,
    mut tour: Vec<usize>,
    kicks: usize,
    rng: &mut ChaCha8Rng,
) -> Vec<usize> {
    let n = tour.len();
    let least_m = ROUNDING * matrix.largest_m();
    settle(matrix, &mut tour, 0..n, least_m);
    if n < 5 {
        return tour;
    }
    let mut length_m = cycle_m(matrix, &tour);
    for _ in 0..kicks {
        let longest = KICK.min((n - 2) / 2);
        let (first, second) = (rng.random_range(1..=longest), rng.random_range(1..=longest));
        let mut kicked = tour.clone();
        kicked.rotate_left(rng.random_range(0..n));
        kicked[1..=first + second].rotate_left(first);
        settle(matrix, &mut kicked, 0..(first + second + 2).min(n), least_m);
        let kicked_m = cycle_m(matrix, &kicked);
        if kicked_m <= length_m + least_m {
            (tour, length_m) = (kicked, kicked_m);
        }
    }
    tour
}

fn cycle_m(matrix: &TravelMatrix, tour: &[usize]) -> f64 {
    matrix.path_m(tour) + matrix.metres(tour[tour.len() - 1], tour[0])
}

/// Improves until no piece that begins in `places` can be moved or turned.
fn settle(matrix: &TravelMatrix, tour: &mut [usize], places: std::ops::Range<usize>, least_m: f64) {
    for _ in 0..MOST_MOVES_A_STOP * tour.len() {
        let better = places
            .clone()
            .find(|&i| turn_one(matrix, tour, i, least_m) || swap_one(matrix, tour, i, least_m));
        if better.is_none() {
            return;
        }
    }
}

/// Turns the first piece that begins at place `i` and gains by it.
fn turn_one(matrix: &TravelMatrix, tour: &mut [usize], i: usize, least_m: f64) -> bool {
    let n = tour.len();
    let before = tour[(i + n - 1) % n];
    let (mut there_m, mut back_m) = (0.0, 0.0);
    for j in i + 1..n.min(i + TURNED) {
        if j + 1 - i >= n {
            break;
        }
        there_m += matrix.metres(tour[j - 1], tour[j]);
        back_m += matrix.metres(tour[j], tour[j - 1]);
        let after = tour[(j + 1) % n];
        let old_m = matrix.metres(before, tour[i]) + there_m + matrix.metres(tour[j], after);
        let new_m = matrix.metres(before, tour[j]) + back_m + matrix.metres(tour[i], after);
        if new_m < old_m - least_m {
            tour[i..=j].reverse();
            return true;
        }
    }
    false
}

/// Swaps the first two neighbouring pieces, the first beginning at place `i`, that gain by
/// it: `p a..b c..d q` becomes `p c..d a..b q`.
fn swap_one(matrix: &TravelMatrix, tour: &mut [usize], i: usize, least_m: f64) -> bool {
    let n = tour.len();
    let (p, a) = (tour[(i + n - 1) % n], tour[i]);
    let pa_m = matrix.metres(p, a);
    for j in i..n.saturating_sub(1) {
        let (b, c) = (tour[j], tour[j + 1]);
        let open_m = pa_m + matrix.metres(b, c) - matrix.metres(p, c);
        if open_m <= least_m {
            continue;
        }
        let last = if i == 0 { n - 1 } else { n };
        for k in j + 1..last {
            let (d, q) = (tour[k], tour[(k + 1) % n]);
            if open_m + matrix.metres(d, q) - matrix.metres(d, a) - matrix.metres(b, q) > least_m {
                tour[i..=k].rotate_left(j + 1 - i);
                return true;
            }
        }
    }
    false
}
