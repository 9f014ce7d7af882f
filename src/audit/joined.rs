//! The network hangs together as its files say.

use std::collections::HashMap;

use super::breach::{Breach, Promise, metres};
use super::roads::{Road, RoadFoot, Roads, Search, Targets};
use super::rules::Rules;
use super::written::{NEAR_MISSES, NETWORK, Written};
use crate::frame::{Frame, FrameError, path_length_m};

/// Written places are off by no more than this, in metres.
const WRITTEN_WITHIN_M: f64 = 0.05;

/// A written length has two decimals, and each of its vertices seven, in metres.
const ROUNDED_M: f64 = 0.02;

/// Edges that name one node end at one place, and are as long as they say.
///
/// # Errors
/// [`FrameError`] for a place that the frame cannot hold.
pub(super) fn check_edges(
    written: &Written,
    roads: &Roads,
    breaches: &mut Vec<Breach>,
) -> Result<(), FrameError> {
    for (edge, road) in written.edges.iter().zip(&roads.edges) {
        let breach = |promise: Promise, about: String, expected: String, found: String| Breach {
            file: NETWORK.into(),
            feature: Some(edge.feature),
            id: Some(edge.id.clone()),
            promise,
            about,
            expected,
            found,
        };
        for (name, node, end) in
            [(&edge.from, road.from, road.path.first()), (&edge.to, road.to, road.path.last())]
        {
            let off_m = end.map_or(0.0, |end| end.distance_m(roads.place(node)));
            if off_m > WRITTEN_WITHIN_M {
                let expected = "an end where the other edges of that node end".to_string();
                breaches.push(breach(Promise::Gap, format!("node {name}"), expected, metres(off_m) + " off"));
            }
        }
        let own_m = path_length_m(&road.path);
        if let Some(said_m) = edge.length_m
            && (said_m - own_m).abs() > ROUNDED_M * road.path.len() as f64
        {
            let about = "property \"length_m\"".to_string();
            breaches.push(breach(Promise::Number, about, metres(own_m), metres(said_m)));
        }
    }
    Ok(())
}

/// Every gap that is called closed is joined: along the lines it is no farther from the line's end to the
/// foot than the gap and a few snap distances. Where both lines carry travel, so does the way.
///
/// # Errors
/// [`FrameError`] for a place that the frame cannot hold.
pub(super) fn check_gaps(
    written: &Written,
    frame: &Frame,
    roads: &Roads,
    rules: &Rules,
    breaches: &mut Vec<Breach>,
) -> Result<(), FrameError> {
    let carries = |road: &Road| road.is_any(&rules.travel);
    let mut search = Search::new(roads);
    // An end may have been moved by as much when passes were merged or ends were cut.
    let near_m = rules.snap_m.max(rules.merge_m) + WRITTEN_WITHIN_M;
    for gap in &written.gaps {
        let (end, foot) = (frame.to_ground(gap.end)?, frame.to_ground(gap.foot)?);
        let within_m = gap.gap_m + 3.0 * near_m;
        let ends_of =
            |takes: &dyn Fn(&Road) -> bool| (roads.feet(end, near_m, takes), roads.feet(foot, near_m, takes));
        let mut joined = |ends: &[RoadFoot], feet: &[RoadFoot], takes: &dyn Fn(&Road) -> bool| {
            let targets = targets_of(feet);
            ends.iter().any(|end| !search.from(end, &targets, within_m, takes).is_empty())
        };
        let (ends, feet) = ends_of(&carries);
        let both_carry = ends.first().is_some_and(|f| f.off_m <= WRITTEN_WITHIN_M)
            && feet.first().is_some_and(|f| f.off_m <= WRITTEN_WITHIN_M);
        let is_joined = if both_carry {
            joined(&ends, &feet, &carries)
        } else {
            let any = |_: &Road| true;
            let (ends, feet) = ends_of(&any);
            joined(&ends, &feet, &any)
        };
        if !is_joined {
            breaches.push(Breach {
                file: NEAR_MISSES.into(),
                feature: Some(gap.feature),
                id: Some(gap.id.clone()),
                promise: Promise::Gap,
                about: format!("the gap of {} at {}, which is called closed", metres(gap.gap_m), gap.end),
                expected: format!("lines of {NETWORK} that join there"),
                found: format!("no way of {within_m:.0} m or less across it"),
            });
        }
    }
    Ok(())
}

fn targets_of(feet: &[RoadFoot]) -> Targets {
    let mut targets: Targets = HashMap::new();
    for (k, foot) in feet.iter().enumerate() {
        targets.entry(foot.edge).or_default().push((foot.along_m, k as u32));
    }
    targets
}
