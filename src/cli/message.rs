//! What people and programs are told.

use std::io::{self, Write};
use std::path::PathBuf;

use serde_json::{Map, Value};

use crate::steps::Outcome;

/// How the program talks.
pub(super) struct Talk {
    /// Nothing to standard error but errors.
    pub quiet: bool,
    /// One JSON object to standard output instead of sentences.
    pub json: bool,
}

impl Talk {
    /// What a command did. A reader that has gone away is no fault.
    pub(super) fn outcome(&self, command: &str, outcome: &Outcome, files: &[PathBuf]) {
        if !self.quiet {
            for warning in &outcome.warnings {
                note("warning", warning);
            }
        }
        let _ = if self.json { print_json(command, outcome, files) } else { print_lines(outcome, files) };
    }

    /// Why a command could not be done.
    pub(super) fn error(&self, what: &str) {
        for line in what.lines() {
            note("error", line);
        }
    }
}

fn note(kind: &str, what: &str) {
    let _ = writeln!(io::stderr().lock(), "{kind}: {what}");
}

fn print_lines(outcome: &Outcome, files: &[PathBuf]) -> io::Result<()> {
    let mut out = io::stdout().lock();
    for line in &outcome.lines {
        writeln!(out, "{line}")?;
    }
    if let Some(folder) = files.first().and_then(|f| f.parent()) {
        writeln!(out, "wrote {} files to {}", files.len(), folder.display())?;
    }
    out.flush()
}

fn print_json(command: &str, outcome: &Outcome, files: &[PathBuf]) -> io::Result<()> {
    let mut object = Map::new();
    object.insert("command".into(), command.into());
    object.extend(outcome.summary.clone());
    object.insert("warnings".into(), outcome.warnings.clone().into());
    object.insert("files".into(), files.iter().map(|f| f.display().to_string()).collect::<Vec<_>>().into());
    let mut out = io::stdout().lock();
    writeln!(out, "{:#}", Value::Object(object))?;
    out.flush()
}
