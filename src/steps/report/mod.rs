//! `report`: the map, the field sheet, the season report and the notices, from a folder of
//! outputs.

mod gather;
mod notices;

pub(super) use notices::parcels;

use std::io::Write;
use std::path::{Path, PathBuf};

use super::{Desk, Outcome, StepError};
use crate::files::write::write_csv;
use crate::files::{OutputSet, read_text};
use crate::plan::Plan;
use crate::report::{NOTICE_COLUMNS, NoticeKind, field_sheet, figures, map_page, notice_row, season_report};

/// Opens the folder of an earlier run and the plan that it left there.
///
/// Relative paths of that plan start at the working directory, as its first line says; where
/// none of its inputs is there but all are in the folder itself, they start at the folder.
///
/// # Errors
/// [`StepError::Output`], [`StepError::Files`], [`StepError::Plan`].
pub fn reopen(dir: &Path) -> Result<(OutputSet, Plan), StepError> {
    Ok((OutputSet::reopen(dir)?, plan_left_in(dir)?))
}

/// The plan that a run left in its folder; see [`reopen`].
///
/// # Errors
/// [`StepError::Files`], [`StepError::Plan`].
pub fn plan_left_in(dir: &Path) -> Result<Plan, StepError> {
    let file = dir.join("settings.toml");
    let (text, _) = read_text(&file).map_err(|e| StepError::Files(vec![e]))?;
    let mut plan = Plan::parse(&file, &text)?;
    let inputs: Vec<PathBuf> = plan.every_path();
    if !inputs.iter().any(|p| p.exists()) && inputs.iter().all(|p| dir.join(p).exists()) {
        plan.base = dir.to_path_buf();
    }
    Ok(plan)
}

/// A page above this opens slowly or not at all, in bytes. One of 14 MB takes a second; the rest is common
/// practice, no source.
const HEAVY_PAGE: usize = 100_000_000;

/// Writes `map.html`, `field-sheet.html`, `notices.csv` and, where seasons were compared,
/// `season-report.html`, and figures as SVG, from what the set holds by now.
///
/// # Errors
/// [`StepError::Files`] for an output that cannot be read, [`StepError::Request`] for one
/// that cannot be drawn, [`StepError::Output`].
pub fn report(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let mut outcome = desk.outcome();
    desk.progress.stage("drawing the map and the field sheet", None);
    let mut material = gather::material(desk, set.staging(), &mut outcome)?;
    let page =
        |e: crate::report::PageError| StepError::Request { files: "templates".into(), what: e.to_string() };
    let map = map_page(&material).map_err(page)?;
    set.write("map.html", |out| out.write_all(map.as_bytes()))?;
    // What only the map shows is most of what there is.
    let map_bytes = map.len();
    if map_bytes > HEAVY_PAGE {
        outcome.warn(format!(
            "map.html has {} MB, and few browsers open so much; open the layers in a GIS, or run one part of the place at a time",
            map_bytes / 1_000_000
        ));
    }
    drop(map);
    (material.layers.candidates, material.layers.network) = Default::default();
    let sheet = field_sheet(&material).map_err(page)?;
    set.write("field-sheet.html", |out| out.write_all(sheet.as_bytes()))?;
    if let Some(seasons) = season_report(&material).map_err(page)? {
        set.write("season-report.html", |out| out.write_all(seasons.as_bytes()))?;
    }
    for (name, svg) in figures(&material) {
        set.write(name, |out| out.write_all(svg.as_bytes()))?;
    }
    set.write("notices.csv", |out| write_csv(out, &NOTICE_COLUMNS, material.notices.iter().map(notice_row)))?;
    let count = |kind| material.notices.iter().filter(|n| n.kind == kind).count();
    let (parcels, entrances) = (count(NoticeKind::Parcel), count(NoticeKind::Entrance));
    outcome.say(format!(
        "map and field sheet of {} sites and {} stations; {parcels} neighbours to tell, {entrances} entrances for signs",
        material.layers.sites.len(),
        material.stations.len(),
    ));
    outcome.set(
        "report",
        serde_json::json!({ "sites": material.layers.sites.len(), "stations": material.stations.len(),
            "parcels": parcels, "entrances": entrances, "map_bytes": map_bytes }),
    );
    Ok(outcome)
}
