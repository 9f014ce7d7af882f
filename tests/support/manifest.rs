//! A whole set, as its manifest has it.

use std::fs;
use std::path::Path;

use serde_json::Value;
use sha2::{Digest, Sha256};

use super::json;

fn hex(bytes: &[u8]) -> String {
    Sha256::digest(bytes).iter().map(|b| format!("{b:02x}")).collect()
}

/// Every file that the manifest names is there with its hash, and no other but the user's own.
pub fn assert_whole(out: &Path, own: &[&str]) {
    let manifest = json(&out.join("manifest.json"));
    let files = manifest["files"].as_object().unwrap();
    assert!(!files.is_empty());
    for (name, entry) in files {
        let bytes = fs::read(out.join(name)).unwrap_or_else(|e| panic!("{name}: {e}"));
        match entry["sha256"].as_str() {
            Some(hash) => assert_eq!(hash, hex(&bytes), "{name}"),
            None => {
                let mut summary: Value = serde_json::from_slice(&bytes).unwrap();
                summary.as_object_mut().unwrap().remove("seconds").unwrap();
                assert_eq!(entry["sha256_without_seconds"], hex(summary.to_string().as_bytes()), "{name}");
            }
        }
    }
    for entry in fs::read_dir(out).unwrap() {
        let name = entry.unwrap().file_name().into_string().unwrap();
        let known = files.contains_key(&name) || name == "manifest.json" || own.contains(&name.as_str());
        assert!(known, "{name} is in the set but not in its manifest");
    }
}
