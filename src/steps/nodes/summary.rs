//! What building the network did, as `nodes.json` and in sentences.

use rayon::prelude::*;
use serde_json::{Map, Value, json};

use super::super::{Desk, Outcome, StepError};
use super::files::words;
use super::{NetworkDone, node_id};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::frame::path_length_geodesic_m;
use crate::network::{Components, MergedPass, NearMissKind, Network};
use crate::steps::written::counted;

/// Writes `nodes.json` and says the same in sentences.
///
/// # Errors
/// [`StepError::Output`].
pub(super) fn summarise(
    desk: &Desk,
    done: &NetworkDone,
    write_seconds: f64,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<(), StepError> {
    let network = &done.network;
    let report = network.report();
    let length_m: f64 =
        desk.job.lines.par_iter().map(|l| path_length_geodesic_m(&l.path)).collect::<Vec<_>>().iter().sum();
    let travel = network.components(network.settings().travel);
    let near_misses = NearMisses::count(network);
    let summary = json!({
        "lines": report.lines,
        "length_km": round_to(length_m / 1000.0, 6),
        "noded_length_km": round_to(network.length_m() / 1000.0, 6),
        "edges": network.edges().len(),
        "nodes": network.nodes().len(),
        "crossings": report.crossings,
        "passes_at_other_level": report.parted.len(),
        "node_kinds": node_kinds(network),
        "degree_histogram": degree_histogram(network),
        "components": network.components_in_plan(),
        "travel_components": travel.count,
        "near_misses": {
            "gaps_closed": near_misses.closed,
            "gaps_not_closed": near_misses.open,
            "overshoots_cut": near_misses.cut,
            "cut_m": round_to(report.cut_m, 3),
            "not_joined": report.unjoined,
        },
        "junctions_within_10_m": network.tangle().crowded,
        "merged_share": round_to(network.tangle().merged_share, 4),
        "merged_passes": report.merged.len(),
        "merged": report.merged.iter().map(|m| merged(desk, m)).collect::<Vec<_>>(),
        "lines_too_short": report.vanished.len(),
        "places": done.convergence.places.len(),
        "sign_off_lines": done.sign_off_lines,
        "travel": words(network.settings().travel),
        "snap_m": network.settings().snap_m,
        "merge_m": network.settings().merge_m,
        "reach_m": network.settings().reach_m,
        "grid_m": report.lattice_step_m,
        "epsg": desk.job.frame.epsg(),
        "seconds": { "read": desk.read_seconds, "network": done.seconds, "write": write_seconds },
    });
    set.write_summary("nodes.json", &summary)?;
    say(network, length_m, &near_misses, &travel, outcome);
    if let Some(off) = done.sign_off_lines.filter(|&n| n > 0) {
        outcome.say(format!(
            "{off} records lie more than {} m from any travel line and count at no node",
            network.settings().reach_m
        ));
    }
    if let Some(best) = done.convergence.places.first() {
        outcome.say(format!(
            "{} where lines converge; the best, at node {}, scores {:.2}",
            counted(done.convergence.places.len(), "place"),
            node_id(best.centre),
            best.score
        ));
    }
    outcome.set("nodes", summary);
    Ok(())
}

/// How many near misses there are of each sort.
struct NearMisses {
    closed: usize,
    open: usize,
    cut: usize,
}

impl NearMisses {
    fn count(network: &Network) -> Self {
        let of = |kind, closed| {
            network.near_misses().iter().filter(|m| m.kind == kind && m.closed == closed).count()
        };
        Self {
            closed: of(NearMissKind::Gap, true),
            open: of(NearMissKind::Gap, false),
            cut: of(NearMissKind::Overshoot, true),
        }
    }
}

fn degree_histogram(network: &Network) -> Map<String, Value> {
    let counts = network.degree_histogram().into_iter().enumerate().filter(|&(_, count)| count > 0);
    counts.map(|(degree, count)| (degree.to_string(), json!(count))).collect()
}

fn node_kinds(network: &Network) -> Map<String, Value> {
    let counts = network.node_kind_counts().into_iter();
    counts.map(|(kind, count)| (kind.word().to_string(), json!(count))).collect()
}

/// Which stretch of which line was merged with which other.
fn merged(desk: &Desk, pass: &MergedPass) -> Value {
    let line = |k: u32| desk.job.lines.get(k as usize).map(|l| &l.what);
    json!({
        "line": line(pass.line).and_then(|l| l.name.as_deref()),
        "source": line(pass.line).map(|l| l.source.to_string()),
        "from_m": round_to(pass.from_m, 2),
        "to_m": round_to(pass.to_m, 2),
        "into_line": line(pass.into).and_then(|l| l.name.as_deref()),
        "into_source": line(pass.into).map(|l| l.source.to_string()),
    })
}

fn say(
    network: &Network,
    length_m: f64,
    near_misses: &NearMisses,
    travel: &Components,
    outcome: &mut Outcome,
) {
    let report = network.report();
    outcome.say(format!(
        "network of {} lines, {:.3} km: {} edges, {} nodes",
        report.lines,
        length_m / 1000.0,
        network.edges().len(),
        network.nodes().len()
    ));
    let kinds: Vec<String> =
        network.node_kind_counts().iter().map(|(kind, n)| format!("{n} {}", kind.word())).collect();
    outcome.say(format!("nodes by kind: {}", kinds.join(", ")));
    let NearMisses { closed, open, cut } = near_misses;
    if closed + open + cut > 0 {
        outcome.say(format!(
            "line ends that almost meet a line: {closed} gaps closed, {open} left open, {cut} overshoots cut"
        ));
    }
    if !report.merged.is_empty() {
        outcome.say(format!(
            "{} stretches, {:.3} km, are further GPS passes of a track and were merged with it; nodes.json lists them",
            report.merged.len(),
            report.merged.iter().map(|m| m.to_m - m.from_m).sum::<f64>() / 1000.0
        ));
    }
    if !report.parted.is_empty() {
        outcome.say(format!(
            "{} where lines pass at different levels (bridge, tunnel, layer) without joining",
            counted(report.parted.len(), "place")
        ));
    }
    if travel.count > 1 {
        outcome.say(format!(
            "travel lines fall into {} parts that no line joins; no distance is measured between them",
            travel.count
        ));
    }
}
