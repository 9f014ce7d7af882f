//! The parts of every candidate's score, from what the plan and the inputs hold.

use super::Made;
use crate::files::write::round_to;
use crate::frame::Placed;
use crate::job::NumberSource;
use crate::record::Record;
use crate::siting::{
    Candidate, Demand, LayerScale, Meeting, Part, SideValue, SignAround, SitingSettings, Target,
    activity_part, against_greatest, convergence_part, cover_part, demand_of, layer_part, line_kind_part,
    numbers_at, wind_part,
};
use crate::steps::along::searched_lines_of;
use crate::steps::along_part::rate_part;
use crate::steps::surface::{SurfaceDone, most_values, weights_of};
use crate::steps::{Desk, Outcome, StepError};
use crate::surface::{WeightSettings, WeightedPoint, density_within, weigh};

/// Parts, and the node behind each candidate's convergence.
pub(super) struct Scored {
    pub parts: Vec<Part>,
    pub meetings: Vec<Option<Meeting>>,
}

/// All parts that have a weight.
pub(super) fn score(
    made: &Made,
    candidates: &[Candidate],
    side_values: Option<&[[SideValue; 2]]>,
    non_target: &[&Placed<Record>],
    outcome: &mut Outcome,
) -> Result<Scored, StepError> {
    let (desk, settings) = (made.desk, made.settings);
    let mut parts = activity(made, candidates, outcome)?;
    let reach_m = settings.spacing_m / 6.0;
    let (convergence, meetings) = convergence_part(
        candidates,
        made.network,
        made.travel,
        made.of_node,
        reach_m,
        settings.weights.convergence,
    );
    parts.push(convergence);
    parts.push(line_kind_part(candidates, settings));
    parts.extend(side_values.map(|sides| wind_part(candidates, sides, settings.weights.wind)));
    if let Some(cover) = &desk.job.cover {
        let from = desk.files_of(&["cover"]);
        parts.push(cover_part(candidates, cover, settings.cover_reach_m, settings.weights.cover, from));
    }
    parts.extend(layers(desk, candidates, outcome));
    parts.extend(non_target_part(desk, settings, candidates, non_target));
    parts.retain(|part| part.weight > 0.0);
    Ok(Scored { parts, meetings })
}

/// Activity as one part, or as one for each target animal. Where there are survey legs,
/// sign per km searched takes the place of plain density.
fn activity(made: &Made, candidates: &[Candidate], outcome: &mut Outcome) -> Result<Vec<Part>, StepError> {
    let desk = made.desk;
    let Some(surface) = made.surface else { return Ok(Vec::new()) };
    let lines = match desk.job.legs.is_empty() {
        true => None,
        false => Some(searched_lines_of(desk, made.network, made.travel.kinds(), outcome)?),
    };
    let part = |name: &str, weight: f64, records: &[&Placed<Record>], points: &[WeightedPoint]| {
        let by_rate = match &lines {
            Some(lines) => rate_part(desk, made.network, lines, candidates, (name, weight), records)?,
            None => None,
        };
        let settings = &surface.surface.settings;
        let from = || {
            let (kernel, bandwidth_m) = (settings.kernel.word(), settings.bandwidth_m);
            format!("{}, {kernel} kernel with {bandwidth_m:.0} m", desk.files_of(&["sign"]))
        };
        Ok::<Part, StepError>(by_rate.unwrap_or_else(|| {
            activity_part(name, weight, from(), candidates, points, settings.kernel, settings.bandwidth_m)
        }))
    };
    let weight = made.settings.weights.activity;
    let targets = &made.settings.targets;
    if targets.is_empty() {
        return Ok(vec![part("activity", weight, made.records, &surface.points)?]);
    }
    let sum: f64 = targets.iter().map(|t| t.weight).sum();
    let mut parts = Vec::new();
    for target in targets {
        let records = records_of(made, target);
        if records.is_empty() {
            outcome.warn(format!("{}: no sign of {} to site by", desk.files_of(&["sign"]), target.animal));
        }
        let points = points_of(made, surface, &records)?;
        let weight = if sum > 0.0 { weight * target.weight / sum } else { 0.0 };
        parts.push(part(&target.part_name(), weight, &records, &points)?);
    }
    Ok(parts)
}

/// The chosen sign of one target.
pub(super) fn records_of<'a>(made: &Made<'a>, target: &Target) -> Vec<&'a Placed<Record>> {
    let own = |r: &&&Placed<Record>| r.what.animal.as_ref() == Some(&target.animal);
    made.records.iter().filter(own).copied().collect()
}

