//! `report`: the map, the field sheet, the season report and the notices, from a folder of
//! outputs.

mod again;
mod gather;
mod layers;
mod notices;
mod told;
mod whole;

use std::io::Write;

use super::written::counted;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::write_csv_as_it_is;
use crate::report::{Material, NoticeKind, field_sheet, figures, map_page, notice_row, season_report};
pub use again::{plan_left_in, reopen, report_again};
pub(super) use notices::parcels;

/// The table of whom to tell, in which people note whom they told.
const NOTICES: &str = "notices.csv";

/// A page above this opens slowly or not at all, in bytes. One of 14 MB takes a second; the rest is common
/// practice, no source.
const HEAVY_PAGE: usize = 100_000_000;

/// Writes `map.html`, `field-sheet.html`, `notices.csv` and, where seasons were compared,
/// `season-report.html`, and figures as SVG, from what the set holds by now.
///
/// # Errors
/// [`StepError::Files`] for an output that cannot be read, [`StepError::Request`] for one
/// that cannot be drawn, [`StepError::Layers`] for one that does not say what is drawn of it,
/// [`StepError::Output`].
pub fn report(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    drawn(desk, set, &[])
}

/// The report, with what has changed since the run on every page.
fn drawn(desk: &Desk, set: &mut OutputSet, since: &[String]) -> Result<Outcome, StepError> {
    let mut outcome = desk.outcome();
    desk.progress.stage("drawing the map and the field sheet", None);
    let mut material = gather::material(desk, set.staging(), set.target(), &mut outcome)?;
    if !since.is_empty() {
        let said = format!("This set is no longer as its run left it: {}.", since.join("; "));
        material.origin = format!("{} {said}", material.origin);
        material.cautions.insert(0, said);
    }
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
    write_notices(&material, set, &mut outcome)?;
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

/// Writes the notices, with what people wrote into the table that stands there.
fn write_notices(material: &Material, set: &mut OutputSet, outcome: &mut Outcome) -> Result<(), StepError> {
    let edited = !set.is_as_written(NOTICES)?;
    let old = set.to_merge(NOTICES)?;
    let rows = material.notices.iter().map(notice_row).collect();
    let told = told::told(old.as_deref(), edited, rows).map_err(|what| StepError::Request {
        files: set.target().join(NOTICES).display().to_string(),
        what: format!(
            "{what}; what was filled in there cannot be kept in a new one. Save it as CSV with the heads that it \
             came with, or give it another name, and try again"
        ),
    })?;
    set.write(NOTICES, |out| write_csv_as_it_is(out, &told.header, &told.rows))?;
    if told.filled_in > 0 {
        outcome.say(format!("{NOTICES}: {} filled in by hand kept", counted(told.filled_in, "row")));
    }
    if told.no_longer > 0 {
        outcome.warn(format!(
            "{NOTICES}: {} no longer listed by this run, kept at the end and marked in the column status",
            counted(told.no_longer, "row")
        ));
    }
    if told.differing > 0 {
        outcome.warn(format!(
            "{NOTICES}: {} with another holder or contact than the layer; the column status quotes the layer",
            counted(told.differing, "row")
        ));
    }
    Ok(())
}
