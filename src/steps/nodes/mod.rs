//! `nodes`: the noded network, its nodes with their convergence, and near misses.

mod files;
mod settings;
mod summary;

use std::time::Instant;

use jiff::civil::Date;
use rayon::prelude::*;

use super::sign::chosen_sign;
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::network::{Convergence, Network, SignOnLine, Tangle};
use crate::steps::written::counted;

pub use files::{edge_id, node_id, write_network};
use files::{write_near_misses, write_nodes};
use settings::convergence_of;
pub(super) use settings::settings_of;
use summary::summarise;

/// A network with its convergence, for the steps that build on it.
pub struct NetworkDone {
    /// The network of all lines of the job.
    pub network: Network,
    /// Its places.
    pub convergence: Convergence,
    /// Records of sign that lie farther from every travel line than the reach; `None` where
    /// there is no sign.
    pub sign_off_lines: Option<usize>,
    seconds: f64,
}

/// Builds the network of the job's lines and scores its convergence.
///
/// # Errors
/// [`StepError::Request`] where there is no line, or no network can be made of them.
pub fn compute(desk: &Desk, outcome: &mut Outcome) -> Result<NetworkDone, StepError> {
    let started = Instant::now();
    let settings = convergence_of(desk.plan)?;
    let network = build(desk, outcome)?;
    let (sign, sign_off_lines) = sign_on_lines(desk, &network, outcome);
    let convergence = network.convergence(sign.as_deref(), &settings);
    Ok(NetworkDone { network, convergence, sign_off_lines, seconds: started.elapsed().as_secs_f64() })
}

/// Builds the network of the job's lines.
///
/// # Errors
/// As [`compute`].
pub(super) fn build(desk: &Desk, outcome: &mut Outcome) -> Result<Network, StepError> {
    let request = |what: String| StepError::Request { files: desk.files_of(&["line"]), what };
    if desk.job.lines.is_empty() {
        return Err(request("no usable line; a network needs at least one".to_string()));
    }
    desk.progress.stage("building the line network", None);
    let settings = settings_of(desk)?;
    let network =
        Network::build(&desk.job.lines, &desk.job.gates, &settings).map_err(|e| request(e.to_string()))?;
    if !network.report().vanished.is_empty() {
        outcome.warn(format!(
            "{}: {} lines are shorter than {} m and carry nothing",
            desk.files_of(&["line"]),
            network.report().vanished.len(),
            network.report().lattice_step_m
        ));
    }
    if network.report().unjoined > 0 {
        outcome.warn(format!(
            "{}: {} within the snap distance could not be joined; near-misses.geojson of `nodes` lists them as not closed",
            desk.files_of(&["line"]),
            counted(network.report().unjoined, "gap")
        ));
    }
    let tangle = network.tangle();
    if tangle.is_doubtful() {
        outcome.warn(format!("{}: {}", desk.files_of(&["line"]), tangled(&tangle)));
    }
    Ok(network)
}

/// What recordings of the same tracks by the dozen come to, and the way out.
pub(super) fn tangled(tangle: &Tangle) -> String {
    format!(
        "{} of {} junctions lie within 10 m of another, and {:.0} % of the line is a further recording of a track: many recordings of the same tracks cross each other again and again, so these are hardly junctions, and distances along them are wrong. Give each track once, as a mapped line or as its best recording (--line track=FILE), and all recordings as survey legs (--survey FILE), which are matched to it",
        tangle.crowded,
        tangle.junctions,
        100.0 * tangle.merged_share
    )
}

/// Builds the network, writes its files and says what it did.
///
/// # Errors
/// [`StepError::Setting`], [`StepError::Request`] and [`StepError::Output`].
pub fn nodes(desk: &Desk, set: &mut OutputSet) -> Result<(Outcome, NetworkDone), StepError> {
    let mut outcome = desk.outcome();
    let done = compute(desk, &mut outcome)?;
    let started = Instant::now();
    desk.progress.stage("writing the network", None);
    write_network(desk, &done.network, set)?;
    write_nodes(desk, &done, set)?;
    write_near_misses(desk, &done.network, set)?;
    summarise(desk, &done, started.elapsed().as_secs_f64(), set, &mut outcome)?;
    Ok((outcome, done))
}

/// The chosen sign at its feet on travel lines, and how many records are too far from any.
/// Ages are counted from the last day asked for, or else the newest record.
fn sign_on_lines(
    desk: &Desk,
    network: &Network,
    outcome: &mut Outcome,
) -> (Option<Vec<SignOnLine>>, Option<usize>) {
    if desk.job.records.is_empty() {
        return (None, None);
    }
    let chosen = chosen_sign(desk, outcome);
    let newest = chosen.records.iter().filter_map(|r| r.what.date).max();
    let today = desk.plan.select.to.map(|d| d.0).or(newest);
    let settings = network.settings();
    let feet: Vec<Option<SignOnLine>> = chosen
        .records
        .par_iter()
        .map(|r| {
            let foot =
                network.nearest_foot(r.ground, settings.reach_m, |e| e.kinds.meets(settings.travel))?;
            Some(SignOnLine { foot, count: r.what.count, age_days: age_days(r.what.date, today) })
        })
        .collect();
    let off = feet.iter().filter(|f| f.is_none()).count();
    (Some(feet.into_iter().flatten().collect()), Some(off))
}

fn age_days(date: Option<Date>, today: Option<Date>) -> Option<f64> {
    let days = date?.until(today?).ok()?.get_days();
    Some(f64::from(days.max(0)))
}
