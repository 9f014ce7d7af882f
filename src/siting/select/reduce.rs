//! Exact reductions of the free problem (no budget): what is certain without search.
//!
//! Rules after Lamm, Schulz, Strash, Williger & Zhang (2019), "Exactly solving the maximum
//! weight independent set problem on large real-world graphs", ALENEX, 144–158,
//! doi:10.1137/1.9781611975499.12. Tree-like parts are solved by them alone.

use std::collections::VecDeque;

use super::graph::{Graph, bits, is_subset, row_set};

/// What a reduction did, so that a choice on the rest can be carried back.
enum Step {
    /// The vertex is in some best choice.
    Take(u32),
    /// The vertex is chosen unless one of these neighbours is.
    Transfer(u32, Vec<u32>),
    /// The vertex `middle` stands for its two neighbours together, or else for itself.
    Fold { middle: u32, ends: [u32; 2] },
}

/// The trail of a reduction, and the weight already certain.
pub(super) struct Trail {
    steps: Vec<Step>,
    /// Weight that every best choice has on top of the best choice on the rest.
    pub constant: i64,
}

impl Trail {
    /// Carries a choice on what was left (`chosen[v]`) back to the graph before reduction.
    pub fn undo(self, chosen: &mut [bool]) {
        for step in self.steps.into_iter().rev() {
            match step {
                Step::Take(v) => chosen[v as usize] = true,
                Step::Transfer(v, others) => chosen[v as usize] = !others.iter().any(|&u| chosen[u as usize]),
                Step::Fold { middle, ends } => {
                    let both = std::mem::replace(&mut chosen[middle as usize], false);
                    chosen[middle as usize] = !both;
                    for end in ends {
                        chosen[end as usize] = both;
                    }
                }
            }
        }
    }
}

/// Reduces a graph in place, first in first out, until no rule applies.
///
/// Vertices of weight zero or less are never worth choosing and go first. The best total
/// of the graph before is `constant` plus the best total of what is left.
pub(super) fn reduce(graph: &mut Graph) -> Trail {
    for v in graph.vertices() {
        if graph.w(v) <= 0 {
            graph.remove(v);
        }
    }
    let queue: VecDeque<u32> = graph.vertices().into();
    let queued = graph.alive.clone();
    let mut around = vec![0; graph.len()];
    for v in graph.vertices() {
        around[v as usize] = graph.neighbours(v).map(|u| graph.w(u)).sum();
    }
    let trail = Trail { steps: Vec::new(), constant: 0 };
    let mut work = Work { graph, around, queue, queued, trail };
    while let Some(v) = work.queue.pop_front() {
        work.queued[v as usize] = false;
        if work.graph.alive[v as usize] {
            work.examine(v);
        }
    }
    work.trail
}

struct Work<'a> {
    graph: &'a mut Graph,
    /// Weight of the neighbours alive.
    around: Vec<i64>,
    queue: VecDeque<u32>,
    queued: Vec<bool>,
    trail: Trail,
}

impl Work<'_> {
    fn examine(&mut self, v: u32) {
        if self.graph.w(v) >= self.around[v as usize] {
            self.take(v);
        } else if self.is_simplicial(v) {
            self.transfer(v);
        } else if !self.dominate(v) && self.graph.degree[v as usize] == 2 {
            self.fold(v);
        }
    }

    fn touch(&mut self, v: u32) {
        if !std::mem::replace(&mut self.queued[v as usize], true) {
            self.queue.push_back(v);
        }
    }

    fn delete(&mut self, v: u32) {
        let weight = self.graph.w(v);
        let row = self.graph.detach(v);
        for u in bits(&row).filter(|&u| u != v) {
            self.around[u as usize] -= weight;
            self.touch(u);
        }
    }

    fn take(&mut self, v: u32) {
        let neighbours: Vec<u32> = self.graph.neighbours(v).collect();
        for u in neighbours {
            self.delete(u);
        }
        self.trail.constant += self.graph.w(v);
        self.trail.steps.push(Step::Take(v));
        self.delete(v);
    }

    fn is_simplicial(&self, v: u32) -> bool {
        let row = self.graph.row(v);
        bits(row).all(|u| is_subset(row, self.graph.row(u)))
    }

    /// The neighbours of `v` conflict with each other: at most one of them and `v` is
    /// chosen, so `v`'s weight is certain and the heavier ones keep what they have more.
    fn transfer(&mut self, v: u32) {
        let weight = self.graph.w(v);
        let neighbours: Vec<u32> = self.graph.neighbours(v).collect();
        self.trail.constant += weight;
        self.delete(v);
        for &u in &neighbours {
            if self.graph.w(u) <= weight {
                self.delete(u);
            } else {
                self.lighten(u, weight);
            }
        }
        self.trail.steps.push(Step::Transfer(v, neighbours));
    }

    fn lighten(&mut self, v: u32, by: i64) {
        self.graph.weight[v as usize] -= by;
        self.touch(v);
        let neighbours: Vec<u32> = self.graph.neighbours(v).collect();
        for u in neighbours {
            self.around[u as usize] -= by;
            self.touch(u);
        }
    }

    /// Whoever conflicts with more and weighs no more is never needed. True if one of the two went.
    fn dominate(&mut self, v: u32) -> bool {
        let Some(needless) = self.dominated_beside(v) else { return false };
        // Looks at the other of the two again, as at all around.
        self.delete(needless);
        true
    }

    /// `v` if a neighbour dominates it, or else a neighbour that `v` dominates.
    fn dominated_beside(&self, v: u32) -> Option<u32> {
        let (graph, row) = (&*self.graph, self.graph.row(v));
        let (weight, degree) = (graph.w(v), graph.degree[v as usize]);
        graph.neighbours(v).find_map(|u| {
            let (other, other_degree) = (graph.w(u), graph.degree[u as usize]);
            if other >= weight && other_degree <= degree && is_subset(graph.row(u), row) {
                Some(v)
            } else if weight >= other && degree <= other_degree && is_subset(row, graph.row(u)) {
                Some(u)
            } else {
                None
            }
        })
    }

    /// Two neighbours that do not conflict with each other, neither alone heavier than `v`:
    /// either both are chosen or `v` is.
    fn fold(&mut self, v: u32) {
        let ends: Vec<u32> = self.graph.neighbours(v).collect();
        let &[a, b] = ends.as_slice() else { return };
        let (weight, heavier) = (self.graph.w(v), self.graph.w(a).max(self.graph.w(b)));
        if self.graph.adjacent(a, b) || weight < heavier {
            return;
        }
        let both = self.graph.w(a) + self.graph.w(b);
        let mut outer: Vec<u32> =
            self.graph.neighbours(a).chain(self.graph.neighbours(b)).filter(|&u| u != v).collect();
        outer.sort_unstable();
        outer.dedup();
        self.delete(a);
        self.delete(b);
        self.graph.weight[v as usize] = both - weight;
        self.graph.degree[v as usize] = outer.len() as u32;
        self.around[v as usize] = outer.iter().map(|&u| self.graph.w(u)).sum();
        for &u in &outer {
            row_set(&mut self.graph.rows[v as usize], u);
            row_set(&mut self.graph.rows[u as usize], v);
            self.graph.degree[u as usize] += 1;
            self.around[u as usize] += both - weight;
        }
        self.touch(v);
        self.trail.constant += weight;
        self.trail.steps.push(Step::Fold { middle: v, ends: [a, b] });
    }
}
