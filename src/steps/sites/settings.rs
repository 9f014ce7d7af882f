//! The plan's keys as settings of the siting room.

use crate::frame::{Frame, FrameError, GroundPoint, LonLat};
use crate::network::KindSet;
use crate::plan::{NonNegative, Plan, TargetTable};
use crate::record::{Animal, LineKind};
use crate::siting::select::Limits;
use crate::siting::{Objective, SitingSettings, Target};
use crate::steps::sign::period_of;
use crate::steps::{Desk, StepError};

/// The settings of the siting room, defaults where the plan is silent.
pub(super) fn settings_of(desk: &Desk) -> Result<SitingSettings, StepError> {
    let (plan, table) = (desk.plan, &desk.plan.sites);
    let d = SitingSettings::default();
    let spacing_m = table.spacing_m.map_or(d.spacing_m, |v| v.get());
    let reach_m = table.reach_m.map_or(d.reach_m, |v| v.get());
    let settings = SitingSettings {
        spacing_m,
        min_straight_m: table.min_straight_m.map(NonNegative::get),
        budget: table.budget.map(|n| u32::try_from(n).unwrap_or(u32::MAX)),
        offset_m: table.offset_m.map_or(d.offset_m, |v| v.get()),
        placement_error_m: table.placement_error_m.map_or(d.placement_error_m, NonNegative::get),
        along: if table.along.is_empty() { d.along } else { kinds(&table.along, "sites.along")? },
        walk_m: table.walk_m.map_or(d.walk_m, NonNegative::get),
        across: kinds(&table.across, "sites.across")?,
        reach_m,
        targets: targets(plan, spacing_m, reach_m),
        cover_reach_m: table.cover_reach_m.map_or(d.cover_reach_m, |v| v.get()),
        cluster: table.cluster.map_or(d.cluster, |n| u32::try_from(n).unwrap_or(u32::MAX)),
        cluster_apart_m: table.cluster_apart_m.map_or(d.cluster_apart_m, NonNegative::get),
        must: desk.job.must.iter().map(|m| (m.what.name.to_string(), m.ground)).collect(),
        non_target_keep_out_m: plan.non_target.keep_out_m.map(|v| v.get()),
        objective: match &table.objective {
            None => d.objective,
            Some(word) => Objective::from_word(word).ok_or_else(|| StepError::Setting {
                key: "sites.objective",
                what: format!("unknown objective \"{word}\"; known are score, coverage"),
            })?,
        },
        weightings: table.weightings.unwrap_or(d.weightings),
        seed: table.seed.unwrap_or(d.seed),
        ..d
    };
    let settings = with_weights(settings, plan)?;
    settings.check().map_err(|e| StepError::Setting { key: "sites", what: e.to_string() })?;
    Ok(settings)
}

fn with_weights(mut settings: SitingSettings, plan: &Plan) -> Result<SitingSettings, StepError> {
    // What the time of the year says goes before what the plan says in general.
    let period = period_of(plan)?.map(|period| &period.weights);
    for table in [Some(&plan.sites.weights), period].into_iter().flatten() {
        let weights = &mut settings.weights;
        for (weight, asked) in [
            (&mut weights.activity, table.activity),
            (&mut weights.convergence, table.convergence),
            (&mut weights.line_kind, table.line_kind),
            (&mut weights.wind, table.wind),
            (&mut weights.cover, table.cover),
        ] {
            *weight = asked.map_or(*weight, NonNegative::get);
        }
    }
    for (word, value) in &plan.sites.line_kinds {
        let kind = kind(word, "sites.line_kinds")?;
        settings.kind_value[kind as usize] = value.get().min(1.0);
    }
    let wind = &mut settings.wind;
    wind.calm_m_s = plan.wind.calm_m_s.map_or(wind.calm_m_s, NonNegative::get);
    wind.scent_reach_m = plan.wind.scent_reach_m.map_or(wind.scent_reach_m, |v| v.get());
    wind.night_share = plan.wind.night_share.map_or(wind.night_share, |v| v.get().min(1.0));
    Ok(settings)
}

/// The animals that sites are meant for, in the order of their names.
fn targets(plan: &Plan, spacing_m: f64, reach_m: f64) -> Vec<Target> {
    let target = |(word, table): (&String, &TargetTable)| Target {
        animal: Animal::from_word(word),
        weight: table.weight.map_or(1.0, NonNegative::get),
        reach_m: table.reach_m.map_or(reach_m, |v| v.get()),
        spacing_m: table.spacing_m.map_or(spacing_m, |v| v.get()),
    };
    plan.sites.targets.iter().map(target).collect()
}

/// When the search ends.
pub(super) fn limits_of(plan: &Plan) -> Limits {
    let d = Limits::default();
    Limits {
        tolerance: plan.sites.tolerance.map_or(d.tolerance, NonNegative::get),
        seconds: plan.sites.seconds.map(|v| v.get()),
        ..d
    }
}

/// The animals that the control is not for.
pub(super) fn non_target_of(plan: &Plan) -> Vec<Animal> {
    plan.non_target.animals.iter().map(|word| Animal::from_word(word)).collect()
}

/// A place given by hand, in the frame.
pub(super) fn ground(frame: &Frame, at: [f64; 2], key: &'static str) -> Result<GroundPoint, StepError> {
    let fault = |e: FrameError| StepError::Setting { key, what: e.to_string() };
    LonLat::new(at[0], at[1]).and_then(|at| frame.to_ground(at)).map_err(fault)
}

fn kinds(words: &[String], key: &'static str) -> Result<KindSet, StepError> {
    let kinds = words.iter().map(|word| kind(word, key)).collect::<Result<Vec<_>, _>>()?;
    Ok(KindSet::from_kinds(&kinds))
}

fn kind(word: &str, key: &'static str) -> Result<LineKind, StepError> {
    LineKind::from_word(word).ok_or_else(|| StepError::Setting {
        key,
        what: format!("unknown kind \"{word}\"; known are {}", LineKind::ALL.map(LineKind::word).join(", ")),
    })
}
