//! Map matching: which edges a survey leg passed over, in which order.
//!
//! A hidden Markov model in the manner of Newson & Krumm (2009, ACM SIGSPATIAL GIS): each
//! fix has candidates, the nearest points of the edges around it; a candidate costs the
//! square of its distance, a move costs the difference between the way along edges and
//! the straight one; the cheapest sequence is found by dynamic programming (Viterbi 1967).
//! Here every fix may also be off the network at a fixed cost, so that a leg can leave the
//! lines and come back; it leaves them where its fixes do, and the way that results is cleared
//! of steps back that are noise.
//!
//! A poor case: two lines closer together than the noise, which no method can tell apart.

use rayon::prelude::*;

use super::joint::{off_ways, part_where_fixes_do};
use super::route::{Route, Step};
use super::tally::Passage;
use super::trace::Trace;
use super::turn::Turns;
use super::ways::Ways;
use crate::frame::{GroundPoint, Traced, path_length_m};
use crate::network::{Edge, Foot, Network};
use crate::record::SurveyLeg;

/// How legs are matched.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct MatchSettings {
    /// Furthest that a fix may lie from a line it was made on, in metres.
    pub reach_m: f64,
}

impl Default for MatchSettings {
    /// 25 m: five times the usual error of a hand-held receiver under trees.
    fn default() -> Self {
        Self { reach_m: 25.0 }
    }
}

/// A leg on the network.
#[derive(Clone, PartialEq, Debug)]
pub struct MatchedLeg {
    /// What it passed over, in its order; the same stretch twice if it did so twice.
    pub passages: Vec<Passage>,
    /// Length along edges in metres, one pass of the leg.
    pub matched_m: f64,
    /// Length off the network in metres, jitter smoothed, one pass.
    pub off_m: f64,
    /// Length of the leg as it was given in metres, one pass.
    pub raw_m: f64,
}

impl MatchedLeg {
    /// Length searched in metres, one pass: on and off the network.
    pub fn length_m(&self) -> f64 {
        self.matched_m + self.off_m
    }

    /// Whether the length on the network is out of proportion to the leg as given, which
    /// asks for a look: outside 0.75 to 1.02 of it.
    pub fn is_doubtful(&self) -> bool {
        !(0.75..=1.02).contains(&(self.matched_m / self.raw_m))
    }
}

/// A fix at the reach costs half the square of this.
const REACH_IN_DEVIATIONS: f64 = 2.5;
/// Metres of detour that cost one unit.
const DETOUR_M: f64 = 10.0;
/// Cost of leaving the network or coming back to it.
const SWITCH_COST: f64 = 8.0;
/// A move along edges may be longer than the straight one by this factor and this many
/// metres.
const LONGEST_DETOUR: (f64, f64) = (2.0, 40.0);
/// Edges looked at around a fix, the nearest first.
const MOST_CANDIDATES: usize = 8;
/// A receiver is not thought better than this, in metres.
const LEAST_NOISE_M: f64 = 2.0;
/// Steps back shorter than this are noise, unless the fixes speak for a turn.
const JITTER_M: f64 = 30.0;

/// Matches legs to the edges that `accept` takes. Cost: fixes × candidates² short searches.
/// Legs are matched in parallel; the result does not depend on the number of threads.
pub fn match_legs(
    network: &Network,
    legs: &[Traced<SurveyLeg>],
    settings: &MatchSettings,
    accept: impl Fn(&Edge) -> bool + Sync,
) -> Vec<MatchedLeg> {
    let matcher = Matcher { ways: Ways { network, accept }, reach_m: settings.reach_m };
    legs.par_iter().map(|leg| matcher.leg(&leg.what, &leg.ground)).collect()
}

struct Matcher<'a, F> {
    ways: Ways<'a, F>,
    reach_m: f64,
}

/// Where a fix may have been: on an edge, or off the network.
pub(super) type Place = Option<Foot>;

