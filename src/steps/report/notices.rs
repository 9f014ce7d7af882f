//! Neighbours near a station, and the entrances of the area.

use super::layers::features;
use crate::files::ReadAs;
use crate::frame::Placed;
use crate::record::Station;
use crate::report::{Feature, Notice, Parcel, Peg, entrances, parcel_notices, parcel_shape};
use crate::steps::load::read_options;
use crate::steps::verdicts::Verdicts;
use crate::steps::{Desk, Outcome, StepError};
use crate::verdict::Verdict;

/// Whom to tell, and where signs belong.
pub(super) fn notices(
    desk: &Desk,
    sites: &[Feature],
    verdicts: &Verdicts,
    outcome: &mut Outcome,
) -> Result<Vec<Notice>, StepError> {
    let job = &desk.job;
    let pegs = pegs(desk, sites, verdicts);
    let fail = |e: crate::frame::FrameError| StepError::Request {
        files: desk.files_of(&["area", "line", "station"]),
        what: e.to_string(),
    };
    let parcels = parcels(desk, outcome)?;
    let mut notices = parcel_notices(&job.frame, &parcels, &pegs).map_err(fail)?;
    if let Some(area) = &job.area {
        notices.extend(entrances(&job.frame, &job.lines, &area.lonlat.polygons, &pegs).map_err(fail)?);
    }
    Ok(notices)
}

/// Stations in the ground, and proposed sites that are not among them.
fn pegs(desk: &Desk, sites: &[Feature], verdicts: &Verdicts) -> Vec<Peg> {
    let visited = desk.job.stations.iter().zip(verdicts.list()).filter(|(_, v)| v.task.wants_a_visit());
    let peg = |(s, verdict): (&Placed<Station>, &Verdict)| Peg {
        id: s.what.station_id.to_string(),
        at: s.at,
        task: Some(verdict.clone()),
    };
    let mut pegs: Vec<Peg> = visited.map(peg).collect();
    for site in sites {
        let id = site.text("site_id").unwrap_or(&site.id);
        if let Some(at) = site.place().filter(|_| pegs.iter().all(|p| p.id != id)) {
            pegs.push(Peg { id: id.to_string(), at, task: None });
        }
    }
    pegs
}

/// The parcels of the plan's layers.
pub(in crate::steps) fn parcels(desk: &Desk, outcome: &mut Outcome) -> Result<Vec<Parcel>, StepError> {
    let mut parcels = Vec::new();
    for layer in &desk.plan.parcel {
        let path = desk.plan.base.join(&layer.file);
        let name = layer.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        if layer.notify_m.is_none() {
            outcome.warn(format!(
                "{name}: the plan gives no notify_m, so every parcel is listed whatever its distance"
            ));
        }
        let mut no_ground = 0;
        let options = read_options(layer.source(), ReadAs::Areas, desk.plan.place.epsg);
        for (number, feature) in features(&path, options)?.into_iter().enumerate() {
            let Some(shape) = parcel_shape(&feature.geometry) else {
                no_ground += 1;
                continue;
            };
            let text = |names: &[&str]| names.iter().find_map(|n| feature.text(n)).map(str::to_string);
            let id =
                if feature.id.is_empty() { format!("{name}#{}", number + 1) } else { feature.id.clone() };
            parcels.push(Parcel {
                name: text(&["name", "parcel", "lot"]).unwrap_or(id),
                holder: text(&["holder", "owner"]),
                contact: text(&["contact", "phone", "email"]),
                shape,
                notify_m: layer.notify_m.map(|m| m.get()),
            });
        }
        if no_ground > 0 {
            outcome.warn(format!("{name}: {no_ground} features are no polygon; left out"));
        }
    }
    Ok(parcels)
}
