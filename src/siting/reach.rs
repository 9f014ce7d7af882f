//! The objective `coverage`: the activity within reach of some site.

use super::candidate::Candidate;
use super::field::Standing;
use super::layout::{Layout, Picked};
use super::score::STEPS_TO_ONE;
use super::select::{Coverage, Limits, cover};
use crate::frame::GroundPoint;
use crate::surface::Surface;

/// Demand is gathered into at most about this many places.
const PLACES: f64 = 5000.0;

/// Activity at a place.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Demand {
    /// The place.
    pub at: GroundPoint,
    /// Its share of all activity, in 0..=1.
    pub share: f64,
    /// How far a site reaches for it, in metres.
    pub reach_m: f64,
}

/// Activity as demand, adding up to `share` of all. Cells of the surface are gathered into
/// square blocks.
pub fn demand_of(surface: &Surface, share: f64, reach_m: f64) -> Vec<Demand> {
    let grid = &surface.grid;
    let block = ((grid.cells() as f64 / PLACES).sqrt().ceil() as usize).max(1);
    let mut places = Vec::new();
    for row in (0..grid.rows).step_by(block) {
        for column in (0..grid.columns).step_by(block) {
            let rows = row..(row + block).min(grid.rows);
            let cells = rows.flat_map(|r| (column..(column + block).min(grid.columns)).map(move |c| (r, c)));
            let (mut sum, mut x, mut y) = (0.0, 0.0, 0.0);
            for (r, c) in cells {
                let value = surface.value(r, c).unwrap_or(0.0);
                let at = grid.centre(r, c);
                (sum, x, y) = (sum + value, x + value * at.x_m, y + value * at.y_m);
            }
            if sum > 0.0 {
                places.push(Demand { at: GroundPoint::new(x / sum, y / sum), share: sum, reach_m });
            }
        }
    }
    let total: f64 = places.iter().map(|place| place.share).sum();
    places.iter_mut().for_each(|place| place.share *= share / total);
    places
}

/// Chooses so that the demand within its reach of a foot is as great as possible. What
/// stations and fixed sites reach already is not counted again. A site's gain is what it
/// adds to those of greater gain.
pub fn choose_by_reach(
    layout: &Layout,
    candidates: &[Candidate],
    stations: &[Standing],
    demand: &[Demand],
    limits: Limits,
) -> Picked {
    let fixed = layout.fixed.iter().map(|&i| candidates[i].foot.at);
    let reached_by = |at: GroundPoint| {
        (0..demand.len() as u32)
            .filter(|&j| demand[j as usize].at.distance_m(at) <= demand[j as usize].reach_m)
            .collect::<Vec<u32>>()
    };
    let mut worth: Vec<i64> =
        demand.iter().map(|place| (place.share * STEPS_TO_ONE).round() as i64).collect();
    for at in stations.iter().map(|s| s.at) {
        reached_by(at).into_iter().for_each(|j| worth[j as usize] = 0);
    }
    let mut of_fixed = Vec::new();
    for at in fixed {
        let reached = reached_by(at);
        of_fixed.push(reached.iter().map(|&j| worth[j as usize]).sum::<i64>());
        reached.into_iter().for_each(|j| worth[j as usize] = 0);
    }
    let reaches: Vec<Vec<u32>> = layout
        .items
        .iter()
        .map(|item| item.members.first().map_or_else(Vec::new, |&i| reached_by(candidates[i].foot.at)))
        .collect();
    let problem = Coverage {
        demand: worth.clone(),
        reaches,
        conflicts: layout.conflicts.clone(),
        budget: layout.budget.map(|n| n.saturating_sub(layout.fixed.len() as u32)),
    };
    let selection = cover(&problem, limits);
    let sum_fixed: i64 = of_fixed.iter().sum();
    let mut sites: Vec<(usize, i64, Option<u32>)> =
        layout.fixed.iter().zip(of_fixed).map(|(&i, gain)| (i, gain, None)).collect();
    let mut left = selection.chosen.clone();
    let gain =
        |worth: &[i64], k: u32| problem.reaches[k as usize].iter().map(|&j| worth[j as usize]).sum::<i64>();
    while let Some(best) =
        (0..left.len()).max_by_key(|&p| (gain(&worth, left[p]), std::cmp::Reverse(left[p])))
    {
        let k = left.remove(best);
        sites.push((layout.items[k as usize].members[0], gain(&worth, k), None));
        problem.reaches[k as usize].iter().for_each(|&j| worth[j as usize] = 0);
    }
    sites.sort_unstable();
    Picked { sites, total: selection.total + sum_fixed, upper_bound: selection.upper_bound + sum_fixed }
}
