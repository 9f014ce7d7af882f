//! What activity along lines says of candidate sites.

use super::along::{ActivityAt, SearchedLines, line_activity};
use super::{Desk, StepError};
use crate::frame::Placed;
use crate::network::Network;
use crate::record::Record;
use crate::siting::{Candidate, Part, against_greatest};
use crate::surface::along::EdgePoint;

/// A part of the score from a survey: at each foot the sign per km searched, drawn towards
/// the mean where little was searched, against the greatest; where nobody searched, the
/// sign per km of line against the greatest of that. `None` where there is no sign near the
/// lines: then the plain surface has to do.
///
/// # Errors
/// As [`line_activity`].
pub(super) fn rate_part(
    desk: &Desk,
    network: &Network,
    lines: &SearchedLines,
    candidates: &[Candidate],
    (name, weight): (&str, f64),
    records: &[&Placed<Record>],
) -> Result<Option<Part>, StepError> {
    let Ok(activity) = line_activity(desk, network, lines, records) else { return Ok(None) };
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
        name: name.to_string(),
        weight,
        unit: "sign per km searched (per km of line where nobody searched)",
        from,
        by: known.iter().map(|here| if here.rate.is_some() { "rate" } else { "density" }).collect(),
        raw: (0..known.len()).map(|i| pick(i, &rates, &densities)).collect(),
        value: (0..known.len()).map(|i| pick(i, &by_rate, &by_density)).collect(),
    }))
}
