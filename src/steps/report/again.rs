//! An output folder opened again: whether it is still what a run left there, and whether it still
//! fits the inputs that it was made from.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use serde_json::Value;

use super::drawn;
use super::layers::{READ_BACK, layers};
use crate::files::write::InputFile;
use crate::files::{OutputSet, read_text};
use crate::plan::Plan;
use crate::steps::written::counted;
use crate::steps::{Desk, Outcome, StepError};

/// The plan that every run leaves beside its outputs.
const SETTINGS: &str = "settings.toml";

/// How many folders round the output folder are looked through for inputs.
const FOLDERS_ROUND: usize = 4;

/// The layers that tell the inputs of a set whose manifest does not, small ones first.
const TELLING: [&str; 6] = [
    "sites.geojson",
    "hot-areas.geojson",
    "near-misses.geojson",
    "change-areas.geojson",
    "round.geojson",
    "checks.geojson",
];

/// Opens the folder of an earlier run and the plan that it left there.
///
/// Relative paths of that plan start at `inputs`, where that is given, or else at the working
/// directory, as its first line says. What is not there is looked for in the folder itself and in
/// those round it, so that a folder that was moved together with its inputs still works; whether
/// what is found is the same is for [`report_again`] to say.
///
/// # Errors
/// [`StepError::Output`], [`StepError::Files`], [`StepError::Plan`]; [`StepError::Request`] with
/// every input that is not found, and where it was looked for.
pub fn reopen(dir: &Path, inputs: Option<&Path>) -> Result<(OutputSet, Plan), StepError> {
    let mut set = OutputSet::reopen(dir)?;
    let mut plan = settings_in(dir)?;
    let folders = match inputs {
        Some(folder) => vec![folder.to_path_buf()],
        None => folders_round(dir),
    };
    let mut lost = find_inputs(&mut plan, &folders);
    if !lost.is_empty() {
        lost.sort();
        lost.dedup();
        let told = |p: &PathBuf| if p.as_os_str().is_empty() { ".".into() } else { p.display().to_string() };
        let looked: Vec<String> = folders.iter().map(told).collect();
        return Err(StepError::Request {
            files: dir.join(SETTINGS).display().to_string(),
            what: format!(
                "names {} that are not found: {}; they were looked for in {}. Run the command in the folder that the \
                 run was made from, name that folder with --inputs, or make the run again where the inputs are now",
                counted(lost.len(), "input"),
                lost.join(", "),
                looked.join(", "),
            ),
        });
    }
    set.keep_inputs(plan.every_path().iter().map(PathBuf::as_path));
    Ok((set, plan))
}

/// The plan that a run left in its folder, its inputs looked for as [`reopen`] does; those that are not
/// found keep the paths that they had.
///
/// # Errors
/// [`StepError::Files`], [`StepError::Plan`].
pub fn plan_left_in(dir: &Path) -> Result<Plan, StepError> {
    let mut plan = settings_in(dir)?;
    find_inputs(&mut plan, &folders_round(dir));
    Ok(plan)
}

fn settings_in(dir: &Path) -> Result<Plan, StepError> {
    let file = dir.join(SETTINGS);
    let (text, _) = read_text(&file).map_err(|e| StepError::Files(vec![e]))?;
    Ok(Plan::parse(&file, &text)?)
}

/// The working directory, the output folder and those round it.
fn folders_round(dir: &Path) -> Vec<PathBuf> {
    let target = std::path::absolute(dir).unwrap_or_else(|_| dir.to_path_buf());
    let around = target.ancestors().take(FOLDERS_ROUND).map(Path::to_path_buf);
    std::iter::once(PathBuf::new()).chain(around).collect()
}

/// Lets the paths of a plan lead to where its inputs are; gives those that are in no folder.
fn find_inputs(plan: &mut Plan, folders: &[PathBuf]) -> Vec<String> {
    let mut lost = Vec::new();
    for path in plan.paths_mut() {
        match folders.iter().find_map(|folder| found_in(folder, path)) {
            Some(found) => *path = found,
            None => lost.push(path.display().to_string()),
        }
    }
    lost
}

/// A path that starts at a folder, or else as much of its end as is there.
fn found_in(folder: &Path, path: &Path) -> Option<PathBuf> {
    let whole = folder.join(path);
    if whole.exists() {
        return Some(whole);
    }
    let parts: Vec<_> = path.components().filter(|c| matches!(c, std::path::Component::Normal(_))).collect();
    (0..parts.len()).map(|k| folder.join(parts.iter().skip(k).collect::<PathBuf>())).find(|p| p.is_file())
}

