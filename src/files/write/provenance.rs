//! Where a result came from: version, settings, inputs.

use serde_json::{Value, json};

/// One input file of a run.
#[derive(Clone, PartialEq, Eq, PartialOrd, Ord, Debug)]
pub struct InputFile {
    /// What it was read as: `sign`, `line`, `keep_out`, …
    pub role: String,
    /// Its name, without folders, so that outputs do not depend on where inputs lie.
    pub file: String,
    /// SHA-256 of its bytes in hexadecimal.
    pub sha256: String,
}

impl InputFile {
    /// Of what outputs state; `None` where it is no input.
    pub fn from_json(stated: &Value) -> Option<Self> {
        let text = |key: &str| stated.get(key)?.as_str().map(str::to_string);
        Some(Self { role: text("role")?, file: text("file")?, sha256: text("sha256")? })
    }

    /// As outputs state it.
    pub fn to_json(&self) -> Value {
        json!({ "role": self.role, "file": self.file, "sha256": self.sha256 })
    }
}

/// What every output says of its origin. It holds no time, thread count or output path, so
/// that the same input and settings give the same bytes.
#[derive(Clone, PartialEq, Debug)]
pub struct Provenance {
    /// The settings that acted, defaults included.
    pub settings: Value,
    /// The inputs, in the order they were given.
    pub inputs: Vec<InputFile>,
}

impl Provenance {
    /// The foreign member `stakeline` of GeoJSON outputs.
    pub fn to_json(&self) -> Value {
        let inputs: Vec<Value> = self.inputs.iter().map(InputFile::to_json).collect();
        json!({ "version": env!("CARGO_PKG_VERSION"), "settings": self.settings, "inputs": inputs })
    }
}
