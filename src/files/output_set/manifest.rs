//! The file that names what a set holds.

use std::fs;
use std::io;
use std::path::{Component, Path};

use serde_json::{Map, Value, json};

/// The file that names what a set holds; its presence is the mark of a whole set.
pub const MANIFEST: &str = "manifest.json";

pub(super) fn write(folder: &Path, entries: &[(String, Value)]) -> io::Result<()> {
    let files: Map<String, Value> = entries.iter().cloned().collect();
    let manifest = json!({ "stakeline": env!("CARGO_PKG_VERSION"), "files": files });
    fs::write(folder.join(MANIFEST), format!("{manifest:#}\n"))
}

/// The files that the manifest of a folder names, if it has one. A name that leads out of the
/// folder is none of ours, whoever wrote it there.
pub(super) fn entries(folder: &Path) -> Option<Map<String, Value>> {
    let mut manifest: Value = serde_json::from_slice(&fs::read(folder.join(MANIFEST)).ok()?).ok()?;
    match manifest.get_mut("files")?.take() {
        Value::Object(mut files) => {
            files.retain(|name, _| stays_inside(name));
            Some(files)
        }
        _ => None,
    }
}

fn stays_inside(name: &str) -> bool {
    !name.is_empty() && Path::new(name).components().all(|c| matches!(c, Component::Normal(_)))
}
