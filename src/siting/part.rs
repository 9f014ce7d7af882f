//! The parts that scores are made of.

use super::candidate::Candidate;
use super::score::{Part, against_greatest};
use super::settings::SitingSettings;
use super::wind::{SideValue, WindRecord};
use crate::frame::GroundPoint;
use crate::network::{Foot, Network, TravelGraph};
use crate::surface::{Kernel, WeightedPoint, densities_at};

/// Activity at the feet: the density of sign, exactly, against the greatest where a station
/// may stand.
pub fn activity_part(
    name: &str,
    weight: f64,
    from: String,
    candidates: &[Candidate],
    points: &[WeightedPoint],
    kernel: Kernel,
    bandwidth_m: f64,
) -> Part {
    let feet: Vec<GroundPoint> = candidates.iter().map(|c| c.foot.at).collect();
    let raw = densities_at(points, &feet, kernel, bandwidth_m);
    let value = against_greatest(&raw, |i| candidates[i].stands());
    Part {
        name: name.to_string(),
        weight,
        unit: "sign per square kilometre",
        from,
        by: Vec::new(),
        raw,
        value,
    }
}

/// The kind of line, by the settings' table.
pub fn line_kind_part(candidates: &[Candidate], settings: &SitingSettings) -> Part {
    let raw: Vec<f64> = candidates.iter().map(|c| settings.kind_value[c.kind as usize]).collect();
    let value = raw.iter().map(|r| r.clamp(0.0, 1.0)).collect();
    Part {
        name: "line_kind".to_string(),
        weight: settings.weights.line_kind,
        unit: "of 1 for the kind of line",
        by: Vec::new(),
        from: "the table of kinds".to_string(),
        raw,
        value,
    }
}

/// The node whose meeting of ways a candidate profits from most.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Meeting {
    /// The node.
    pub node: u32,
    /// Frame metres to it along travel lines.
    pub distance_m: f64,
}

/// Convergence at the feet: the greatest of the nodes within reach, each falling off evenly
/// to nothing at `reach_m` along the lines. `of_node` is each node's convergence in 0..=1.
/// Also returns the node behind each value.
pub fn convergence_part(
    candidates: &[Candidate],
    network: &Network,
    travel: &TravelGraph,
    of_node: &[f64],
    reach_m: f64,
    weight: f64,
) -> (Part, Vec<Option<Meeting>>) {
    let feet: Vec<Foot> = candidates.iter().map(|c| c.foot).collect();
    let (worth, node_feet): (Vec<u32>, Vec<Foot>) = (0..network.nodes().len() as u32)
        .filter(|&n| of_node[n as usize] > 0.0)
        .filter_map(|n| foot_of_node(network, travel, n).map(|foot| (n, foot)))
        .unzip();
    let distances = travel.distances(&feet, &node_feet, reach_m);
    let mut meetings = vec![None; feet.len()];
    let mut raw = vec![0.0; feet.len()];
    for i in 0..feet.len() {
        for (k, distance_m) in distances.row(i) {
            let node = worth[k as usize];
            let value = of_node[node as usize] * (1.0 - distance_m / reach_m).max(0.0);
            if value > raw[i] {
                raw[i] = value;
                meetings[i] = Some(Meeting { node, distance_m });
            }
        }
    }
    let part = Part {
        name: "convergence".to_string(),
        weight,
        unit: "convergence of the best node within reach, falling off along the line",
        from: "the line network".to_string(),
        by: Vec::new(),
        value: raw.clone(),
        raw,
    };
    (part, meetings)
}

/// A node as a foot on one of its travel edges; a node without one stays off the lines and
/// is reached by nothing.
pub(super) fn foot_of_node(network: &Network, travel: &TravelGraph, node: u32) -> Option<Foot> {
    let carries = |edge: u32| network.edges()[edge as usize].kinds.meets(travel.kinds());
    let ends = network.ends_at(node);
    let end = ends.iter().find(|end| carries(end.edge)).or(ends.first())?;
    let length_m = network.edges()[end.edge as usize].length_m;
    Some(network.foot_at(end.edge, if end.at_to { length_m } else { 0.0 }))
}

/// What the wind says of both sides of each candidate, left first.
pub fn side_values(
    candidates: &[Candidate],
    wind: &WindRecord,
    offset_m: f64,
    drains_to_deg: impl Fn(u32) -> Option<f64>,
) -> Vec<[SideValue; 2]> {
    candidates
        .iter()
        .map(|c| {
            // From a site on the left the line lies to the right, and the other way round.
            let value = |turn: f64| wind.side_value(c.bearing_deg + turn, offset_m, drains_to_deg(c.line));
            [value(90.0), value(-90.0)]
        })
        .collect()
}

/// Wind at the feet: the better of the sides on which a station may stand. The side that a
/// site gets in the end may be the other one; the site says what the wind gives there.
pub fn wind_part(candidates: &[Candidate], sides: &[[SideValue; 2]], weight: f64) -> Part {
    let best = |(c, values): (&Candidate, &[SideValue; 2])| {
        let open = c.sides.iter().zip(values).filter(|(side, _)| side.bar.is_none());
        open.map(|(_, value)| value.both).fold(0.0, f64::max)
    };
    let raw: Vec<f64> = candidates.iter().zip(sides).map(best).collect();
    Part {
        name: "wind".to_string(),
        weight,
        unit: "share of hours in which scent crosses the line, night before day, calm drawn to one half",
        by: Vec::new(),
        from: "the wind records".to_string(),
        value: raw.clone(),
        raw,
    }
}
