//! What changed since the run: inputs against the hashes that its files state, its own files against
//! the manifest.

use std::fs::{self, File};
use std::io::{BufRead, BufReader};
use std::path::Path;

use serde_json::Value;
use sha2::{Digest, Sha256};

use crate::audit::{NEAR_MISSES, NETWORK, SITES};
use crate::files::{FileError, MANIFEST};
use crate::steps::{Desk, StepError};

/// So many lines of a GeoJSON file of ours hold its origin.
const HEAD_LINES: usize = 3;

/// Every difference in words, each a line.
pub(super) fn since_the_run(desk: &Desk, dir: &Path) -> Result<Vec<String>, StepError> {
    let mut said = own_files(dir)?;
    match recorded_inputs(dir) {
        Some(recorded) => said.extend(inputs(desk, &recorded)),
        None => said.push(
            "no file of the set states the inputs of the run; whether they changed is not known".into(),
        ),
    }
    Ok(said)
}

/// The files that the audit reads, against the manifest of the folder.
fn own_files(dir: &Path) -> Result<Vec<String>, StepError> {
    let Ok(bytes) = fs::read(dir.join(MANIFEST)) else {
        return Ok(vec![format!("there is no {MANIFEST}; whether files were changed is not known")]);
    };
    let broken = |e: serde_json::Error| {
        StepError::Files(vec![FileError::Format { path: dir.join(MANIFEST), what: e.to_string() }])
    };
    let manifest: Value = serde_json::from_slice(&bytes).map_err(broken)?;
    let mut said = Vec::new();
    for name in [SITES, NETWORK, NEAR_MISSES] {
        let Some(known) = manifest.pointer(&format!("/files/{name}/sha256")).and_then(Value::as_str) else {
            continue;
        };
        match fs::read(dir.join(name)) {
            Ok(bytes) if hex(&bytes) == known => {}
            Ok(_) => {
                said.push(format!("{name} was changed after the run wrote it; it is audited as it is now"))
            }
            Err(_) => said.push(format!("{name} is no longer there, and nothing of it was audited")),
        }
    }
    Ok(said)
}

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// Role, file and hash of every input that the manifest states, or else the first file with an
/// origin: manifests of earlier versions name no inputs.
fn recorded_inputs(dir: &Path) -> Option<Vec<(String, String, String)>> {
    let manifest = || serde_json::from_slice::<Value>(&fs::read(dir.join(MANIFEST)).ok()?).ok();
    let names = [SITES, NETWORK, NEAR_MISSES, "candidates.geojson", "nodes.geojson"];
    let stated = manifest().and_then(|m| m.get("inputs").cloned());
    let inputs = stated.or_else(|| names.iter().find_map(|name| origin(&dir.join(name))))?;
    let text = |v: &Value, key: &str| v.get(key).and_then(Value::as_str).map(str::to_string);
    inputs
        .as_array()?
        .iter()
        .map(|v| Some((text(v, "role")?, text(v, "file")?, text(v, "sha256")?)))
        .collect()
}

/// The inputs in the foreign member `stakeline`, which stands on a line of its own near the top.
fn origin(path: &Path) -> Option<Value> {
    let file = BufReader::new(File::open(path).ok()?);
    let line =
        file.lines().take(HEAD_LINES).map_while(Result::ok).find(|l| l.starts_with("\"stakeline\":"))?;
    let member = line.strip_prefix("\"stakeline\":")?.trim_end_matches(',');
    serde_json::from_str::<Value>(member).ok()?.get_mut("inputs").map(Value::take)
}

fn inputs(desk: &Desk, recorded: &[(String, String, String)]) -> Vec<String> {
    let now = &desk.job.inputs;
    let mut said = Vec::new();
    for (role, file, sha256) in recorded {
        let same: Vec<_> = now.iter().filter(|i| i.role == *role && i.file == *file).collect();
        if same.is_empty() {
            said.push(format!("{file} ({role}) was an input of the run and is none of this audit"));
        } else if same.iter().all(|i| i.sha256 != *sha256) {
            said.push(format!("{file} ({role}) has changed since the run"));
        }
    }
    for input in now {
        if !recorded.iter().any(|(role, file, _)| *role == input.role && *file == input.file) {
            said.push(format!(
                "{} ({}) is an input of this audit and was none of the run",
                input.file, input.role
            ));
        }
    }
    said
}
