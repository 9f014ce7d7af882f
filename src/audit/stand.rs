//! Everything that stands or is to stand, with its foot on the network as written.

use std::collections::BTreeMap;

use super::breach::{Breach, Promise, metres};
use super::roads::{Road, RoadFoot, Roads};
use super::rules::Rules;
use super::sources::{Sources, on_step};
use super::space::Spot;
use super::written::{SITES, Said, Written, WrittenSite};
use crate::frame::{FrameError, GroundPoint, Placed, azimuth_deg, distance_m};
use crate::job::Job;
use crate::record::{Station, StationState};

/// A station farther than this from every line has no foot, in metres: the same as `sites` holds.
const FOOT_REACH_M: f64 = 200.0;

/// What side, offset and bearing may be off by, in metres: vertices are rounded to a centimetre on the
/// lattice and in the files, sites and bearings likewise.
pub(super) const STANDS_WITHIN_M: f64 = 0.12;

/// A place that a person fixed has its foot on a line no farther away, in metres: the same as `sites`
/// holds.
const FIXED_REACH_M: f64 = 100.0;

/// A site is a fixed one if its foot is no farther from that of the fixed place, in metres: feet that are
/// nearer to each other are one.
const FIXED_WITHIN_M: f64 = 0.5;

/// A station and a site with one id within this many metres are one: the site that became it.
const SAME_PLACE_M: f64 = 25.0;

/// A site or a station.
pub(super) struct Stand<'a> {
    pub id: &'a str,
    pub site: Option<&'a WrittenSite>,
    pub spot: Spot,
    pub ground: GroundPoint,
    /// Its feet on lines that carry travel or bear sites: more than one where lines are drawn twice.
    pub feet: Vec<RoadFoot>,
    /// What a site keeps from others, in metres; 0 for a station.
    pub spacing_m: f64,
    /// What a site keeps from others in a straight line, in metres; 0 for a station.
    pub straight_m: f64,
    /// Whether it is a site that a person fixed by name.
    pub fixed: bool,
}

impl Stand<'_> {
    /// What a breach of it says in front.
    pub fn breach(&self, promise: Promise, about: String, expected: String, found: String) -> Breach {
        Breach {
            file: if self.site.is_some() { SITES.into() } else { "stations".into() },
            feature: self.site.map(|s| s.feature),
            id: Some(self.id.to_string()),
            promise,
            about,
            expected,
            found,
        }
    }
}

/// The sites, then the stations in the ground.
///
/// # Errors
/// [`FrameError`] for a place that the frame cannot hold.
pub(super) fn stands<'a>(
    job: &'a Job,
    written: &'a Written,
    roads: &Roads,
    rules: &Rules,
) -> Result<Vec<Stand<'a>>, FrameError> {
    let mut all = Vec::with_capacity(written.sites.len() + job.stations.len());
    let carries = |road: &Road| road.is_any(&rules.travel) || road.is_any(&rules.along);
    let bears = |road: &Road| road.is_any(&rules.along);
    let fixed: Vec<GroundPoint> =
        job.must.iter().flat_map(|m| roads.feet(m.ground, FIXED_REACH_M, bears)).map(|f| f.at).collect();
    for site in &written.sites {
        let ground = job.frame.to_ground(site.at)?;
        let stated = stated_foot(job, site, ground)?;
        let mut feet = stated.map_or(Vec::new(), |at| roads.feet(at, STANDS_WITHIN_M, bears));
        if feet.is_empty() {
            feet = roads.feet(ground, FOOT_REACH_M, carries);
        }
        let spacing_m = rules.spacing_of(site.target.as_ref());
        let straight_m = rules.straight_of(spacing_m);
        let spot = Spot::new(site.at);
        let fixed = feet.iter().any(|f| fixed.iter().any(|at| at.distance_m(f.at) < FIXED_WITHIN_M));
        all.push(Stand { id: &site.id, site: Some(site), spot, ground, feet, spacing_m, straight_m, fixed });
    }
    let gone = |s: &Placed<Station>| written.stations.get(&*s.what.station_id) == Some(&Said::Gone);
    for station in job.stations.iter().filter(|s| s.what.state == StationState::Set && !gone(s)) {
        let Placed { what: Station { station_id, .. }, at, ground } = station;
        let feet = roads.feet(*ground, FOOT_REACH_M, carries);
        let spot = Spot::new(*at);
        let ground = *ground;
        all.push(Stand {
            id: station_id,
            site: None,
            spot,
            ground,
            feet,
            spacing_m: 0.0,
            straight_m: 0.0,
            fixed: false,
        });
    }
    Ok(all)
}

/// Where on its line a site says that it stands: from the site at right angles to its bearing.
fn stated_foot(job: &Job, site: &WrittenSite, at: GroundPoint) -> Result<Option<GroundPoint>, FrameError> {
    let (Some(left), Some(offset_m), Some(bearing_deg)) = (site.left, site.offset_m, site.bearing_deg) else {
        return Ok(None);
    };
    let turn_deg = if left { 90.0 } else { -90.0 };
    let back = (bearing_deg - job.frame.convergence_deg(at)? + turn_deg).to_radians();
    Ok(Some(GroundPoint::new(at.x_m + offset_m * back.sin(), at.y_m + offset_m * back.cos())))
}

