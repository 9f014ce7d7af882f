//! The choice of sites as a problem for the solver.

use std::sync::Arc;

use super::cluster::Item;
use super::select::{Conflicts, Limits, Problem, select};

/// Items, who stands against whom, and what is fixed beforehand.
pub struct Layout {
    /// What can be chosen.
    pub items: Vec<Item>,
    /// Conflicts among the items.
    pub conflicts: Arc<Conflicts>,
    /// Candidates that are in every choice; nothing among the items is against them.
    pub fixed: Vec<usize>,
    /// Most sites, the fixed ones counted.
    pub budget: Option<u32>,
}

/// A choice and its proof, in millionths of score.
#[derive(Clone, PartialEq, Debug)]
pub struct Picked {
    /// The chosen candidates with their gain and the node of their cluster, by candidate.
    pub sites: Vec<(usize, i64, Option<u32>)>,
    /// The sum of the gains.
    pub total: i64,
    /// No choice has a greater sum.
    pub upper_bound: i64,
}

impl Layout {
    /// Chooses, with the score of each candidate in millionths.
    pub fn choose(&self, scores: &[i64], limits: Limits) -> Picked {
        let fixed: i64 = self.fixed.iter().map(|&i| scores[i]).sum();
        let problem = Problem {
            weights: self.items.iter().map(|item| item.gains(scores).iter().sum()).collect(),
            costs: self.items.iter().map(|item| item.members.len() as u32).collect(),
            conflicts: self.conflicts.clone(),
            budget: self.budget.map(|budget| budget.saturating_sub(self.fixed.len() as u32)),
        };
        let selection = select(&problem, limits);
        let mut sites: Vec<(usize, i64, Option<u32>)> =
            self.fixed.iter().map(|&i| (i, scores[i], None)).collect();
        for &k in &selection.chosen {
            let item = &self.items[k as usize];
            let gains = item.gains(scores);
            sites.extend(item.members.iter().zip(gains).map(|(&i, gain)| (i, gain, item.node)));
        }
        sites.sort_unstable();
        Picked { sites, total: selection.total + fixed, upper_bound: selection.upper_bound + fixed }
    }
}
