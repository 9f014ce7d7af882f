//! The plan's keys as settings of the siting room.

use crate::plan::Plan;
use crate::siting::SitingSettings;
use crate::steps::StepError;

/// The settings of the siting room, defaults where the plan is silent.
pub(super) fn settings_of(plan: &Plan) -> Result<SitingSettings, StepError> {
    let table = &plan.sites;
    let mut settings = SitingSettings::default();
    if let Some(spacing_m) = table.spacing_m {
        settings.spacing_m = spacing_m.get();
    }
    if let Some(offset_m) = table.offset_m {
        settings.offset_m = offset_m.get();
    }
    if let Some(error_m) = table.placement_error_m {
        settings.placement_error_m = error_m.get();
    }
    settings.min_straight_m = table.min_straight_m.map(|m| m.get());
    settings.budget = table.budget.map(|n| u32::try_from(n).unwrap_or(u32::MAX));
    settings.check().map_err(|e| StepError::Setting { key: "sites", what: e.to_string() })?;
    Ok(settings)
}