/// Draws the report of a folder that an earlier run wrote. Where a file that it is drawn from, or
/// an input of that run, is not as the run left it, that is told and nothing is written, unless
/// the set is wanted as it stands: the pages then say what has changed.
///
/// # Errors
/// [`StepError::Request`] with all that has changed; those of [`super::report`].
pub fn report_again(desk: &Desk, set: &mut OutputSet, as_it_stands: bool) -> Result<Outcome, StepError> {
    let mut since = changed_files(set)?;
    since.extend(changed_inputs(stated_inputs(set)?, &desk.job.inputs));
    let folder = set.target().display().to_string();
    if since.is_empty() || as_it_stands {
        let mut outcome = drawn(desk, set, &since)?;
        for what in &since {
            outcome.warn(format!("{folder}: {what}; the pages say so"));
        }
        if as_it_stands {
            outcome.set("changed_since", since);
        }
        return Ok(outcome);
    }
    // What is wrong inside a changed file is told with it.
    let inside = layers(set.staging(), set.target()).err().map(|why| format!("\n{why}")).unwrap_or_default();
    Err(StepError::Request {
        files: folder,
        what: format!(
            "no longer as the run left it, so no sheets are written for the crew: {}; make the run again (places \
             moved by hand can be given to it with --must), or pass --as-it-stands for pages that say what has \
             changed{inside}",
            since.join("; ")
        ),
    })
}

/// Files that the report is drawn from and that are not as the run wrote them.
fn changed_files(set: &OutputSet) -> Result<Vec<String>, StepError> {
    let read_back = |name: &String| READ_BACK.contains(&name.as_str());
    let said = |name: String| match set.target().join(&name).exists() {
        true => format!("{name} was changed after the run wrote it"),
        false => format!("{name} is missing"),
    };
    Ok(set.changed()?.into_iter().filter(read_back).map(said).collect())
}

/// The inputs that the set was made from, from its manifest or, where an earlier version wrote that,
/// from one of its layers.
fn stated_inputs(set: &OutputSet) -> Result<Option<Vec<InputFile>>, StepError> {
    if let Some(inputs) = set.standing_inputs() {
        return Ok(Some(inputs.to_vec()));
    }
    let Some(layer) = TELLING.iter().map(|name| set.target().join(name)).find(|path| path.exists()) else {
        return Ok(None);
    };
    let (text, _) = read_text(&layer).map_err(|e| StepError::Files(vec![e]))?;
    let layer: Value = serde_json::from_str(&text).unwrap_or_default();
    let inputs = layer.pointer("/stakeline/inputs").and_then(Value::as_array);
    Ok(inputs.map(|all| all.iter().filter_map(InputFile::from_json).collect()))
}

/// What is read now and was not then, or is not the same any more.
fn changed_inputs(then: Option<Vec<InputFile>>, now: &[InputFile]) -> Vec<String> {
    let Some(then) = then else {
        return vec!["the set does not say which inputs it was made from".to_string()];
    };
    /// The hashes of the files of one name and role.
    type Hashes<'a> = Vec<&'a str>;
    let mut files: BTreeMap<(&str, &str), (Hashes, Hashes)> = BTreeMap::new();
    for input in &then {
        files.entry((&input.file, &input.role)).or_default().0.push(&input.sha256);
    }
    for input in now {
        files.entry((&input.file, &input.role)).or_default().1.push(&input.sha256);
    }
    let mut said: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for ((file, role), (mut then, mut now)) in files {
        then.sort_unstable();
        now.sort_unstable();
        let what = match (then.is_empty(), now.is_empty()) {
            _ if then == now => continue,
            (true, _) => format!("{file} was not read by the run"),
            (_, true) => format!("{file} was read by the run and is not read now"),
            _ => format!("{file} has changed since the run read it"),
        };
        said.entry(what).or_default().push(role);
    }
    said.into_iter().map(|(what, roles)| format!("{what} ({})", roles.join(", ").replace('_', "-"))).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn input(role: &str, file: &str, sha256: &str) -> InputFile {
        InputFile { role: role.into(), file: file.into(), sha256: sha256.into() }
    }

    #[test]
    fn changed_inputs_are_told_once_with_their_roles() {
        let then = vec![
            input("keep_out", "road.geojson", "a"),
            input("line", "road.geojson", "a"),
            input("sign", "sign.csv", "b"),
            input("sign", "sign.csv", "c"),
            input("wind", "wind.csv", "d"),
        ];
        let now = [
            input("keep_out", "road.geojson", "z"),
            input("line", "road.geojson", "z"),
            input("sign", "sign.csv", "c"),
            input("sign", "sign.csv", "b"),
            input("area", "area.geojson", "e"),
        ];
        let told = changed_inputs(Some(then.clone()), &now);
        assert_eq!(
            told,
            [
                "area.geojson was not read by the run (area)",
                "road.geojson has changed since the run read it (keep-out, line)",
                "wind.csv was read by the run and is not read now (wind)",
            ]
        );
        assert_eq!(changed_inputs(Some(then.clone()), &then), Vec::<String>::new());
        assert_eq!(changed_inputs(None, &now).len(), 1);
    }
}
