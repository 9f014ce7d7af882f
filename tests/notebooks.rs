//! The worked notebooks: every command block is run, in the order of its page, and what it
//! prints is compared with the block of text that follows it.
//!
//! `STAKELINE_RENEW=1 cargo test --test notebooks` writes the blocks of text and the figures
//! anew.

use std::fs;
use std::path::Path;
use std::process::Command;

/// A stretch of a page: words, or a fenced block with its language.
#[derive(Clone, PartialEq, Debug)]
struct Part {
    language: Option<String>,
    text: String,
}

/// The parts of a page, in order; joined again they are the page.
fn parts(markdown: &str) -> Vec<Part> {
    let mut parts = vec![Part { language: None, text: String::new() }];
    for line in markdown.lines() {
        let last = parts.last_mut().unwrap();
        match (line.strip_prefix("```"), last.language.is_some()) {
            (Some(_), true) => parts.push(Part { language: None, text: String::new() }),
            (Some(language), false) => {
                parts.push(Part { language: Some(language.to_string()), text: String::new() });
            }
            (None, _) => {
                last.text.push_str(line);
                last.text.push('\n');
            }
        }
    }
    parts
}

fn page(parts: &[Part]) -> String {
    let mut page = String::new();
    for part in parts {
        match &part.language {
            Some(language) => page.push_str(&format!("```{language}\n{}```\n", part.text)),
            None => page.push_str(&part.text),
        }
    }
    page
}

/// Runs the commands of a block in a folder, with the program first in the search path; gives
/// what they print.
fn run(commands: &str, folder: &Path) -> String {
    let program = Path::new(env!("CARGO_BIN_EXE_stakeline")).parent().unwrap();
    let path = format!("{}:{}", program.display(), std::env::var("PATH").unwrap_or_default());
    let output = Command::new("sh")
        .args(["-e", "-c", commands])
        .current_dir(folder)
        .envs([("PATH", path.as_str()), ("COLUMNS", "100"), ("NO_COLOR", "1")])
        .output()
        .unwrap();
    assert!(output.status.success(), "{commands}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).unwrap()
}

/// The figures that a page shows are those that its own run of the sample property wrote.
fn check_figures(markdown: &str, name: &str, room: &Path) {
    let shelf = "../docs/images/";
    for link in markdown.split("](").skip(1).filter(|link| link.starts_with(&format!("{shelf}figure-"))) {
        let figure = link.split(')').next().unwrap().trim_start_matches(shelf);
        let now = fs::read(room.join("farm").join(figure)).unwrap();
        let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("docs/images").join(figure);
        if std::env::var_os("STAKELINE_RENEW").is_some() {
            fs::write(kept, now).unwrap();
        } else {
            assert!(fs::read(kept).unwrap() == now, "{name}: {figure} has changed");
        }
    }
}

/// Runs a page; gives it with what its commands print now, and how many blocks there were.
fn renewed(markdown: &str, name: &str) -> (String, usize) {
    let room = tempfile::tempdir().unwrap();
    let mut all = parts(markdown);
    let mut blocks = 0;
    for k in 0..all.len() {
        if all[k].language.as_deref() != Some("sh") {
            continue;
        }
        let printed = run(&all[k].text, room.path());
        // Between the two blocks lies an empty line.
        let output = all.get_mut(k + 2).filter(|part| part.language.as_deref() == Some("text"));
        output
            .unwrap_or_else(|| panic!("{name}: output is missing after {}", parts(markdown)[k].text))
            .text = printed;
        blocks += 1;
    }
    check_figures(markdown, name, room.path());
    (page(&all), blocks)
}

#[test]
fn every_notebook_shows_what_its_commands_print() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("notebooks-md");
    let mut blocks = 0;
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        let name = path.display().to_string();
        let markdown = fs::read_to_string(&path).unwrap();
        assert_eq!(page(&parts(&markdown)), markdown, "{name}: a block is not closed");
        let (now, found) = renewed(&markdown, &name);
        blocks += found;
        if std::env::var_os("STAKELINE_RENEW").is_some() {
            fs::write(&path, now).unwrap();
        } else if let Some((then, now)) = markdown.lines().zip(now.lines()).find(|(a, b)| a != b) {
            panic!("{name}: says\n  {then}\nbut the program prints\n  {now}");
        } else {
            assert_eq!(now, markdown, "{name}");
        }
    }
    assert!(blocks >= 4, "only {blocks} blocks were found");
}
