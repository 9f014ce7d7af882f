//! Turns on lines: which are real, and where they were.

use super::matching::Place;
use super::route::{Detour, Step};
use super::ways::Ways;
use crate::frame::GroundPoint;
use crate::network::Edge;

/// Log likelihood ratio from which a detour is believed that is shorter than the jitter.
const DETOUR_EVIDENCE: f64 = 10.0;
/// The same for one to a dead end: people do walk up a spur to its end.
const SPUR_EVIDENCE: f64 = 3.0;
/// Fixes looked at for a detour; one shorter than the jitter has no more.
const DETOUR_FIXES: usize = 12;
/// A turn that is seen so close to a dead end was at it.
const DEAD_END_M: f64 = 20.0;
/// A fix further than this from the way without a detour counts as so far, in metres.
const FAR_M: f64 = 50.0;

/// What is known of a leg's turns.
pub(super) struct Turns<'a, F> {
    pub ways: &'a Ways<'a, F>,
    pub fixes: &'a [GroundPoint],
    /// Where each fix was.
    pub places: &'a [Place],
    /// The receiver's error across a line.
    pub noise_m: f64,
}

impl<F: Fn(&Edge) -> bool> Turns<'_, F> {
    /// Whether fixes before `next` speak for a detour: how much nearer they lie to it than to the
    /// way without it, as a log likelihood ratio under normal noise.
    pub fn is_real(&self, detour: &Detour, next: usize) -> bool {
        let network = self.ways.network;
        let on = |edge: u32| detour.steps.iter().any(|step| step.edge == edge);
        let stays: Vec<&Edge> = [detour.before, detour.after]
            .into_iter()
            .flatten()
            .filter(|&edge| !on(edge))
            .map(|edge| &network.edges()[edge as usize])
            .collect();
        let waits = match (detour.after, detour.steps) {
            (None, [tip, ..]) => Some(network.point_at(tip.edge, tip.to_m)),
            (_, [.., root]) if stays.is_empty() => Some(network.point_at(root.edge, root.from_m)),
            _ => None,
        };
        let aside_m = |fix: GroundPoint| match waits {
            Some(place) => place.distance_m(fix),
            None => network
                .nearest_foot(fix, FAR_M, |edge| stays.iter().any(|stay| std::ptr::eq(*stay, edge)))
                .map_or(FAR_M, |foot| foot.offset_m),
        };
        let evidence: f64 = (0..next)
            .rev()
            .take(DETOUR_FIXES)
            .filter_map(|index| Some((self.fixes[index], self.places[index].filter(|foot| on(foot.edge))?)))
            .map(|(fix, foot)| aside_m(fix).powi(2) - foot.offset_m.powi(2))
            .sum();
        let tip = detour.steps.first();
        let spur = tip.is_some_and(|tip| self.ways.dead_end_beyond(tip, DEAD_END_M).is_some());
        let needed = if spur { SPUR_EVIDENCE } else { DETOUR_EVIDENCE };
        evidence / (2.0 * self.noise_m * self.noise_m) > needed
    }

    /// Turns that are seen just short of a dead end are put at the dead end: fixes are some
    /// metres apart, and none lies beyond it.
    pub fn reach_dead_ends(&self, steps: &mut [Step]) {
        for turn in 1..steps.len() {
            let (before, after) = (steps[turn - 1], steps[turn]);
            if before.edge != after.edge || before.to_m != after.from_m || before.from_m == before.to_m {
                continue;
            }
            if let Some(end_m) = self.ways.dead_end_beyond(&before, DEAD_END_M) {
                steps[turn - 1].to_m = end_m;
                steps[turn].from_m = end_m;
            }
        }
    }
}