impl<F: Fn(&Edge) -> bool> Matcher<'_, F> {
    fn leg(&self, leg: &SurveyLeg, way: &[GroundPoint]) -> MatchedLeg {
        let trace = Trace::of(way);
        let mut places = self.likeliest(&trace.fixes);
        let noise_m = noise_m(&places);
        part_where_fixes_do(&mut places, noise_m);
        let turns = Turns { ways: &self.ways, fixes: &trace.fixes, places: &places, noise_m };
        let mut steps = self.steps(&turns);
        turns.reach_dead_ends(&mut steps);
        let passage = |step: &Step| Passage {
            edge: step.edge,
            from_m: step.from_m.min(step.to_m),
            to_m: step.from_m.max(step.to_m),
            passes: leg.passes,
            date: leg.date,
        };
        MatchedLeg {
            passages: steps.iter().map(passage).collect(),
            matched_m: total_m(steps.iter().map(|step| step.length_m())),
            off_m: total_m(off_ways(&trace.fixes, &places).map(|way| trace.length_m(way))),
            raw_m: path_length_m(way),
        }
    }

    /// What was passed over, cleared of steps back that are noise.
    fn steps(&self, turns: &Turns<F>) -> Vec<Step> {
        let mut steps = Vec::new();
        let mut route = Route::new(JITTER_M);
        for next in 1..turns.places.len() {
            match (&turns.places[next - 1], &turns.places[next]) {
                (Some(from), Some(to)) => {
                    let limit_m = longest_way_m(turns.fixes[next - 1].distance_m(turns.fixes[next]));
                    for step in self.ways.between(from, to, limit_m) {
                        route.go(step, |detour| turns.is_real(detour, next));
                    }
                }
                (Some(_), None) => {
                    let done = std::mem::replace(&mut route, Route::new(JITTER_M));
                    steps.append(&mut done.finish(|detour| turns.is_real(detour, next)));
                }
                (None, _) => {}
            }
        }
        steps.append(&mut route.finish(|detour| turns.is_real(detour, turns.places.len())));
        steps
    }

    /// The cheapest sequence of places.
    fn likeliest(&self, fixes: &[GroundPoint]) -> Vec<Place> {
        let mut layers: Vec<Layer> = Vec::with_capacity(fixes.len());
        for (index, &fix) in fixes.iter().enumerate() {
            let places = self.candidates(fix);
            let layer = match layers.last() {
                None => Layer::first(places, self.reach_m),
                Some(before) => self.next_layer(before, places, fixes[index - 1].distance_m(fix)),
            };
            layers.push(layer);
        }
        let mut chosen = Vec::with_capacity(fixes.len());
        let mut at = layers.last().map_or(0, Layer::cheapest);
        for layer in layers.iter().rev() {
            chosen.push(layer.places[at]);
            at = layer.from[at];
        }
        chosen.reverse();
        chosen
    }

    /// Off the network, and the nearest point of each edge within reach.
    fn candidates(&self, fix: GroundPoint) -> Vec<Place> {
        let mut places: Vec<Place> = vec![None];
        let mut taken: Vec<*const Edge> = Vec::new();
        while places.len() <= MOST_CANDIDATES {
            let accept = |edge: &Edge| !taken.contains(&std::ptr::from_ref(edge)) && (self.ways.accept)(edge);
            let Some(foot) = self.ways.network.nearest_foot(fix, self.reach_m, accept) else { break };
            taken.push(&self.ways.network.edges()[foot.edge as usize]);
            places.push(Some(foot));
        }
        places
    }

    fn next_layer(&self, before: &Layer, places: Vec<Place>, straight_m: f64) -> Layer {
        let mut layer = Layer { cost: Vec::new(), from: Vec::new(), places };
        let reached: Vec<_> = before
            .places
            .iter()
            .map(|place| place.as_ref().map(|foot| self.ways.search(foot, longest_way_m(straight_m))))
            .collect();
        for to in &layer.places {
            let mut best = (f64::INFINITY, 0);
            for (index, (from, search)) in before.places.iter().zip(&reached).enumerate() {
                let move_cost = match (from, search, to) {
                    (Some(from), Some(search), Some(to)) => search
                        .distance_m(self.ways.network, from, to)
                        .map_or(f64::INFINITY, |way_m| (way_m - straight_m).abs() / DETOUR_M),
                    (None, _, None) => 0.0,
                    _ => SWITCH_COST,
                };
                let cost = before.cost[index] + move_cost;
                if cost < best.0 {
                    best = (cost, index);
                }
            }
            layer.cost.push(best.0 + place_cost(to, self.reach_m));
            layer.from.push(best.1);
        }
        layer
    }
}