fn points_of(
    made: &Made,
    surface: &SurfaceDone,
    records: &[&Placed<Record>],
) -> Result<Vec<WeightedPoint>, StepError> {
    // Ages are counted from one day for all animals.
    let settings = WeightSettings { as_of: surface.weighed.as_of, ..weights_of(made.desk)? };
    Ok(weigh(records, &settings).points)
}

/// Where activity lies, for the objective `coverage`: that of each target by its weight, or
/// all of it.
pub(super) fn demand(made: &Made) -> Result<Vec<Demand>, StepError> {
    let request = |what: String| super::request(made.desk, &["sign"], what);
    let Some(surface) = made.surface else {
        return Err(request("coverage needs sign; there is none to use".to_string()));
    };
    let targets = &made.settings.targets;
    if targets.is_empty() {
        return Ok(demand_of(&surface.surface, 1.0, made.settings.reach_m));
    }
    let mut with_sign = Vec::new();
    for target in targets {
        let points = points_of(made, surface, &records_of(made, target))?;
        if points.iter().any(|p| p.weight > 0.0) {
            with_sign.push((target, points));
        }
    }
    let sum: f64 = with_sign.iter().map(|(target, _)| target.weight).sum();
    let mut demand = Vec::new();
    for (target, points) in with_sign.iter().filter(|(target, _)| target.weight > 0.0) {
        let base = &surface.surface;
        let most = most_values(&made.desk.plan.surface);
        let of_target = density_within(points, &base.grid, base.settings, surface.window.as_ref(), most)
            .map_err(|e| request(e.to_string()))?;
        demand.extend(demand_of(&of_target, target.weight / sum, target.reach_m));
    }
    if demand.is_empty() {
        return Err(request(
            "coverage needs sign of an animal in [sites.targets]; there is none".to_string(),
        ));
    }
    Ok(demand)
}

/// The layers of numbers that the plan names.
fn layers(desk: &Desk, candidates: &[Candidate], outcome: &mut Outcome) -> Vec<Part> {
    let mut parts = Vec::new();
    for (k, layer) in desk.plan.sites.layer.iter().enumerate() {
        let numbers: Vec<Option<f64>> = match desk.job.layers.get(k) {
            Some(NumberSource::Areas(areas)) => numbers_at(candidates, areas),
            Some(NumberSource::Cells(cells)) if layer.classes => {
                candidates.iter().map(|c| cells.nearest(c.place)).collect()
            }
            Some(NumberSource::Cells(cells)) => candidates.iter().map(|c| cells.bilinear(c.place)).collect(),
            None => vec![None; candidates.len()],
        };
        let file = layer.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let standing = || candidates.iter().zip(&numbers).filter(|(c, _)| c.stands());
        let missing = standing().filter(|(_, number)| number.is_none()).count();
        if missing > 0 {
            outcome.warn(format!(
                "{file}: says nothing at {missing} of {} places where a site may stand; {}",
                standing().count(),
                layer
                    .elsewhere
                    .map_or("they are worth nothing".to_string(), |n| format!("{n} stands for it"))
            ));
        }
        let scale = LayerScale { worst: layer.worst, best: layer.best, elsewhere: layer.elsewhere };
        let from = match &layer.property {
            Some(property) => format!("{file}, property {property}"),
            None => file,
        };
        parts.push(layer_part(&layer.name, layer.weight.get(), from, candidates, &numbers, &scale));
    }
    parts
}

/// Few records of non-target animals near count for a place, if the plan gives that a weight.
fn non_target_part(
    desk: &Desk,
    settings: &SitingSettings,
    candidates: &[Candidate],
    non_target: &[&Placed<Record>],
) -> Option<Part> {
    let weight = desk.plan.non_target.weight?.get();
    let around = SignAround::new(non_target.iter().copied());
    let near = |c: &Candidate| around.near(c.foot.at, settings.reach_m).count;
    let raw: Vec<f64> = candidates.iter().map(near).collect();
    let value = against_greatest(&raw, |i| candidates[i].stands()).into_iter().map(|v| 1.0 - v).collect();
    Some(Part {
        name: "non_target".to_string(),
        weight,
        unit: "records of non-target animals within reach",
        by: Vec::new(),
        from: desk.files_of(&["sign"]),
        raw,
        value,
    })
}

/// A number as it is written; none where it is not known.
pub(super) fn written(number: f64) -> Option<f64> {
    number.is_finite().then(|| round_to(number, 6))
}
