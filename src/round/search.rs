//! The search for a short closed tour where every distance is the same both ways.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::{ROUNDING, TravelMatrix};

/// How many likely links of each stop are tried.
const LIKELY: usize = 8;
/// How many links one chain of exchanges may change.
const DEPTH: usize = 6;
/// How many links are tried at each depth of a chain.
const BREADTH: [usize; DEPTH] = [8, 4, 2, 1, 1, 1];
/// Longest of the two pieces that a kick swaps.
const KICK: usize = 30;

/// How long to search.
#[derive(Clone, Copy)]
pub(super) struct Effort {
    /// Most kicks.
    pub kicks: usize,
    /// A length that no tour can undercut, in metres: the search ends when it is reached.
    pub bound_m: f64,
}

/// Improves a closed tour by chained exchanges of links (Lin & Kernighan 1973, *Operations
/// Research* 21:498–516), moves of short pieces (Or 1976), and local kicks that swap two
/// neighbouring pieces (the double bridge of Martin, Otto & Felten 1991, kept short); a kick
/// that does not help is taken back.
///
/// Asks for a symmetric matrix; `prices_m` ranks the links ([`super::bound::Bound`]). Links
/// of very negative length are never given up. The tour returned is no longer than the one
/// given. Each kick costs about a constant number of looks and a few short reversals.
pub(super) fn improve(
    matrix: &TravelMatrix,
    prices_m: &[f64],
    tour: Vec<usize>,
    effort: Effort,
    rng: &mut ChaCha8Rng,
) -> Vec<usize> {
    let n = tour.len();
    if n < 5 {
        return shortest_of_few(matrix, tour);
    }
    let mut search = Search::new(matrix, prices_m, tour);
    search.queue.extend(0..n);
    search.waiting.fill(true);
    search.settle();
    let mut length_m = search.length_m();
    for _ in 0..effort.kicks {
        if length_m <= effort.bound_m + search.least_m {
            break;
        }
        search.undo.clear();
        let change = search.kick(rng) - search.settle();
        if change > search.least_m {
            search.take_back();
        } else {
            length_m += change;
        }
    }
    search.order
}

/// The shortest of the at most three tours through fewer than five stops.
fn shortest_of_few(matrix: &TravelMatrix, tour: Vec<usize>) -> Vec<usize> {
    if tour.len() < 4 {
        return tour;
    }
    let [a, b, c, d] = [tour[0], tour[1], tour[2], tour[3]];
    let length = |t: &[usize; 4]| matrix.path_m(t) + matrix.metres(t[3], t[0]);
    [[a, b, c, d], [a, c, b, d], [a, b, d, c]]
        .into_iter()
        .min_by(|s, t| length(s).total_cmp(&length(t)))
        .map_or(tour, Vec::from)
}

struct Search<'a> {
    matrix: &'a TravelMatrix,
    likely: Vec<usize>,
    per_stop: usize,
    order: Vec<usize>,
    place: Vec<usize>,
    queue: std::collections::VecDeque<usize>,
    waiting: Vec<bool>,
    undo: Vec<(usize, usize)>,
    /// Metres below which a gain is rounding.
    least_m: f64,
}

impl<'a> Search<'a> {
    fn new(matrix: &'a TravelMatrix, prices_m: &[f64], order: Vec<usize>) -> Self {
        let n = order.len();
        let mut place = vec![0; n];
        for (k, &stop) in order.iter().enumerate() {
            place[stop] = k;
        }
        Self {
            likely: likely_links(matrix, prices_m),
            per_stop: LIKELY.min(n - 1),
            least_m: ROUNDING * matrix.largest_m(),
            queue: std::collections::VecDeque::with_capacity(n),
            waiting: vec![false; n],
            undo: Vec::new(),
            matrix,
            order,
            place,
        }
    }

    fn d(&self, a: usize, b: usize) -> f64 {
        self.matrix.metres(a, b)
    }

    fn next(&self, stop: usize) -> usize {
        let k = self.place[stop] + 1;
        self.order[if k == self.order.len() { 0 } else { k }]
    }

    fn before(&self, stop: usize) -> usize {
        let k = self.place[stop];
        self.order[if k == 0 { self.order.len() - 1 } else { k - 1 }]
    }

    fn length_m(&self) -> f64 {
        self.matrix.path_m(&self.order) + self.d(self.order[self.order.len() - 1], self.order[0])
    }

    fn wake(&mut self, stop: usize) {
        if !self.waiting[stop] {
            self.waiting[stop] = true;
            self.queue.push_back(stop);
        }
    }

