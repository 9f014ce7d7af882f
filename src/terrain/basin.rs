//! Basins of a field (the cells that drain to one sink) and the passes between them.

use std::collections::VecDeque;

use rayon::prelude::*;

use super::drain::{OFF, Outlet, VOID, Way, next};
use super::field::{Field, STEPS};

/// Everything beyond the field.
const OUTSIDE: u32 = 0;
/// The cell beyond the field.
pub(super) const NOWHERE: u32 = u32::MAX;

/// A place where two basins touch.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) struct Pass {
    /// The level at which water would go over.
    pub(super) height: f32,
    /// The cell on this side.
    pub(super) inside: u32,
    /// The cell on the other side, or [`NOWHERE`].
    pub(super) beyond: u32,
}

impl Pass {
    /// The way over the pass.
    pub(super) fn way(&self, columns: usize) -> Way {
        let found = STEPS.iter().position(|(down, right)| {
            let offset = down * columns as isize + right;
            (self.inside as usize).wrapping_add_signed(offset) == self.beyond as usize
        });
        found.map_or(OFF, |step| step as Way)
    }

    fn turned(self) -> Self {
        Self { inside: self.beyond, beyond: self.inside, ..self }
    }
}

/// The basins of a field.
#[derive(Debug)]
pub(super) struct Basins {
    /// The sink of every basin; basin `b` is the entry `b - 1`.
    pub(super) sinks: Vec<u32>,
    /// The basin of every cell, from 1; 0 where there is no height.
    pub(super) of_cell: Vec<u32>,
    /// Every place where two basins touch, from the lowest pass.
    pub(super) passes: Vec<Pass>,
}

/// The basins of a field whose ways are known but for its sinks.
pub(super) fn find(field: &Field, ways: &[Way]) -> Basins {
    let (of_cell, sinks) = label(field.columns, ways);
    let mut passes = touches(field, &of_cell);
    passes.par_sort_unstable_by(|a, b| {
        a.height.total_cmp(&b.height).then((a.inside, a.beyond).cmp(&(b.inside, b.beyond)))
    });
    Basins { sinks, of_cell, passes }
}

fn label(columns: usize, ways: &[Way]) -> (Vec<u32>, Vec<u32>) {
    let mut of_cell = vec![0u32; ways.len()];
    let mut sinks = Vec::new();
    for start in 0..ways.len() {
        if of_cell[start] != 0 || ways[start] == VOID {
            continue;
        }
        let mut cell = start;
        let basin = loop {
            if of_cell[cell] != 0 {
                break of_cell[cell];
            }
            match next(columns, cell, ways[cell]) {
                Some(lower) => cell = lower,
                None => {
                    sinks.push(cell as u32);
                    break sinks.len() as u32;
                }
            }
        };
        let mut cell = start;
        while of_cell[cell] == 0 {
            of_cell[cell] = basin;
            let Some(lower) = next(columns, cell, ways[cell]) else { break };
            cell = lower;
        }
    }
    (of_cell, sinks)
}

/// Every pair of neighbouring cells in different basins, and every rim cell with the outside.
fn touches(field: &Field, of_cell: &[u32]) -> Vec<Pass> {
    let of_row = |row: usize| {
        let mut found = Vec::new();
        for cell in row * field.columns..(row + 1) * field.columns {
            let height = field.values[cell];
            if of_cell[cell] == 0 {
                continue;
            }
            // Each pair once: to the east and to the row below.
            for other in (0..4).filter_map(|step| field.neighbour(cell, step)) {
                if of_cell[other] != 0 && of_cell[other] != of_cell[cell] {
                    let height = height.max(field.values[other]);
                    found.push(Pass { height, inside: cell as u32, beyond: other as u32 });
                }
            }
            if field.is_rim(cell) {
                found.push(Pass { height, inside: cell as u32, beyond: NOWHERE });
            }
        }
        found
    };
    let rows: Vec<Vec<Pass>> = (0..field.rows()).into_par_iter().map(of_row).collect();
    rows.concat()
}

