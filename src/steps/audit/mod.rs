//! `audit`, and the audit inside every run: what was promised is worked out anew from the files as
//! written and the inputs as read.

mod changed;
mod read;
mod rules;
mod table;

use std::path::Path;

use super::written::counted;
use super::{Desk, Outcome, StepError, report};
use crate::audit::{Audit, NEAR_MISSES, NETWORK, Parcel, Promise, SITES};
use crate::files::{Committed, OutputSet};
use rules::rules_of;

/// Puts a set in its place, if what it holds keeps every promise; the table of distances goes with
/// it where there are sites.
///
/// # Errors
/// [`StepError::Broken`] with every promise that is not kept, and nothing is written; errors of
/// reading the files back; [`StepError::Output`].
pub fn commit(desk: &Desk, mut set: OutputSet) -> Result<Committed, StepError> {
    let holds = |name: &str, set: &OutputSet| set.names().any(|own| own == name);
    if holds(SITES, &set) || holds(NEAR_MISSES, &set) {
        desk.progress.stage("measuring anew what was written", None);
        let mut audit = audit_of(desk, set.staging(), set.target())?;
        if !holds(SITES, &set) {
            // A network alone says nothing of what may stand where.
            audit.breaches.retain(|breach| matches!(breach.promise, Promise::Gap | Promise::Number));
        }
        if !audit.breaches.is_empty() {
            return Err(StepError::Broken(audit.breaches));
        }
        if holds(SITES, &set) {
            table::write(desk, &audit, &[], &mut set)?;
        }
    }
    Ok(set.commit()?)
}

/// Audits the folder of a run, moved and added sites included, and writes `site-distances.csv`,
/// `audit.json` and `audit.txt` into a set. The outcome has failed where a promise is not kept; the
/// files are written all the same.
///
/// # Errors
/// Those of reading the folder; [`StepError::Request`] where it holds nothing to audit;
/// [`StepError::Output`].
pub fn audit(desk: &Desk, dir: &Path, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let mut outcome = desk.outcome();
    if !dir.join(SITES).exists() && !dir.join(NETWORK).exists() {
        let what = format!("holds neither {SITES} nor {NETWORK}; name the --out folder of a run");
        return Err(StepError::Request { files: dir.display().to_string(), what });
    }
    desk.progress.stage("measuring anew what was written", None);
    let changes = changed::since_the_run(desk, dir)?;
    for change in &changes {
        outcome.warn(change.clone());
    }
    let audit = audit_of(desk, dir, dir)?;
    table::write(desk, &audit, &changes, set)?;
    let (sites, stations) = table::counts(&audit);
    outcome.say(format!(
        "{} and {} in the ground held against {} keep-outs, {} barred places{} and {}",
        counted(sites, "proposed site"),
        counted(stations, "station"),
        desk.job.keep_outs.len(),
        desk.job.never.len(),
        if desk.job.area.is_some() { ", the area" } else { "" },
        counted(audit.gaps, "closed gap"),
    ));
    match audit.breaches.len() {
        0 => outcome.say("every promise is kept"),
        n => {
            outcome.say(format!("{} not kept:", counted(n, "promise")));
            audit.breaches.iter().for_each(|breach| outcome.say(breach.to_string()));
        }
    }
    outcome.failed = !audit.breaches.is_empty();
    outcome.set("audit", table::summary(desk, &audit, &changes));
    Ok(outcome)
}

/// Reads the layers of a folder and holds them against the job. `called` is what the folder is called
/// in messages.
fn audit_of(desk: &Desk, folder: &Path, called: &Path) -> Result<Audit, StepError> {
    let written = read::written(folder, called)?;
    let rules = rules_of(desk)?;
    // What is odd in the layers of parcels is told where people are told.
    let parcels = report::parcels(desk, &mut Outcome::default())?;
    let parcels: Vec<Parcel> = parcels.into_iter().map(|p| Parcel { name: p.name, shape: p.shape }).collect();
    crate::audit::audit(&desk.job, &rules, &parcels, &written)
        .map_err(|e| StepError::Request { files: called.display().to_string(), what: e.to_string() })
}
