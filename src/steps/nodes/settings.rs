//! The plan's `[nodes]` as settings of the network room.

use super::super::{Desk, StepError};
use crate::network::{ConvergenceSettings, KindSet, NetworkSettings};
use crate::plan::{ConvergenceTable, NonNegative, Plan};
use crate::record::{Animal, LineKind};

/// The settings that the network is built with, defaults where the plan is silent.
///
/// # Errors
/// [`StepError::Setting`] for an unknown kind of line.
pub(in crate::steps) fn settings_of(desk: &Desk) -> Result<NetworkSettings, StepError> {
    let (table, default) = (&desk.plan.nodes, NetworkSettings::default());
    let snap_m = table.snap_m.map_or(default.snap_m, |v| v.get());
    let travel = table.travel.iter().map(|word| kind(word, "nodes.travel"));
    let travel = travel.collect::<Result<Vec<_>, _>>()?;
    Ok(NetworkSettings {
        snap_m,
        merge_m: table.merge_m.map_or(snap_m, |v| v.get()),
        reach_m: table.reach_m.map_or(default.reach_m, |v| v.get()),
        travel: if travel.is_empty() { default.travel } else { KindSet::from_kinds(&travel) },
        ..default
    })
}

/// How convergence is scored: by the plan's table for the animal that the run is about, or its
/// table `any`; where keys are absent, by the defaults, which value creeks and fences
/// otherwise for foxes.
///
/// # Errors
/// [`StepError::Setting`] for an unknown kind of line.
pub(super) fn convergence_of(plan: &Plan) -> Result<ConvergenceSettings, StepError> {
    let animals: Vec<Animal> = plan.select.animals.iter().map(|word| Animal::from_word(word)).collect();
    let default = match animals[..] {
        [Animal::Fox] => ConvergenceSettings::for_foxes(),
        _ => ConvergenceSettings::default(),
    };
    let of = |animal: &Animal| {
        plan.nodes.convergence.iter().find(|(word, _)| Animal::from_word(word) == *animal).map(|(_, t)| t)
    };
    let table = match &animals[..] {
        [animal] => of(animal),
        _ => None,
    };
    match table.or_else(|| plan.nodes.convergence.get("any")) {
        Some(table) => with_table(default, table),
        None => Ok(default),
    }
}

fn with_table(d: ConvergenceSettings, table: &ConvergenceTable) -> Result<ConvergenceSettings, StepError> {
    let mut kind_values = d.kind_values;
    for (word, value) in &table.kinds {
        kind_values[kind(word, "nodes.convergence")? as usize] = value.get().min(1.0);
    }
    Ok(ConvergenceSettings {
        ways_weight: table.ways.map_or(d.ways_weight, NonNegative::get),
        variety_weight: table.variety.map_or(d.variety_weight, NonNegative::get),
        sign_weight: table.sign.map_or(d.sign_weight, NonNegative::get),
        full_ways: table.full_ways.map_or(d.full_ways, |v| v.get()),
        kind_values,
        sign_reach_m: table.sign_reach_m.map_or(d.sign_reach_m, |v| v.get()),
        sign_half_life_days: table.sign_half_life_days.map_or(d.sign_half_life_days, |v| v.get()),
    })
}

fn kind(word: &str, key: &'static str) -> Result<LineKind, StepError> {
    LineKind::from_word(word).ok_or_else(|| StepError::Setting {
        key,
        what: format!("unknown kind \"{word}\"; known are {}", LineKind::ALL.map(LineKind::word).join(", ")),
    })
}