/// The candidates of one fix, with the cheapest way to each.
struct Layer {
    places: Vec<Place>,
    cost: Vec<f64>,
    from: Vec<usize>,
}

impl Layer {
    fn first(places: Vec<Place>, reach_m: f64) -> Self {
        let cost = places.iter().map(|place| place_cost(place, reach_m)).collect();
        Self { from: vec![0; places.len()], cost, places }
    }

    fn cheapest(&self) -> usize {
        let costs = self.cost.iter().enumerate();
        costs.min_by(|p, q| p.1.total_cmp(q.1)).map_or(0, |(index, _)| index)
    }
}

/// The receiver's error across the line in metres, as the fixes on lines show it.
fn noise_m(places: &[Place]) -> f64 {
    let mut offsets: Vec<f64> = places.iter().flatten().map(|foot| foot.offset_m).collect();
    offsets.sort_unstable_by(f64::total_cmp);
    // The median of the absolute value of a normal variable is 0.6745 of its deviation.
    (offsets.get(offsets.len() / 2).copied().unwrap_or(0.0) / 0.6745).max(LEAST_NOISE_M)
}

/// A sum that is zero, not minus zero, where there is nothing to add.
fn total_m(lengths_m: impl Iterator<Item = f64>) -> f64 {
    lengths_m.fold(0.0, |sum, length_m| sum + length_m)
}

fn place_cost(place: &Place, reach_m: f64) -> f64 {
    let share = place.as_ref().map_or(1.0, |foot| foot.offset_m / reach_m);
    0.5 * (REACH_IN_DEVIATIONS * share).powi(2)
}

fn longest_way_m(straight_m: f64) -> f64 {
    LONGEST_DETOUR.0 * straight_m + LONGEST_DETOUR.1
}

#[cfg(test)]
mod tests {
    use super::*;

    fn foot(offset_m: f64) -> Place {
        Some(Foot { edge: 0, along_m: 0.0, at: GroundPoint::default(), offset_m })
    }

    /// At the reach half the square of 2.5, at half of it a quarter of that; off the network as at the
    /// reach. A way may be twice as long as straight and 40 m more.
    #[test]
    fn costs_by_hand() {
        for (place, cost) in [(foot(0.0), 0.0), (foot(12.5), 0.78125), (foot(25.0), 3.125), (None, 3.125)] {
            assert_eq!(place_cost(&place, 25.0), cost);
        }
        assert_eq!((longest_way_m(0.0), longest_way_m(15.0)), (40.0, 70.0));
        assert_eq!((total_m([1.5, 2.0].into_iter()), total_m(std::iter::empty())), (3.5, 0.0));
    }

    /// The median of the offsets over 0.6745, two metres at the least.
    #[test]
    fn noise_is_told_by_the_offset_in_the_middle() {
        let of = |offsets: &[Place]| noise_m(offsets);
        assert_eq!(of(&[foot(9.0), None, foot(6.745), foot(0.1)]), 10.0);
        assert_eq!(of(&[foot(1.0), foot(1.2)]), 2.0);
        assert_eq!((of(&[None, None]), of(&[])), (2.0, 2.0));
    }

    #[test]
    fn legs_out_of_proportion_are_doubtful() {
        let leg = |matched_m: f64| MatchedLeg { passages: vec![], matched_m, off_m: 7.0, raw_m: 100.0 };
        for (matched_m, doubtful) in [(74.9, true), (75.0, false), (102.0, false), (102.1, true)] {
            assert_eq!(leg(matched_m).is_doubtful(), doubtful, "{matched_m}");
        }
        assert_eq!(leg(80.0).length_m(), 87.0);
    }
}
