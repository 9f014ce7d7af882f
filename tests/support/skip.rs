//! Saying aloud that a test is skipped.

use std::io::Write;

/// Says so past the test harness, which holds back what passing tests print.
pub fn skipped(what: &str) {
    let _ = writeln!(std::io::stderr(), "SKIPPED: {what}");
}
