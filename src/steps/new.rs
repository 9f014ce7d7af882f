//! `new`: a folder with a commented plan to start from.

use std::io::Write;
use std::path::Path;

use super::{Outcome, StepError};
use crate::files::OutputSet;
use crate::plan::{Plan, template};

/// Writes `plan.toml` and its JSON Schema into a folder.
///
/// # Errors
/// [`StepError::Output`] where the folder has content already or cannot be written.
pub fn new(dir: &Path, force: bool) -> Result<Outcome, StepError> {
    let name =
        dir.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_else(|| "this place".into());
    let mut set = OutputSet::begin(dir, force)?;
    set.write("plan.toml", |out| out.write_all(template(&name).as_bytes()))?;
    set.write("plan.schema.json", |out| writeln!(out, "{:#}", Plan::schema()))?;
    let written = set.commit()?;
    let mut outcome = Outcome::default();
    written.notes.iter().for_each(|note| outcome.warn(note));
    outcome.say(format!("wrote {}", dir.join("plan.toml").display()));
    outcome.say("put your files beside it, name them in it, then: stakeline inspect plan.toml");
    Ok(outcome)
}
