//! The plan's keys as the rules of the auditor.

use crate::audit::Rules;
use crate::network::NetworkSettings;
use crate::plan::NonNegative;
use crate::record::{Animal, LineKind};
use crate::siting::SitingSettings;
use crate::steps::{Desk, StepError};

/// What the plan asks for, with the defaults of the rooms where it is silent. Read anew, and not from
/// what the planner made of it.
pub(super) fn rules_of(desk: &Desk) -> Result<Rules, StepError> {
    let (sites, nodes) = (&desk.plan.sites, &desk.plan.nodes);
    let (d, net) = (SitingSettings::default(), NetworkSettings::default());
    let spacing_m = sites.spacing_m.map_or(d.spacing_m, |v| v.get());
    let snap_m = nodes.snap_m.map_or(net.snap_m, NonNegative::get);
    let targets = sites
        .targets
        .iter()
        .map(|(word, table)| (Animal::from_word(word), table.spacing_m.map_or(spacing_m, |v| v.get())));
    Ok(Rules {
        spacing_m,
        straight_m: sites.min_straight_m.map(NonNegative::get),
        targets: targets.collect(),
        placement_error_m: sites.placement_error_m.map_or(d.placement_error_m, NonNegative::get),
        budget: sites.budget,
        cluster: sites.cluster.unwrap_or(d.cluster as usize),
        cluster_apart_m: sites.cluster_apart_m.map_or(d.cluster_apart_m, NonNegative::get),
        along: kinds(&sites.along, "sites.along", &[LineKind::Track])?,
        travel: kinds(&nodes.travel, "nodes.travel", &[LineKind::Track, LineKind::Road])?,
        across: kinds(&sites.across, "sites.across", &[])?,
        snap_m,
        merge_m: nodes.merge_m.map_or(snap_m, NonNegative::get),
    })
}

fn kinds(words: &[String], key: &'static str, default: &[LineKind]) -> Result<Vec<LineKind>, StepError> {
    if words.is_empty() {
        return Ok(default.to_vec());
    }
    let kind = |word: &String| {
        LineKind::from_word(word).ok_or_else(|| StepError::Setting {
            key,
            what: format!(
                "unknown kind \"{word}\"; known are {}",
                LineKind::ALL.map(LineKind::word).join(", ")
            ),
        })
    };
    words.iter().map(kind).collect()
}
