//! `demo`: writes the invented sample property and runs the whole job on it.

use std::io::Write;
use std::path::Path;

use super::{Outcome, Progress, StepError, commit, load, run, write_settings};
use crate::files::OutputSet;
use crate::plan::Plan;

/// The folder of the sample property inside the demo's folder.
const PROPERTY: &str = "property";

macro_rules! samples {
    ($($name:literal),+ $(,)?) => {
        [$(($name, include_str!(concat!("../../data-samples/", $name)))),+]
    };
}

/// The sample property: name and text of each file.
const SAMPLES: [(&str, &str); 17] = samples![
    "README.md",
    "plan.toml",
    "area.geojson",
    "boundary.geojson",
    "checks.csv",
    "creeks.geojson",
    "fences.geojson",
    "gates.geojson",
    "keep-outs.geojson",
    "parcels.geojson",
    "ridges.geojson",
    "road.geojson",
    "sign.geojson",
    "stations.geojson",
    "survey.geojson",
    "tracks.geojson",
    "wind.csv",
];

/// Writes the sample property to `dir/property` and the results of its plan to `dir`.
///
/// # Errors
/// [`StepError::Output`] where the folder has content or cannot be written; none of the
/// others should ever come up.
pub fn demo(dir: &Path, force: bool, progress: &dyn Progress) -> Result<Outcome, StepError> {
    let mut set = OutputSet::begin(dir, force)?;
    for (name, text) in SAMPLES {
        set.write(&format!("{PROPERTY}/{name}"), |out| out.write_all(text.as_bytes()))?;
    }
    let plan = plan_in(set.staging())?;
    let desk = load(&plan, progress)?;
    set.state_inputs(&desk.job.inputs);
    let mut outcome = run(&desk, &mut set)?;
    write_settings(&plan, &mut set)?;
    let written = commit(&desk, set)?;
    written.notes.iter().for_each(|note| outcome.warn(note));
    outcome
        .lines
        .insert(0, "a sample property, invented from beginning to end; its distances are no law".into());
    outcome.say(format!("open {} in a browser; it needs no network", dir.join("map.html").display()));
    outcome.say(format!("the property: {}", dir.join(PROPERTY).display()));
    outcome.say(format!("to change and run it again, in {}:", dir.display()));
    outcome.say(format!("  stakeline run {PROPERTY}/plan.toml --out again"));
    Ok(outcome)
}

/// The sample plan, with paths that start at the demo's folder.
fn plan_in(folder: &Path) -> Result<Plan, StepError> {
    let text = SAMPLES.iter().find(|(name, _)| *name == "plan.toml").map_or("", |(_, text)| *text);
    let plan = Plan::parse(&Path::new(PROPERTY).join("plan.toml"), text)?;
    Ok(Plan { base: folder.to_path_buf(), ..plan })
}
