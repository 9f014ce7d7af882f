//! What activity along lines says of candidate sites.

use super::along::{ActivityAt, line_activity, searched_lines_of};
use super::sign::chosen_sign;
use super::{Desk, Outcome, StepError};
use crate::network::{KindSet, Network};
use crate::siting::{Candidate, Part, against_greatest};
use crate::surface::along::EdgePoint;

/// The part "activity" from a survey: at each foot the sign per km searched, drawn towards
/// the mean where little was searched, against the greatest; where nobody searched, the
/// sign per km of line against the greatest of that. `None` where the job has no survey
/// leg, no sign, or none near the lines: then the plain surface has to do.
///
/// # Errors
/// As [`line_activity`].
pub(super) fn rate_part(
    desk: &Desk,
    network: &Network,
    kinds: KindSet,
    candidates: &[Candidate],
    weight: f64,
    outcome: &mut Outcome,
) -> Result<Option<Part>, StepError> {
    if desk.job.legs.is_empty() || candidates.is_empty() {
        return Ok(None);
    }
    let lines = searched_lines_of(desk, network, kinds, outcome)?;
    let sign = chosen_sign(desk, outcome);
    let Ok(activity) = line_activity(desk, network, &lines, &sign.records) else { return Ok(None) };
    let feet: Vec<EdgePoint> = candidates.iter().map(|candidate| (&candidate.foot).into()).collect();
    let known = activity.at(&feet).map_err(|why| StepError::Request {
        files: desk.files_of(&["sign", "survey", "line"]),
        what: why.to_string(),
    })?;
    let rate =
        |here: &ActivityAt| here.rate.map(|rate| rate.shrunk.map_or(rate.per_km, |shrunk| shrunk.rate));
    let rates: Vec<f64> = known.iter().map(|here| rate(here).unwrap_or(0.0)).collect();
    let densities: Vec<f64> = known.iter().map(|here| here.density_per_km).collect();
    let by_rate = against_greatest(&rates, |i| candidates[i].stands());
    let by_density = against_greatest(&densities, |i| candidates[i].stands());
    let searched = known.iter().filter(|here| here.rate.is_some()).count();
    let pick = |i: usize, of_rate: &[f64], of_density: &[f64]| {
        if known[i].rate.is_some() { of_rate[i] } else { of_density[i] }
    };
    let from = format!(
        "{}: sign per km searched at {searched} feet, sign per km of line at the {} that nobody searched; \
         kernel of {:.0} m along lines",
        desk.files_of(&["sign", "survey"]),
        known.len() - searched,
        activity.kernel.sigma_m()
    );
    Ok(Some(Part {
        name: "activity".to_string(),
        weight,
        unit: "sign per km searched (per km of line where nobody searched)",
        from,
        raw: (0..known.len()).map(|i| pick(i, &rates, &densities)).collect(),
        value: (0..known.len()).map(|i| pick(i, &by_rate, &by_density)).collect(),
    }))
}
