//! The ids of the sites of a plan: those that they have by now, and new ones.

use super::request;
use crate::frame::{LonLat, Placed, distance_m};
use crate::record::{Station, StationState};
use crate::siting::{Candidate, Nameless, Site, TakenIds, site_ids};
use crate::steps::{Desk, StepError};

/// A station proposed or lifted this near to a site's foot, or to its place on either side, stood at
/// the same place, in metres: written places are rounded, and lines are read anew.
const SAME_PLACE_M: f64 = 2.0;

/// The id of every site, by rank. A fixed place keeps the id that it carries, wherever it was moved to;
/// a place where a station was proposed before, or was lifted, keeps that one's id; and a new id is
/// none that any input carries.
///
/// # Errors
/// [`StepError::Request`] for fixed places that carry the id of a station in the ground.
pub(super) fn ids(desk: &Desk, sites: &[Site], candidates: &[Candidate]) -> Result<Vec<String>, StepError> {
    check_fixed(desk)?;
    let mut taken = TakenIds::default();
    for id in &desk.job.ids {
        taken.take(id);
    }
    for id in desk.plan.round.rule.iter().flat_map(|rule| &rule.stations) {
        taken.take(id);
    }
    let mut kept = TakenIds::default();
    let mut fixed: Vec<Option<String>> = Vec::with_capacity(sites.len());
    for site in sites {
        let must = candidates[site.candidate].fixed.and_then(|k| desk.job.must.get(k as usize));
        let id = must.and_then(|must| must.what.site_id.as_deref());
        fixed.push(id.filter(|id| kept.take(id)).map(str::to_string));
    }
    let nameless = sites.iter().zip(fixed).map(|(site, fixed)| {
        let candidate = &candidates[site.candidate];
        let before = || stood_here(desk, candidate).filter(|id| kept.take(id)).map(str::to_string);
        Nameless { foot: candidate.place, own: fixed.or_else(before) }
    });
    Ok(site_ids(&nameless.collect::<Vec<_>>(), &taken))
}

/// The id of the station that was proposed or lifted at a candidate's place.
fn stood_here<'d>(desk: &'d Desk, candidate: &Candidate) -> Option<&'d str> {
    let places: [LonLat; 3] = [candidate.place, candidate.sides[0].place, candidate.sides[1].place];
    let away_m = |station: &Placed<Station>| {
        places.iter().map(|at| distance_m(station.at, *at)).fold(f64::INFINITY, f64::min)
    };
    let gone = desk.job.stations.iter().filter(|s| s.what.state != StationState::Set);
    let near = gone.map(|s| (away_m(s), s)).filter(|(away_m, _)| *away_m <= SAME_PLACE_M);
    near.min_by(|a, b| a.0.total_cmp(&b.0)).map(|(_, s)| &*s.what.station_id)
}

/// A fixed place may not go by the id of a station that stands elsewhere.
fn check_fixed(desk: &Desk) -> Result<(), StepError> {
    let standing: Vec<&Placed<Station>> =
        desk.job.stations.iter().filter(|s| s.what.state == StationState::Set).collect();
    let faults: Vec<String> = desk
        .job
        .must
        .iter()
        .filter_map(|must| {
            let id = must.what.site_id.as_deref()?;
            let own = standing.iter().find(|s| s.what.station_id.to_lowercase() == id.to_lowercase())?;
            let away_m = distance_m(own.at, must.at);
            Some(format!(
                "the fixed site {} carries the id of station {}, which stands in the ground {away_m:.0} m away; an id stands for one place: leave the id out, or mark the station as lifted once it is",
                must.what.name, own.what.station_id
            ))
        })
        .collect();
    if faults.is_empty() { Ok(()) } else { Err(request(desk, &["must", "station"], faults.join("; "))) }
}
