//! The file that names what a set holds.

use std::fs::{self, File};
use std::io::{self, Write};
use std::path::{Component, Path};

use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};

use crate::files::read::hex;
use crate::files::write::InputFile;

/// The file that names what a set holds; its presence is the mark of a whole set.
pub const MANIFEST: &str = "manifest.json";

/// What a set holds and which inputs it was made from.
#[derive(Clone, PartialEq, Debug, Default)]
pub(super) struct Manifest {
    /// The hash of each file, by its name in the folder.
    pub files: Map<String, Value>,
    /// The inputs; `None` in a manifest that does not say.
    pub inputs: Option<Vec<InputFile>>,
}

impl Manifest {
    /// The manifest of a folder, if it has one that a run wrote. A name that leads out of the
    /// folder is none of ours, whoever wrote it there.
    pub(super) fn read(folder: &Path) -> Option<Self> {
        let path = folder.join(MANIFEST);
        if !path.symlink_metadata().ok()?.is_file() {
            return None;
        }
        let manifest: Value = serde_json::from_slice(&fs::read(path).ok()?).ok()?;
        manifest.get("stakeline")?.as_str()?;
        let mut files = manifest.get("files")?.as_object()?.clone();
        files.retain(|name, _| stays_inside(name));
        let inputs = manifest.get("inputs").and_then(Value::as_array);
        Some(Self { files, inputs: inputs.map(|all| all.iter().filter_map(InputFile::from_json).collect()) })
    }

    pub(super) fn write(&self, folder: &Path) -> io::Result<()> {
        let mut manifest = json!({ "stakeline": env!("CARGO_PKG_VERSION"), "files": self.files });
        if let (Some(inputs), Some(members)) = (&self.inputs, manifest.as_object_mut()) {
            members.insert("inputs".into(), inputs.iter().map(InputFile::to_json).collect());
        }
        fs::write(folder.join(MANIFEST), format!("{manifest:#}\n"))
    }

    /// Whether a file is there as the manifest says that it was written.
    pub(super) fn holds(&self, folder: &Path, name: &str) -> io::Result<bool> {
        let (path, Some(entry)) = (folder.join(name), self.files.get(name)) else { return Ok(false) };
        if !path.symlink_metadata().is_ok_and(|m| m.is_file()) {
            return Ok(false);
        }
        let said = |key: &str| entry.get(key).and_then(Value::as_str);
        match (said("sha256"), said("sha256_without_seconds")) {
            (Some(sha256), _) => Ok(hash_file(&path)? == sha256),
            (None, Some(sha256)) => {
                let summary = serde_json::from_slice(&fs::read(&path)?).ok();
                Ok(summary.and_then(|s| hash_without_seconds(&s)).is_some_and(|found| found == sha256))
            }
            (None, None) => Ok(false),
        }
    }
}

fn stays_inside(name: &str) -> bool {
    !name.is_empty() && Path::new(name).components().all(|c| matches!(c, Component::Normal(_)))
}

/// The hash of a summary that has a member `seconds`, without it.
pub(super) fn hash_without_seconds(summary: &Value) -> Option<String> {
    let mut lasting = summary.clone();
    lasting.as_object_mut()?.remove("seconds")?;
    Some(hex(&Sha256::digest(lasting.to_string().as_bytes())))
}

/// SHA-256 of a file in hexadecimal.
pub(super) fn hash_file(path: &Path) -> io::Result<String> {
    let mut hash = Sha256::new();
    io::copy(&mut File::open(path)?, &mut HashSink(&mut hash))?;
    Ok(hex(&hash.finalize()))
}

struct HashSink<'a>(&'a mut Sha256);

impl Write for HashSink<'_> {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        self.0.update(bytes);
        Ok(bytes.len())
    }
    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
