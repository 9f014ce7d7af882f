//! The layers of a folder, read back.

use std::path::Path;

use serde_json::Value;

use crate::audit::{NEAR_MISSES, NETWORK, SITES, Said, Written};
use crate::files::{FileError, RawFeature, ReadAs, read_features, read_text};
use crate::steps::StepError;

/// What a folder holds; a file that is not there holds nothing.
pub(super) fn written(folder: &Path, called: &Path) -> Result<Written, StepError> {
    let mut written = Written::default();
    type Take = fn(&mut Written, &RawFeature);
    let layers: [(&str, Take); 3] =
        [(SITES, Written::site), (NETWORK, Written::edge), (NEAR_MISSES, Written::near_miss)];
    for (name, take) in layers {
        let (place, path) = (folder.join(name), called.join(name));
        if place.exists() {
            read_features(&place, &path, ReadAs::Points, &mut |raw| take(&mut written, &raw))
                .map_err(|e| StepError::Files(vec![e]))?;
        }
    }
    stations(folder, called, &mut written)?;
    Ok(written)
}

/// What `sites.json` says is to be done with the stations in the ground.
fn stations(folder: &Path, called: &Path, written: &mut Written) -> Result<(), StepError> {
    let place = folder.join("sites.json");
    if !place.exists() {
        return Ok(());
    }
    let (text, _) = read_text(&place).map_err(|e| StepError::Files(vec![e]))?;
    let broken =
        |e: serde_json::Error| FileError::Format { path: called.join("sites.json"), what: e.to_string() };
    let summary: Value = serde_json::from_str(&text).map_err(|e| StepError::Files(vec![broken(e)]))?;
    for told in summary.get("stations").and_then(Value::as_array).into_iter().flatten() {
        let word = |name: &str| told.get(name).and_then(Value::as_str);
        if let (Some(id), Some(verdict)) = (word("station_id"), word("verdict")) {
            let said = match verdict {
                "keep" => Said::Fit,
                // The check log has lifted it already: it keeps nothing away.
                "none" => Said::Gone,
                _ => Said::Unfit,
            };
            written.station(id, said);
        }
    }
    Ok(())
}
