//! A good choice quickly: greedy rounding, then swaps.

use super::graph::{Graph, row_has};

/// Most rounds of swaps. Each swap adds to the total, so they end by themselves, mostly after three;
/// whatever stands when they are over is a choice.
const MOST_ROUNDS: usize = 1000;

/// A choice of vertices without conflict that can be changed vertex by vertex.
pub(super) struct Choice<'a> {
    graph: &'a Graph,
    pub chosen: Vec<bool>,
    /// Weight of the chosen neighbours.
    load: Vec<i64>,
    /// Number of chosen neighbours.
    blockers: Vec<u32>,
    pub total: i64,
}

impl<'a> Choice<'a> {
    /// Nothing chosen.
    pub fn new(graph: &'a Graph) -> Self {
        let n = graph.len();
        Self { graph, chosen: vec![false; n], load: vec![0; n], blockers: vec![0; n], total: 0 }
    }

    /// Takes vertices in descending order of `key` (ties: the lower number first) as long
    /// as nothing chosen stands against them; only positive weights.
    pub fn greedy(graph: &'a Graph, key: impl Fn(u32) -> f64) -> Self {
        let mut order: Vec<(f64, u32)> = graph.vertices().into_iter().map(|v| (key(v), v)).collect();
        order.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
        let mut choice = Self::new(graph);
        for (_, v) in order {
            choice.add_if_free(v);
        }
        choice
    }

    fn add_if_free(&mut self, v: u32) {
        let i = v as usize;
        if !self.chosen[i] && self.blockers[i] == 0 && self.graph.w(v) > 0 {
            self.insert(v);
        }
    }

    fn insert(&mut self, v: u32) {
        self.chosen[v as usize] = true;
        let weight = self.graph.w(v);
        self.total += weight;
        for u in self.graph.neighbours(v) {
            self.load[u as usize] += weight;
            self.blockers[u as usize] += 1;
        }
    }

    fn remove(&mut self, v: u32) {
        self.chosen[v as usize] = false;
        let weight = self.graph.w(v);
        self.total -= weight;
        for u in self.graph.neighbours(v) {
            self.load[u as usize] -= weight;
            self.blockers[u as usize] -= 1;
        }
    }

    /// Swaps until none gains: one vertex in for all that stand against it, or two in for
    /// one. After Nogueira, Pinheiro & Subramanian (2018), doi:10.1007/s11590-017-1128-7.
    pub fn improve(&mut self) {
        for _ in 0..MOST_ROUNDS {
            self.swap_one_in();
            let out: Vec<u32> =
                self.graph.vertices().into_iter().filter(|&v| self.chosen[v as usize]).collect();
            let mut gained = false;
            for v in out {
                gained |= self.chosen[v as usize] && self.swap_two_in(v);
            }
            if !gained {
                return;
            }
        }
    }

    fn swap_one_in(&mut self) {
        let mut gained = true;
        for _ in 0..MOST_ROUNDS {
            if !std::mem::take(&mut gained) {
                break;
            }
            for v in self.graph.vertices() {
                if !self.chosen[v as usize] && self.graph.w(v) > self.load[v as usize] {
                    let against: Vec<u32> =
                        self.graph.neighbours(v).filter(|&u| self.chosen[u as usize]).collect();
                    for u in against {
                        self.remove(u);
                    }
                    self.insert(v);
                    gained = true;
                }
            }
        }
    }

    /// Two vertices that only `out` stands against, for `out`.
    fn swap_two_in(&mut self, out: u32) -> bool {
        let weight = self.graph.w(out);
        let mut only: Vec<u32> =
            self.graph.neighbours(out).filter(|&u| self.blockers[u as usize] == 1).collect();
        only.sort_by(|&a, &b| self.graph.w(b).cmp(&self.graph.w(a)).then(a.cmp(&b)));
        let Some(&heaviest) = only.first() else { return false };
        let mut best: Option<(i64, u32, u32)> = None;
        for (i, &a) in only.iter().enumerate() {
            let floor = best.map_or(weight, |(sum, ..)| sum);
            if self.graph.w(a) + self.graph.w(heaviest) <= floor {
                break;
            }
            for &b in &only[i + 1..] {
                let sum = self.graph.w(a) + self.graph.w(b);
                if sum <= best.map_or(weight, |(sum, ..)| sum) {
                    break;
                }
                if !row_has(self.graph.row(a), b) {
                    best = Some((sum, a, b));
                    break;
                }
            }
        }
        let Some((_, a, b)) = best else { return false };
        self.remove(out);
        self.insert(a);
        self.insert(b);
        true
    }
}
