//! Branching, where the bound on a tour's length is not sharp.

use std::cmp::Ordering;
use std::collections::BinaryHeap;

use super::bound::{Ascent, Bound, OneTree, climb};
use super::{ROUNDING, TravelMatrix};

/// Steps of the ascent after each branching: the prices hardly move, so few are needed.
const STEPS: usize = 25;

/// How far to branch.
#[derive(Clone, Copy)]
pub(super) struct Branching {
    /// Length of the best tour known, in metres.
    pub tour_m: f64,
    /// Most looks at a pair of stops: a measure of time that does not depend on the machine.
    pub looks: f64,
}

/// A set of tours: those that use some links and none of others.
struct Part {
    /// No tour of the set is shorter, in metres.
    metres: f64,
    prices_m: Vec<f64>,
    /// Links that must be used, and links that must not.
    links: Vec<(usize, usize, bool)>,
    /// Links at a stop that the one-tree uses more than twice.
    crowded: Option<(usize, Vec<usize>)>,
}

/// Raises a bound by branching on the links of its one-tree, the least bound first, and gives
/// it in metres; the length of the best tour where that is proven shortest.
///
/// At a stop where the one-tree has three or more links, tours either leave out the first of
/// two of them, or use it and leave out the second, or use both and no other (Volgenant &
/// Jonker 1982, *European Journal of Operational Research* 9:83–89). The bound of all tours
/// is the least bound of a set not branched any further, so stopping early costs sharpness only.
pub(super) fn branch(matrix: &TravelMatrix, root: &Bound, branching: Branching) -> f64 {
    let n = matrix.stops();
    let mut search = Search::new(matrix, root, branching);
    let Some(first) = search.part(Vec::new(), &root.prices_m) else { return branching.tour_m };
    let mut open = BinaryHeap::from([Part { metres: first.metres.max(root.metres), ..first }]);
    // A look at a link costs about as much as at four stops in the search for the nearest.
    let per_part = (STEPS * n * n) as f64 / 4.0;
    let mut looks = 0.0;
    while let Some(part) = open.pop() {
        let Some((stop, links)) = &part.crowded else {
            // A one-tree without a crowded stop is a tour: the shortest of its set, and of all.
            return part.metres.min(branching.tour_m);
        };
        if looks > branching.looks {
            return part.metres.min(branching.tour_m);
        }
        for links in split(&part.links, *stop, links) {
            looks += per_part;
            if let Some(child) = search.part(links, &part.prices_m) {
                open.push(Part { metres: child.metres.max(part.metres), ..child });
            }
        }
    }
    branching.tour_m
}

/// The sets that a set falls into, by the links at one crowded stop.
fn split(
    given: &[(usize, usize, bool)],
    stop: usize,
    crowding: &[usize],
) -> impl Iterator<Item = Vec<(usize, usize, bool)>> {
    let used = |other: usize| {
        given.iter().any(|&(a, b, use_it)| use_it && (a, b) == (stop.min(other), stop.max(other)))
    };
    let free: Vec<usize> = crowding.iter().copied().filter(|&other| !used(other)).collect();
    let fixed = crowding.len() - free.len();
    let link = |other: usize, use_it: bool| (stop.min(other), stop.max(other), use_it);
    let mut sets = Vec::new();
    if let Some(&first) = free.first() {
        sets.push(vec![link(first, false)]);
        match free.get(1) {
            Some(&second) if fixed == 0 => {
                sets.push(vec![link(first, true), link(second, false)]);
                sets.push(vec![link(first, true), link(second, true)]);
            }
            _ => sets.push(vec![link(first, true)]),
        }
    }
    let given = given.to_vec();
    sets.into_iter().map(move |more| [given.clone(), more].concat())
}

struct Search<'a> {
    plain: &'a TravelMatrix,
    /// The matrix with the links of a part made cheap or dear.
    priced: TravelMatrix,
    tree: OneTree,
    tour_m: f64,
    /// More than any exchange of links could gain, in metres.
    weight_m: f64,
}

impl<'a> Search<'a> {
    fn new(matrix: &'a TravelMatrix, root: &Bound, branching: Branching) -> Self {
        let weight_m = 4.0 * branching.tour_m.abs() + 16.0 * matrix.largest_m().max(1.0);
        let mut tree = OneTree::new(matrix.stops());
        tree.grow(matrix, &root.prices_m);
        let spare_m = branching.tour_m - root.metres + ROUNDING * branching.tour_m.abs();
        let tree = OneTree::among(tree.useful_links(matrix, &root.prices_m, spare_m));
        Self { plain: matrix, priced: matrix.clone(), tree, tour_m: branching.tour_m, weight_m }
    }

    /// Bounds a set of tours; `None` if none of them is shorter than the tour known.
    fn part(&mut self, links: Vec<(usize, usize, bool)>, prices_m: &[f64]) -> Option<Part> {
        let n = self.plain.stops();
        let mut uses = vec![0; n];
        for &(a, b, use_it) in &links {
            uses[a] += usize::from(use_it);
            uses[b] += usize::from(use_it);
        }
        if uses.iter().any(|&used| used > 2) {
            return None;
        }
        let forced = links.iter().filter(|(.., use_it)| *use_it).count() as f64;
        self.mark(&links, &uses, 1.0);
        // Each link to be used is made cheaper by the weight in tree and tour alike.
        let ascent = Ascent { tour_m: self.tour_m - forced * self.weight_m, steps: STEPS };
        let bound = climb(&self.priced, &mut self.tree, prices_m.to_vec(), ascent);
        self.tree.grow(&self.priced, &bound.prices_m);
        let crowded = self.tree.most_crowded();
        self.mark(&links, &uses, 0.0);
        let metres = bound.metres + forced * self.weight_m;
        let enough = self.tour_m - ROUNDING * self.tour_m.abs();
        (metres < enough).then_some(Part { metres, prices_m: bound.prices_m, links, crowded })
    }

    /// Makes the links of a part cheap or dear, those beside two used ones dear too; a weight
    /// of 0 takes that back.
    fn mark(&mut self, links: &[(usize, usize, bool)], uses: &[usize], times: f64) {
        let n = self.plain.stops();
        let weight_m = times * self.weight_m;
        for full in (0..n).filter(|&stop| uses[stop] == 2) {
            for other in (0..n).filter(|&other| other != full) {
                self.priced.set_both(full, other, self.plain.metres(full, other) + weight_m);
            }
        }
        for &(a, b, use_it) in links {
            let by_m = if use_it { -weight_m } else { weight_m };
            self.priced.set_both(a, b, self.plain.metres(a, b) + by_m);
        }
    }
}

impl PartialEq for Part {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Part {}

impl PartialOrd for Part {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl Ord for Part {
    /// The least bound is the greatest of the heap; ties are broken by the links.
    fn cmp(&self, other: &Self) -> Ordering {
        other.metres.total_cmp(&self.metres).then_with(|| other.links.cmp(&self.links))
    }
}
