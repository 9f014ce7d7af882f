//! Sites that must be.

use super::candidate::{Bar, Candidate, FIXED_REACH_M};
use super::conflict::Apart;
use super::fate::Fate;
use super::field::Standing;
use super::propose::Choosing;
use super::settings::SitingError;
use crate::network::TravelGraph;

/// The candidate of each fixed place.
///
/// # Errors
/// [`SitingError::Impossible`] with every place that can bear no site, and why.
pub(super) fn fixed(from: &Choosing, fates: &[Fate]) -> Result<Vec<(String, usize)>, SitingError> {
    let (mut found, mut faults) = (Vec::new(), Vec::new());
    for (k, (name, at)) in from.settings.must.iter().enumerate() {
        match from.candidates.iter().position(|c| c.fixed == Some(k as u32)) {
            None => {
                let kinds: Vec<&str> =
                    from.settings.along.kinds().map(crate::record::LineKind::word).collect();
                let nearest = from.ground.network.nearest_foot(*at, FIXED_REACH_M, |_| true).map_or_else(
                    || "no line of any kind does".to_string(),
                    |foot| {
                        let kinds = from.ground.network.edges()[foot.edge as usize].kinds;
                        let kind = kinds.kinds().next().map_or("line", crate::record::LineKind::word);
                        format!("a {kind} does, {:.0} m off: list it in [sites] along", foot.offset_m)
                    },
                );
                faults.push(format!(
                    "no {} lies within {FIXED_REACH_M} m of the fixed site {name}; {nearest}",
                    kinds.join(" or ")
                ));
            }
            Some(i) => match &fates[i] {
                Fate::NoScore => found.push((name.clone(), i)),
                fate => faults.push(format!("the fixed site {name} cannot stand: {}", why(from, i, fate))),
            },
        }
    }
    if faults.is_empty() { Ok(found) } else { Err(SitingError::Impossible(faults.join("; "))) }
}

fn why(from: &Choosing, candidate: usize, fate: &Fate) -> String {
    let candidate: &Candidate = &from.candidates[candidate];
    // The side that was asked for, or either.
    let asked = candidate.sides.iter().filter(|side| side.bar != Some(Bar::Fixed));
    let bars: Vec<String> = asked
        .filter_map(|side| {
            let bar = match side.bar.as_ref()? {
                Bar::OutsideArea => "it is outside the area".to_string(),
                Bar::KeepOut(near) => format!(
                    "it is {:.1} m from {}, whose distance is {} m, and {} m more for the error of placement",
                    near.distance_m,
                    from.ground.keep_outs.name(near.keep_out),
                    near.limit_m,
                    from.settings.placement_error_m
                ),
                Bar::Never(near) => format!("the plan bars it: {}", from.ground.never.name(near.keep_out)),
                Bar::OtherLine(kind) => format!("a {kind} lies nearer or between"),
                Bar::Fixed => return None,
            };
            Some(format!("on the {} {bar}", side.side.word()))
        })
        .collect();
    if bars.is_empty() { fate.reason().to_string() } else { bars.join("; ") }
}

/// Checks that fixed places may stand together and beside the stations. What is asked for by name
/// may stand nearer in a straight line than other sites do, and is told where it is written.
///
/// # Errors
/// [`SitingError::Impossible`] says which of them blocks which, and how near it is.
pub(super) fn check_fixed(
    fixed: &[(String, usize)],
    candidates: &[Candidate],
    stations: &[Standing],
    travel: &TravelGraph,
    apart: &[Apart],
    budget: Option<u32>,
) -> Result<(), SitingError> {
    let mut faults = Vec::new();
    let mut others: Vec<(Standing, Option<Apart>)> = stations.iter().map(|s| (s.clone(), None)).collect();
    for &(ref name, i) in fixed {
        let foot = candidates[i].foot;
        for (other, keeps) in &others {
            let rule = keeps.map_or(apart[i], |keeps| keeps.wider(apart[i]));
            let way_m =
                other.foot.and_then(|from| travel.distances(&[from], &[foot], rule.travel_m).get(0, 0));
            if let Some(way_m) = way_m.filter(|&way_m| way_m < rule.travel_m) {
                faults.push(format!(
                    "the fixed site {name} is within the spacing of {} ({way_m:.0} m away)",
                    other.name
                ));
            }
        }
        let name = format!("the fixed site {name}");
        others.push((Standing { name, at: foot.at, foot: Some(foot) }, Some(apart[i])));
    }
    if let Some(budget) = budget.filter(|&budget| (budget as usize) < fixed.len()) {
        faults.push(format!("{} sites are fixed and the budget is {budget}", fixed.len()));
    }
    if faults.is_empty() { Ok(()) } else { Err(SitingError::Impossible(faults.join("; "))) }
}
