//! Data flows one way: a room of the crate uses only rooms above it.

use std::fs;
use std::path::{Path, PathBuf};

/// The rooms from top to bottom, as DEVELOPERS.md draws them.
const ROOMS: [&str; 18] = [
    "record",
    "frame",
    "plan",
    "files",
    "job",
    "statistics",
    "terrain",
    "network",
    "surface",
    "siting",
    "season",
    "round",
    "checks",
    "verdict",
    "audit",
    "report",
    "steps",
    "cli",
];

fn rust_files(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

fn level(room: &str) -> Option<usize> {
    ROOMS.iter().position(|&r| r == room)
}

/// The rooms that a line of code names through `crate::`.
fn named(line: &str) -> impl Iterator<Item = &str> {
    line.split("crate::").skip(1).map(|rest| {
        let end = rest.find(|c: char| !c.is_alphanumeric() && c != '_').unwrap_or(rest.len());
        &rest[..end]
    })
}

#[test]
fn no_room_uses_a_room_below_it() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut files = Vec::new();
    rust_files(&src, &mut files);
    assert!(files.len() > 20, "the sources were not found");
    let mut upward = Vec::new();
    for file in files {
        let inside = file.strip_prefix(&src).unwrap();
        let room = inside.iter().next().unwrap().to_str().unwrap().trim_end_matches(".rs");
        let Some(own) = level(room) else { continue };
        for (number, line) in fs::read_to_string(&file).unwrap().lines().enumerate() {
            let code = line.split("//").next().unwrap_or("");
            for used in named(code).filter_map(level).filter(|&used| used > own) {
                upward.push(format!("{}:{} uses {}", inside.display(), number + 1, ROOMS[used]));
            }
        }
    }
    assert!(upward.is_empty(), "imports that point upward:\n{}", upward.join("\n"));
}

#[test]
fn every_folder_of_the_sources_is_a_known_room() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    for entry in fs::read_dir(src).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            let name = path.file_name().unwrap().to_str().unwrap().to_string();
            assert!(level(&name).is_some(), "{name} is not a room of DEVELOPERS.md");
        }
    }
}

/// What the auditor may use: plain types, and how they come out of files.
const AUDITED_WITH: [&str; 5] = ["audit", "record", "frame", "files", "job"];

#[test]
fn the_auditor_shares_nothing_with_the_planner() {
    let mut files = Vec::new();
    rust_files(&Path::new(env!("CARGO_MANIFEST_DIR")).join("src/audit"), &mut files);
    assert!(files.len() > 8, "the auditor was not found");
    for file in files {
        for (number, line) in fs::read_to_string(&file).unwrap().lines().enumerate() {
            let code = line.split("//").next().unwrap_or("");
            for used in named(code) {
                assert!(AUDITED_WITH.contains(&used), "{}:{} uses {used}", file.display(), number + 1);
            }
        }
    }
}
