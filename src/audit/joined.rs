//! The network hangs together as its files say.

use std::collections::HashMap;

use super::breach::{Breach, Promise, metres};
use super::roads::{Road, RoadFoot, Roads, Search, Targets};
use super::rules::Rules;
use super::sources::{Sources, beyond};
use super::written::{NEAR_MISSES, NETWORK, Written};
use crate::frame::{FrameError, GroundPoint, path_length_m};
use crate::job::Job;

/// Written places are off by no more than this, in metres.
const WRITTEN_WITHIN_M: f64 = 0.05;

/// A written length has two decimals, and each of its vertices seven, in metres.
const ROUNDED_M: f64 = 0.02;

/// Edges that name one node end at one place, and are as long as they say.
pub(super) fn check_edges(written: &Written, roads: &Roads, breaches: &mut Vec<Breach>) {
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
}

/// Every gap that is called closed is joined: from a place back on the line that ended to one farther on
/// the other line, both beyond what is cut as an overshoot, the way is no longer than the parts of the
/// two lines, the gap and a few snap distances. That the gap itself is bridged is not enough: what the
/// bridge leads to may have been cut off. Where both lines carry travel, so does the way.
///
/// # Errors
/// [`FrameError`] for a place that the frame cannot hold.
pub(super) fn check_gaps(
    written: &Written,
    job: &Job,
    sources: &Sources,
    roads: &Roads,
    rules: &Rules,
    breaches: &mut Vec<Breach>,
) -> Result<(), FrameError> {
    let mut search = Search::new(roads);
    let near_m = rules.snap_m.max(rules.merge_m) + WRITTEN_WITHIN_M;
    let away_m = 2.0 * near_m;
    for gap in &written.gaps {
        let (end, foot) = (job.frame.to_ground(gap.end)?, job.frame.to_ground(gap.foot)?);
        let line = |source: &Option<(String, usize)>, at| {
            source.as_ref().and_then(|source| sources.nearest(source, at))
        };
        let (ended, other) = (line(&gap.line, end), line(&gap.other, foot));
        let starts = ended.map_or(vec![end], |line| beyond(&line.ground, end, away_m));
        let goals = other.map_or(vec![foot], |line| beyond(&line.ground, foot, away_m));
        let both_carry = [ended, other].iter().flatten().all(|l| rules.travel.contains(&l.what.kind));
        let takes = |road: &Road| !both_carry || road.is_any(&rules.travel);
        // Merged passes run some way off where they were recorded.
        let feet = |places: &[GroundPoint]| -> Vec<RoadFoot> {
            places.iter().flat_map(|&at| roads.feet(at, 3.0 * near_m, takes)).collect()
        };
        let within_m = gap.gap_m + 2.0 * away_m + 3.0 * near_m;
        let (starts, targets) = (feet(&starts), targets_of(&feet(&goals)));
        if starts.iter().any(|start| !search.from(start, &targets, within_m, takes).is_empty()) {
            continue;
        }
        breaches.push(Breach {
            file: NEAR_MISSES.into(),
            feature: Some(gap.feature),
            id: Some(gap.id.clone()),
            promise: Promise::Gap,
            about: format!("the gap of {} at {}, which is called closed", metres(gap.gap_m), gap.end),
            expected: format!("two lines that are joined in {NETWORK}"),
            found: format!("no way of {within_m:.0} m or less from one to the other"),
        });
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