impl Basins {
    /// The basin of a cell, the outside for [`NOWHERE`].
    pub(super) fn at(&self, cell: u32) -> u32 {
        self.of_cell.get(cell as usize).copied().unwrap_or(OUTSIDE)
    }

    /// The pass over which each basin drains toward the outlet, basins nearer to it first: the
    /// tree of passes whose highest pass on every way out is lowest (Kruskal 1956).
    pub(super) fn outlets(&self, field: &Field, outlet: Outlet) -> Vec<Pass> {
        let mut joined = Joined::new(self.sinks.len() + 1);
        let usable = self.passes.iter().copied().filter(|p| outlet == Outlet::Rim || p.beyond != NOWHERE);
        let tree: Vec<Pass> = usable.filter(|p| joined.join(self.at(p.inside), self.at(p.beyond))).collect();
        let touching = Touching::new(self, &tree);
        let mut outlets = Vec::with_capacity(tree.len());
        let mut reached = vec![false; self.sinks.len() + 1];
        let mut queue = match outlet {
            Outlet::Rim => VecDeque::from([OUTSIDE]),
            Outlet::Lowest => self.lowest(field, &mut joined),
        };
        for &basin in &queue {
            reached[basin as usize] = true;
        }
        while let Some(basin) = queue.pop_front() {
            for &index in touching.of(basin) {
                let pass = tree[index as usize];
                let pass = if self.at(pass.beyond) == basin { pass } else { pass.turned() };
                let inner = self.at(pass.inside);
                if !std::mem::replace(&mut reached[inner as usize], true) {
                    outlets.push(pass);
                    queue.push_back(inner);
                }
            }
        }
        outlets
    }
}

impl Basins {
    /// The basin with the lowest sink of every part that hangs together, the first of equals.
    fn lowest(&self, field: &Field, joined: &mut Joined) -> VecDeque<u32> {
        let height = |basin: u32| field.values[self.sinks[basin as usize - 1] as usize];
        let mut lowest: Vec<u32> = vec![OUTSIDE; self.sinks.len() + 1];
        for basin in 1..=self.sinks.len() as u32 {
            let held = &mut lowest[joined.root(basin) as usize];
            if *held == OUTSIDE || height(basin) < height(*held) {
                *held = basin;
            }
        }
        lowest.into_iter().filter(|&basin| basin != OUTSIDE).collect()
    }
}

/// The passes of a tree by basin.
struct Touching {
    starts: Vec<u32>,
    passes: Vec<u32>,
}

impl Touching {
    fn new(basins: &Basins, tree: &[Pass]) -> Self {
        let ends = |pass: &Pass| [basins.at(pass.inside), basins.at(pass.beyond)];
        let mut starts = vec![0u32; basins.sinks.len() + 2];
        for basin in tree.iter().flat_map(ends) {
            starts[basin as usize + 1] += 1;
        }
        for i in 1..starts.len() {
            starts[i] += starts[i - 1];
        }
        let mut fill = starts.clone();
        let mut passes = vec![0u32; tree.len() * 2];
        for (index, pass) in tree.iter().enumerate() {
            for basin in ends(pass) {
                passes[fill[basin as usize] as usize] = index as u32;
                fill[basin as usize] += 1;
            }
        }
        Self { starts, passes }
    }

    fn of(&self, basin: u32) -> &[u32] {
        &self.passes[self.starts[basin as usize] as usize..self.starts[basin as usize + 1] as usize]
    }
}

/// Sets that grow together (union by halving paths; Tarjan 1975).
pub(super) struct Joined(Vec<u32>);

impl Joined {
    pub(super) fn new(size: usize) -> Self {
        Self((0..size as u32).collect())
    }

    /// The member that stands for a set.
    pub(super) fn root(&mut self, mut a: u32) -> u32 {
        while self.0[a as usize] != a {
            let up = self.0[self.0[a as usize] as usize];
            self.0[a as usize] = up;
            a = up;
        }
        a
    }

    /// Joins two sets; whether they were two. The one with the lesser root stands for both.
    pub(super) fn join(&mut self, a: u32, b: u32) -> bool {
        let (a, b) = (self.root(a), self.root(b));
        self.0[a.max(b) as usize] = a.min(b);
        a != b
    }
}
