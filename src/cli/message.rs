//! What people and programs are told.

use std::borrow::Cow;
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
        for line in harmless(what).lines() {
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
        let text = broken(&format!("{kind}: {}", harmless(what).replace('\n', " ")), width).join("\n");
        let rest = text.strip_prefix(kind).unwrap_or(&text);
        let _ = writeln!(out, "{style}{kind}{style:#}{rest}");
    }
}

fn print_lines(outcome: &Outcome, written: Option<&Committed>) -> io::Result<()> {
    let width = width_of(&io::stdout());
    let mut out = io::stdout().lock();
    for piece in outcome.lines.iter().flat_map(|line| broken(&harmless(line), width)) {
        writeln!(out, "{piece}")?;
    }
    if let Some(Committed { folder, files, .. }) = written {
        writeln!(out, "wrote {} files to {}", files.len(), harmless(&folder.display().to_string()))?;
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
    writeln!(out, "{}", harmless_json(&format!("{:#}", Value::Object(object))))?;
    out.flush()
}

/// Whether a character would do something to a terminal instead of standing in it: control
/// characters, and the marks that turn the direction of what follows.
fn acts(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{61c}' | '\u{200e}' | '\u{200f}' | '\u{2028}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
}

/// A text in which such characters are spelt out, for ids and names come from files; line ends stay.
pub(super) fn harmless(text: &str) -> Cow<'_, str> {
    let bad = |c: char| acts(c) && c != '\n';
    if !text.contains(bad) {
        return Cow::Borrowed(text);
    }
    text.chars()
        .flat_map(|c| {
            let spelt = if bad(c) { c.escape_unicode().to_string() } else { c.to_string() };
            spelt.chars().collect::<Vec<_>>()
        })
        .collect::<String>()
        .into()
}

/// The same for JSON text, in which such characters stand within strings alone.
fn harmless_json(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        if acts(c) && c != '\n' {
            out.push_str(&format!("\\u{:04x}", u32::from(c)));
        } else {
            out.push(c);
        }
    }
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_from_files_do_nothing_to_a_terminal() {
        let told = harmless("S1\u{1b}[2J\u{7}\u{9b}31m\rgone\u{202e}\nnext");
        assert_eq!(told, "S1\\u{1b}[2J\\u{7}\\u{9b}31m\\u{d}gone\\u{202e}\nnext");
        assert_eq!(harmless("Müller’s café – 12 m²\n"), "Müller’s café – 12 m²\n");
    }

    #[test]
    fn json_says_the_same_after_it_is_made_harmless() {
        let value = Value::from("S1\u{1b}[2J\u{9b}31m\u{7f}\u{202e}ü\n");
        let text = harmless_json(&format!("{value:#}"));
        assert!(!text.contains(acts), "{text:?}");
        assert_eq!(serde_json::from_str::<Value>(&text).unwrap(), value);
    }
}
