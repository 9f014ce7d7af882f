//! What the tests that run the program share.
#![allow(dead_code)] // each test file uses its own part of it

pub mod cases;
pub mod manifest;
pub mod promises;

use std::io::Write;
use std::path::{Path, PathBuf};

use assert_cmd::Command;
use serde_json::Value;

/// The program, ready to be given arguments.
pub fn stakeline() -> Command {
    Command::new(env!("CARGO_BIN_EXE_stakeline"))
}

/// What a run said: exit status, standard output, standard error.
pub fn said(command: &mut Command) -> (i32, String, String) {
    let output = command.output().unwrap();
    let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
    (output.status.code().unwrap_or(-1), text(&output.stdout), text(&output.stderr))
}

/// Says past the test harness, which holds back what passing tests print, that something is not tried.
pub fn skipped(what: &str) {
    let _ = writeln!(std::io::stderr(), "SKIPPED: {what}");
}

/// A folder of the real open data. The tests that ask for one are ignored unless they are asked for
/// (`cargo test real_data_ -- --ignored`), and fail where it is not at hand.
pub fn case(name: &str) -> PathBuf {
    cases::folder().join(name)
}

/// A JSON file.
pub fn json(path: &Path) -> Value {
    let text = std::fs::read_to_string(path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    serde_json::from_str(&text).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

/// A number inside a JSON value, by pointer.
pub fn number(value: &Value, pointer: &str) -> f64 {
    value.pointer(pointer).and_then(Value::as_f64).unwrap_or_else(|| panic!("no number at {pointer}"))
}