/// Side, offset and bearing: where a site says that its line is, there is a line that may bear it; no
/// other is nearer; and the line was digitised the way the bearing says.
///
/// # Errors
/// [`FrameError`] for a place that the frame cannot hold.
pub(super) fn check_sides(
    job: &Job,
    sources: &Sources,
    stands: &[Stand],
    roads: &Roads,
    rules: &Rules,
    breaches: &mut Vec<Breach>,
) -> Result<(), FrameError> {
    for stand in stands {
        let Some((site, offset_m)) = stand.site.and_then(|s| Some((s, s.offset_m?))) else { continue };
        let Some(at) = stated_foot(job, site, stand.ground)? else { continue };
        let kinds: Vec<&str> = rules.along.iter().map(|kind| kind.word()).collect();
        let bears = |road: &Road| road.is_any(&rules.along);
        let nearest = roads.feet(at, FOOT_REACH_M, bears).first().copied();
        let side = if site.left == Some(true) { "left" } else { "right" };
        let off_m = nearest.map_or(f64::INFINITY, |f| f.off_m);
        if off_m > STANDS_WITHIN_M {
            let from_site = roads.feet(stand.ground, FOOT_REACH_M, bears).first().map(|f| f.off_m);
            breaches.push(stand.breach(
                Promise::Side,
                "side, offset_m and bearing_deg".into(),
                format!("a {} with the site {offset_m} m to the {side} of it", kinds.join(" or ")),
                match from_site {
                    Some(m) => format!("none there; the nearest is {m:.2} m from the site"),
                    None => format!("none within {FOOT_REACH_M} m"),
                },
            ));
            continue;
        }
        let counts = |road: &Road| road.kinds.iter().any(|kind| !rules.across.contains(kind));
        if let Some(near) = roads.feet(stand.ground, offset_m - STANDS_WITHIN_M, counts).first() {
            let kind = roads.edges[near.edge as usize].kinds.first().map_or("line", |k| k.word());
            breaches.push(stand.breach(
                Promise::Side,
                "the line beside it".into(),
                format!("none nearer than its own, {offset_m} m off"),
                format!("a {kind} {:.2} m off", near.off_m),
            ));
        }
        check_direction(job, sources, stand, at, rules, breaches)?;
    }
    Ok(())
}

/// The bearing is that of the input line as it was digitised, and not the other way: told only where
/// every piece of that line near the foot runs against it, since passes that were merged wander.
fn check_direction(
    job: &Job,
    sources: &Sources,
    stand: &Stand,
    foot: GroundPoint,
    rules: &Rules,
    breaches: &mut Vec<Breach>,
) -> Result<(), FrameError> {
    let Some((source, bearing_deg)) = stand.site.and_then(|s| Some((s.line_from.as_ref()?, s.bearing_deg?)))
    else {
        return Ok(());
    };
    let at = job.frame.to_lonlat(foot)?;
    let reach_m = rules.merge_m.max(rules.snap_m) + 1.0;
    let (mut along, mut against) = (0, 0);
    for line in sources.of(source) {
        for (step, ground) in line.path.windows(2).zip(line.ground.windows(2)) {
            if on_step(foot, ground[0], ground[1]).1 > reach_m || step[0] == step[1] {
                continue;
            }
            let off = (azimuth_deg(step[0], step[1]) - bearing_deg + 180.0).rem_euclid(360.0) - 180.0;
            if off.abs() > 90.0 { against += 1 } else { along += 1 }
        }
    }
    if against > 0 && along == 0 {
        breaches.push(stand.breach(
            Promise::Side,
            "property \"bearing_deg\"".into(),
            format!("the direction in which {}#{} was digitised at {at}", source.0, source.1),
            format!("{bearing_deg}, which is the other way"),
        ));
    }
    Ok(())
}

/// Every id names one site, and no site has the id of a station that stands elsewhere.
pub(super) fn check_ids(stands: &[Stand], job: &Job, rules: &Rules, breaches: &mut Vec<Breach>) {
    let mut sites: BTreeMap<&str, &Stand> = BTreeMap::new();
    let of_station: BTreeMap<&str, &Placed<Station>> =
        job.stations.iter().map(|s| (&*s.what.station_id, s)).collect();
    let mut count = 0;
    for stand in stands.iter().filter(|s| s.site.is_some()) {
        count += 1;
        let twice = |found: String| {
            let expected = "an id that nothing else has".to_string();
            stand.breach(Promise::Id, "property \"site_id\"".into(), expected, found)
        };
        if let Some(first) = sites.insert(stand.id, stand) {
            let number = first.site.map_or(0, |s| s.feature);
            breaches.push(twice(format!("\"{}\" in feature {number} as well", stand.id)));
        }
        if let Some(station) = of_station.get(stand.id) {
            let away_m = distance_m(station.at, stand.spot.at);
            if away_m > SAME_PLACE_M {
                breaches.push(twice(format!("a station \"{}\" {} away", stand.id, metres(away_m))));
            }
        }
    }
    if let Some(budget) = rules.budget.filter(|&budget| count > budget) {
        breaches.push(Breach {
            file: SITES.into(),
            feature: None,
            id: None,
            promise: Promise::Budget,
            about: "sites".into(),
            expected: format!("at most {budget}"),
            found: count.to_string(),
        });
    }
}
