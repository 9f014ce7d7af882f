//! What people and programs are told.

use std::io::{self, Write};

use anstream::AutoStream;
use anstyle::AnsiColor;
use serde_json::{Map, Value};

use super::terminal::{Colour, broken, width_of};
use crate::files::Committed;
use crate::steps::Outcome;

/// How the program talks.
pub(super) struct Talk {
    /// Nothing to standard error but errors.
    pub quiet: bool,
    /// One JSON object to standard output instead of sentences.
    pub json: bool,
    /// When colour is used.
    pub colour: Colour,
}

impl Talk {
    /// What a command did. A reader that has gone away is no fault.
    pub(super) fn outcome(&self, command: &str, outcome: &Outcome, written: Option<&Committed>) {
        if !self.quiet {
            for warning in &outcome.warnings {
                self.note("warning", AnsiColor::Yellow, warning);
            }
        }
        let _ = if self.json { print_json(command, outcome, written) } else { print_lines(outcome, written) };
    }

    /// Why a command could not be done.
    pub(super) fn error(&self, what: &str) {
        for line in what.lines() {
            // A line of the file and the caret under it stand as they are.
            match line.starts_with(' ') {
                true => drop(writeln!(io::stderr(), "{line}")),
                false => self.note("error", AnsiColor::Red, line),
            }
        }
    }

    /// The kind in colour, the rest plain: nothing is said by colour alone.
    fn note(&self, kind: &str, colour: AnsiColor, what: &str) {
        let style = colour.on_default().bold();
        let width = width_of(&io::stderr());
        let mut out = AutoStream::new(io::stderr(), self.colour.of_messages()).lock();
        let text = broken(&format!("{kind}: {what}"), width).join("\n");
        let rest = text.strip_prefix(kind).unwrap_or(&text);
        let _ = writeln!(out, "{style}{kind}{style:#}{rest}");
    }
}

fn print_lines(outcome: &Outcome, written: Option<&Committed>) -> io::Result<()> {
    let width = width_of(&io::stdout());
    let mut out = io::stdout().lock();
    for piece in outcome.lines.iter().flat_map(|line| broken(line, width)) {
        writeln!(out, "{piece}")?;
    }
    if let Some(Committed { folder, files, .. }) = written {
        writeln!(out, "wrote {} files to {}", files.len(), folder.display())?;
    }
    out.flush()
}

fn print_json(command: &str, outcome: &Outcome, written: Option<&Committed>) -> io::Result<()> {
    let mut object = Map::new();
    object.insert("command".into(), command.into());
    object.extend(outcome.summary.clone());
    object.insert("warnings".into(), outcome.warnings.clone().into());
    let files = written.iter().flat_map(|w| &w.files).map(|f| f.display().to_string());
    object.insert("files".into(), files.collect::<Vec<_>>().into());
    let mut out = io::stdout().lock();
    writeln!(out, "{:#}", Value::Object(object))?;
    out.flush()
}
