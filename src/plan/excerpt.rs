//! A line of a text with a caret under the place that a message is about.

use std::fmt::Write as _;

/// Characters of a long line shown before and after the place that is pointed at.
const SHOWN_BEFORE: usize = 40;
const SHOWN_AFTER: usize = 36;

/// A line break, then the line and a caret under its column (from 1, in bytes); of a long line,
/// the part about it.
pub(crate) fn pointed_at(text: &str, line: usize, column: usize) -> String {
    let before = text.as_bytes().get(..column.saturating_sub(1)).unwrap_or(text.as_bytes());
    let at = String::from_utf8_lossy(before).chars().count();
    let start = at.saturating_sub(SHOWN_BEFORE);
    let part: String = text.chars().skip(start).take(SHOWN_BEFORE + SHOWN_AFTER).collect();
    let (head, tail) = (
        if start > 0 { "…" } else { "" },
        if text.chars().count() > start + part.chars().count() { "…" } else { "" },
    );
    let number = line.to_string();
    let mut shown = format!("\n {number} | {head}{part}{tail}\n");
    let indent = number.len() + 4 + head.chars().count() + (at - start);
    let _ = write!(shown, "{}^", " ".repeat(indent));
    shown
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_caret_stands_under_the_column() {
        assert_eq!(pointed_at("{\"a\" 1}", 3, 6), "\n 3 | {\"a\" 1}\n          ^");
        // Two bytes of one letter count once.
        assert_eq!(pointed_at("é!x", 1, 4), "\n 1 | é!x\n       ^");
        let long = "x".repeat(500);
        let shown = pointed_at(&long, 1, 300);
        assert!(shown.lines().all(|l| l.chars().count() < 90), "{shown}");
        let caret = shown.lines().last().unwrap().chars().count() - 1;
        assert_eq!(shown.lines().nth(1).unwrap().chars().nth(caret), Some('x'));
    }
}