    /// Turns round the piece with the ends `a` and `b`, where `outside` is the neighbour of
    /// `a` that does not belong to it. Turning the rest instead gives the same closed tour,
    /// so the shorter of the two is turned: afterwards only neighbourhood counts, not which
    /// way the order runs.
    fn turn(&mut self, outside: usize, a: usize, b: usize) {
        if a == b {
            return;
        }
        let n = self.order.len();
        let (first, last) = if self.before(a) == outside { (a, b) } else { (b, a) };
        let (mut i, mut j) = (self.place[first], self.place[last]);
        let mut inside = if j >= i { j - i + 1 } else { j + n - i + 1 };
        if 2 * inside > n {
            (i, j) = (if j + 1 == n { 0 } else { j + 1 }, if i == 0 { n - 1 } else { i - 1 });
            inside = n - inside;
        }
        self.undo.push((i, j));
        self.turn_places(i, j, inside / 2);
    }

    fn turn_places(&mut self, mut i: usize, mut j: usize, swaps: usize) {
        let n = self.order.len();
        for _ in 0..swaps {
            self.order.swap(i, j);
            self.place[self.order[i]] = i;
            self.place[self.order[j]] = j;
            i = if i + 1 == n { 0 } else { i + 1 };
            j = if j == 0 { n - 1 } else { j - 1 };
        }
    }

    /// Takes back the turns down to `mark`.
    fn take_back_to(&mut self, mark: usize) {
        let n = self.order.len();
        while self.undo.len() > mark {
            let Some((i, j)) = self.undo.pop() else { break };
            let inside = if j >= i { j - i + 1 } else { j + n - i + 1 };
            self.turn_places(i, j, inside / 2);
        }
    }

    fn take_back(&mut self) {
        self.take_back_to(0);
    }

    /// Improves until no waiting stop can; returns the metres gained.
    fn settle(&mut self) -> f64 {
        let mut gained = 0.0;
        while let Some(stop) = self.queue.pop_front() {
            self.waiting[stop] = false;
            while let Some(gain) = self.improve_at(stop) {
                gained += gain;
            }
        }
        gained
    }

    fn improve_at(&mut self, stop: usize) -> Option<f64> {
        for forward in [true, false] {
            let other = if forward { self.next(stop) } else { self.before(stop) };
            if let Some(gain) = self.exchange(stop, other, forward) {
                return Some(gain);
            }
        }
        self.move_piece(stop)
    }

    /// A chain of exchanges that begins by giving up the link from `t1` to its neighbour `t2`.
    fn exchange(&mut self, t1: usize, t2: usize, forward: bool) -> Option<f64> {
        let mark = self.undo.len();
        let gain = self.chain(t1, t2, forward, self.d(t1, t2), 0);
        if gain.is_none() {
            self.take_back_to(mark);
        }
        gain
    }

    /// `t1` and `t2` are neighbours, `t2` ahead of `t1` if `forward`; `open_m` is the
    /// length of the links given up less that of the links taken so far. Leaves the tour
    /// changed if it returns a gain, and as it was otherwise.
    fn chain(&mut self, t1: usize, t2: usize, forward: bool, open_m: f64, depth: usize) -> Option<f64> {
        let mut tried = 0;
        for k in 0..self.per_stop {
            let t3 = self.likely[t2 * self.per_stop + k];
            let left = open_m - self.d(t2, t3);
            if left <= self.least_m {
                continue;
            }
            let t4 = if forward { self.before(t3) } else { self.next(t3) };
            if t3 == t1 || t4 == t2 {
                continue;
            }
            let now_open = left + self.d(t3, t4);
            let gain = now_open - self.d(t4, t1);
            let mark = self.undo.len();
            self.turn(t1, t2, t4);
            if gain > self.least_m {
                [t1, t2, t3, t4].into_iter().for_each(|t| self.wake(t));
                return Some(gain);
            }
            if depth + 1 < DEPTH {
                let ahead = self.next(t1) == t4;
                if let Some(gain) = self.chain(t1, t4, ahead, now_open, depth + 1) {
                    [t2, t3].into_iter().for_each(|t| self.wake(t));
                    return Some(gain);
                }
            }
            self.take_back_to(mark);
            tried += 1;
            if tried == BREADTH[depth] {
                break;
            }
        }
        None
    }

