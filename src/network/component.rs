//! Which parts of a network hang together.

use std::collections::HashMap;

use super::{KindSet, Network};
use crate::frame::GroundPoint;
use crate::record::LineKind;

/// The connected components of a network.
#[derive(Clone, PartialEq, Debug)]
pub struct Components {
    /// How many there are.
    pub count: usize,
    /// The component of each node; `None` where no edge of the kinds asked for ends.
    pub of_node: Vec<Option<u32>>,
}

impl Network {
    /// The component of every node over edges of the kinds given, numbered from 0 in the
    /// order of their first nodes; `None` for nodes that no such edge names.
    pub fn components(&self, kinds: KindSet) -> Components {
        let mut of_node = vec![None; self.nodes.len()];
        let mut count = 0;
        for start in 0..self.nodes.len() as u32 {
            let travelled = |n: u32| {
                self.ends_at(n).iter().map(|e| &self.edges[e.edge as usize]).filter(|e| e.kinds.meets(kinds))
            };
            if of_node[start as usize].is_some() || travelled(start).next().is_none() {
                continue;
            }
            let mut stack = vec![start];
            of_node[start as usize] = Some(count);
            while let Some(n) = stack.pop() {
                for e in travelled(n) {
                    let other = if e.from == n { e.to } else { e.from };
                    if of_node[other as usize].is_none() {
                        of_node[other as usize] = Some(count);
                        stack.push(other);
                    }
                }
            }
            count += 1;
        }
        Components { count: count as usize, of_node }
    }

    /// How many parts the drawing falls into that touch nowhere: as [`Network::components`] over
    /// all kinds, but lines that pass each other on different levels count as touching.
    pub fn components_in_plan(&self) -> usize {
        let components = self.components(KindSet::from_kinds(&LineKind::ALL));
        let key = |p: &GroundPoint| (p.x_m.to_bits(), p.y_m.to_bits());
        let mut at_parted: HashMap<(u64, u64), Option<u32>> =
            self.report().parted.iter().map(|p| (key(p), None)).collect();
        let mut joined: Vec<u32> = (0..components.count as u32).collect();
        let root = |joined: &[u32], mut c: u32| {
            while joined[c as usize] != c {
                c = joined[c as usize];
            }
            c
        };
        for (edge, e) in (0..).zip(&self.edges) {
            let Some(own) = components.of_node[e.from as usize] else { continue };
            for p in self.path(edge) {
                let Some(first) = at_parted.get_mut(&key(p)) else { continue };
                let (a, b) = (root(&joined, *first.get_or_insert(own)), root(&joined, own));
                joined[a.max(b) as usize] = a.min(b);
            }
        }
        joined.iter().enumerate().filter(|&(c, &to)| c as u32 == to).count()
    }
}
