//! The worked notebooks: every command block is run and its output compared with the block
//! of text that follows it.

mod support;

use std::fs;
use std::path::Path;

use support::{said, stakeline};

/// A fenced block: its language and its lines.
fn blocks(markdown: &str) -> Vec<(String, String)> {
    let mut found = Vec::new();
    let mut open: Option<(String, String)> = None;
    for line in markdown.lines() {
        match (&mut open, line.strip_prefix("```")) {
            (None, Some(language)) => open = Some((language.to_string(), String::new())),
            (Some(_), Some(_)) => found.extend(open.take()),
            (Some((_, text)), None) => {
                text.push_str(line);
                text.push('\n');
            }
            (None, None) => {}
        }
    }
    found
}

/// Runs the commands of a block in a folder; gives what they print.
fn run(commands: &str, folder: &Path) -> String {
    let mut printed = String::new();
    for command in commands.lines().filter(|l| !l.trim().is_empty()) {
        let words: Vec<&str> = command.split_whitespace().collect();
        assert_eq!(words[0], "stakeline", "only the program itself is run: {command}");
        let (status, out, err) = said(stakeline().current_dir(folder).args(&words[1..]));
        assert_eq!(status, 0, "{command}: {err}");
        printed.push_str(&out);
    }
    printed
}

#[test]
fn every_notebook_shows_what_its_commands_print() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("notebooks-md");
    let mut checked = 0;
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let room = tempfile::tempdir().unwrap();
        let markdown = fs::read_to_string(&path).unwrap();
        let all = blocks(&markdown);
        for pair in all.windows(2).filter(|pair| pair[0].0 == "sh") {
            let printed = run(&pair[0].1, room.path());
            assert_eq!(pair[1].0, "text", "{}: output is missing after {}", path.display(), pair[0].1);
            assert_eq!(printed, pair[1].1, "{}: {}", path.display(), pair[0].1);
            checked += 1;
        }
    }
    assert!(checked >= 4, "only {checked} blocks were found");
}