    /// Moves a piece of up to three stops that ends at `stop` next to a likely neighbour.
    fn move_piece(&mut self, stop: usize) -> Option<f64> {
        let n = self.order.len();
        for forward in [true, false] {
            let mut far = stop;
            for length in 1..=3.min(n - 3) {
                if length > 1 {
                    far = if forward { self.next(far) } else { self.before(far) };
                }
                let gain = self.move_piece_between(stop, far, forward, length);
                if gain.is_some() {
                    return gain;
                }
            }
        }
        None
    }

    /// The piece runs from `stop` to `far`, forward or back along the tour.
    fn move_piece_between(&mut self, stop: usize, far: usize, forward: bool, length: usize) -> Option<f64> {
        let (outer, inner) =
            if forward { (self.before(stop), self.next(far)) } else { (self.next(stop), self.before(far)) };
        let freed = self.d(outer, stop) + self.d(far, inner) - self.d(outer, inner);
        for k in 0..self.per_stop {
            let c = self.likely[stop * self.per_stop + k];
            let rest = freed - self.d(stop, c);
            if rest <= self.least_m - self.d(c, self.next(c)).max(self.d(c, self.before(c))) {
                continue;
            }
            if self.in_piece(c, stop, forward, length) {
                continue;
            }
            for beside in [self.next(c), self.before(c)] {
                if self.in_piece(beside, stop, forward, length) {
                    continue;
                }
                let gain = rest - self.d(far, beside) + self.d(c, beside);
                if gain > self.least_m {
                    self.place_piece(stop, far, forward, c, beside);
                    [outer, stop, far, inner, c, beside].into_iter().for_each(|t| self.wake(t));
                    return Some(gain);
                }
            }
        }
        None
    }

    fn in_piece(&self, stop: usize, first: usize, forward: bool, length: usize) -> bool {
        let n = self.order.len();
        let (p, f) = (self.place[stop], self.place[first]);
        (if forward { (p + n - f) % n } else { (f + n - p) % n }) < length
    }

    /// Carries the piece from `stop` to `far` to between the neighbours `c` and `beside`, so
    /// that `stop` touches `c`.
    fn place_piece(&mut self, stop: usize, far: usize, forward: bool, c: usize, beside: usize) {
        let n = self.order.len();
        let (head, tail) = if forward { (stop, far) } else { (far, stop) };
        let (front, back) = if self.next(c) == beside { (c, beside) } else { (beside, c) };
        let ahead = (self.place[front] + n - self.place[tail]) % n;
        let behind = (self.place[head] + n - self.place[back]) % n;
        let (before, after) = (self.before(head), self.next(tail));
        if ahead <= behind {
            self.swap_pieces([before, head, tail, after, front, back]);
        } else {
            self.swap_pieces([front, back, before, head, tail, after]);
        }
        if (c == front) != (stop == head) {
            self.turn(front, head, tail);
        }
    }

    /// Swaps the neighbouring pieces `a..b` and `c..d` between `p` and `q`; each keeps its
    /// direction.
    fn swap_pieces(&mut self, [p, a, b, c, d, q]: [usize; 6]) {
        self.turn(p, a, d);
        self.turn(p, d, c);
        self.turn(q, a, b);
    }

    /// Swaps two short neighbouring pieces and wakes their ends; returns the metres lost.
    fn kick(&mut self, rng: &mut ChaCha8Rng) -> f64 {
        let n = self.order.len();
        let longest = KICK.min((n - 2) / 2);
        let from = rng.random_range(0..n);
        let first = rng.random_range(1..=longest);
        let second = rng.random_range(1..=longest);
        let at = |k: usize| self.order[(from + k) % n];
        let [p, a, b, c, d, q] =
            [at(0), at(1), at(first), at(first + 1), at(first + second), at(first + second + 1)];
        let before = self.d(p, a) + self.d(b, c) + self.d(d, q);
        let after = self.d(p, c) + self.d(d, a) + self.d(b, q);
        self.swap_pieces([p, a, b, c, d, q]);
        [p, a, b, c, d, q].into_iter().for_each(|t| self.wake(t));
        after - before
    }
}

/// For each stop its likely neighbours, the best first, by priced length.
fn likely_links(matrix: &TravelMatrix, prices_m: &[f64]) -> Vec<usize> {
    let n = matrix.stops();
    let per_stop = LIKELY.min(n - 1);
    let mut links = Vec::with_capacity(n * per_stop);
    for i in 0..n {
        let mut others: Vec<usize> = (0..n).filter(|&j| j != i).collect();
        let rank = |j: usize| matrix.metres(i, j) + prices_m[j];
        others.sort_by(|&a, &b| rank(a).total_cmp(&rank(b)).then(a.cmp(&b)));
        links.extend_from_slice(&others[..per_stop]);
    }
    links
}
