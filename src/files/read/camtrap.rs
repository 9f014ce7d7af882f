//! Camtrap DP (Camera Trap Data Package, TDWG, version 1): a `datapackage.json` and the tables
//! that it names. Read as points it gives the animals seen, one record an observation; read as
//! effort it gives the deployments, each with its nights. Blanks, people, vehicles and what
//! nobody classified are left out and counted.

use std::collections::{BTreeMap, HashMap};
use std::io::Read;
use std::path::{Component, Path, PathBuf};
use std::sync::Arc;

use geo_types::{Geometry, Point};
use jiff::civil::Date;
use serde_json::Value;

use super::{FileError, Input, ReadAs, Request, Take};
use crate::files::{Properties, RawFeature, RawShape};
use crate::record::SourcePlace;

/// The file that describes a package.
pub(super) const DESCRIPTOR: &str = "datapackage.json";

/// The most that a descriptor may hold; tables inlined in it are not read.
const MAX_DESCRIPTOR_BYTES: u64 = 64 << 20;

type Row = HashMap<String, String>;

pub(super) fn read(
    request: &Request,
    input: &mut Input,
    take: Take,
    notes: &mut Vec<String>,
) -> Result<usize, FileError> {
    let mut text = Vec::new();
    let read = input.by_ref().take(MAX_DESCRIPTOR_BYTES).read_to_end(&mut text);
    read.map_err(|e| FileError::open(request.path, &e))?;
    let package: Value = serde_json::from_slice(&text).map_err(|e| {
        FileError::in_text(
            request.path,
            request.place,
            e.line(),
            e.column(),
            &format!("is not valid JSON: {e}"),
        )
    })?;
    let deployments = table(request, input, &package, "deployments", "deploymentID")?;
    match request.options.read_as {
        ReadAs::Lines | ReadAs::Areas => Ok(effort(request, &deployments, take)),
        ReadAs::Points | ReadAs::Rows | ReadAs::All => {
            let observations = table(request, input, &package, "observations", "observationID")?;
            Ok(records(request, &deployments, &observations, take, notes))
        }
    }
}

/// The rows of one table of the package.
fn table(
    request: &Request,
    input: &mut Input,
    package: &Value,
    name: &str,
    key: &str,
) -> Result<Vec<Row>, FileError> {
    let resources = package.get("resources").and_then(Value::as_array);
    let resource = resources
        .and_then(|list| list.iter().find(|r| r.get("name").and_then(Value::as_str) == Some(name)))
        .ok_or_else(|| request.wrong(format!("is a data package without the resource \"{name}\"")))?;
    let path = match resource.get("path") {
        Some(Value::String(path)) => path.as_str(),
        Some(Value::Array(paths)) if paths.len() == 1 => paths.first().and_then(Value::as_str).unwrap_or(""),
        _ => return Err(request.wrong(format!("does not give one path for its resource \"{name}\""))),
    };
    if path.contains("://") {
        return Err(
            request.wrong(format!("keeps its {name} at {path}; fetch the file, and name it in \"path\""))
        );
    }
    // A descriptor may name only what lies beside or below it.
    if Path::new(path).components().any(|part| !matches!(part, Component::Normal(_) | Component::CurDir)) {
        return Err(request.wrong(format!("names the path \"{path}\", which leads out of its folder")));
    }
    let place: PathBuf = request.place.parent().unwrap_or(Path::new("")).join(path);
    let bytes = std::fs::read(&place).map_err(|e| FileError::open(&place, &e))?;
    input.hash_further(&bytes);
    rows(&bytes, key).map_err(|why| FileError::format(&place, why))
}

fn rows(bytes: &[u8], key: &str) -> Result<Vec<Row>, String> {
    let bytes = bytes.strip_prefix(&[0xef, 0xbb, 0xbf]).unwrap_or(bytes);
    let mut table = csv::ReaderBuilder::new().flexible(true).trim(csv::Trim::All).from_reader(bytes);
    let header = table.headers().map_err(|e| format!("is not valid CSV: {e}"))?.clone();
    if !header.iter().any(|name| name == key) {
        return Err(format!("has no column \"{key}\", which the standard wants"));
    }
    table
        .records()
        .map(|row| {
            let row = row.map_err(|e| format!("is not valid CSV: {e}"))?;
            let cells = header.iter().zip(row.iter()).filter(|(_, cell)| !cell.is_empty());
            Ok(cells.map(|(name, cell)| (name.to_string(), cell.to_string())).collect())
        })
        .collect()
}

fn get<'r>(row: &'r Row, name: &str) -> Option<&'r str> {
    row.get(name).map(String::as_str)
}

fn place_of(deployment: Option<&Row>) -> RawShape {
    let number = |name: &str| deployment.and_then(|row| get(row, name))?.parse::<f64>().ok();
    match (number("longitude"), number("latitude")) {
        (Some(lon), Some(lat)) => RawShape::Shape(Geometry::Point(Point::new(lon, lat))),
        _ if deployment.is_none() => {
            RawShape::Broken("names a deployment that the package does not hold".into())
        }
        _ => RawShape::Broken("is of a deployment without longitude and latitude".into()),
    }
}

fn records(
    request: &Request,
    deployments: &[Row],
    observations: &[Row],
    take: Take,
    notes: &mut Vec<String>,
) -> usize {
    let by_id: HashMap<&str, &Row> =
        deployments.iter().filter_map(|row| Some((get(row, "deploymentID")?, row))).collect();
    let file: Arc<Path> = Arc::from(request.path);
    let mut left_out: BTreeMap<&str, usize> = BTreeMap::new();
    // A package may hold the same animal as an event and again for every picture of it.
    let has_events = observations.iter().any(|row| get(row, "observationLevel") == Some("event"));
    let mut count = 0;
    for (index, row) in observations.iter().enumerate() {
        match get(row, "observationType").unwrap_or("animal") {
            _ if has_events && get(row, "observationLevel") == Some("media") => {
                *left_out.entry("of single pictures").or_default() += 1;
                continue;
            }
            "animal" => {}
            other => {
                *left_out.entry(other).or_default() += 1;
                continue;
            }
        }
        let id = get(row, "deploymentID").unwrap_or("");
        let deployment = by_id.get(id).copied();
        let mut properties = Properties::new();
        let mut set = |key: &str, value: Option<&str>| {
            if let Some(value) = value {
                properties.insert(key.into(), Value::from(value));
            }
        };
        set("sign", Some("camera"));
        set("animal", get(row, "scientificName"));
        set("date", get(row, "eventStart"));
        set("count", get(row, "count"));
        set("observer", get(row, "classifiedBy"));
        set("survey", Some(id).filter(|id| !id.is_empty()));
        set("accuracy_m", deployment.and_then(|d| get(d, "coordinateUncertainty")));
        let source = SourcePlace { file: file.clone(), index, id: get(row, "observationID").map(Arc::from) };
        take(RawFeature { shape: place_of(deployment), properties, source });
        count += 1;
    }
    if !left_out.is_empty() {
        let parts: Vec<String> = left_out.iter().map(|(kind, n)| format!("{n} {kind}")).collect();
        notes.push(format!("holds observations that are no animals and were left out: {}", parts.join(", ")));
    }
    count
}

fn effort(request: &Request, deployments: &[Row], take: Take) -> usize {
    let file: Arc<Path> = Arc::from(request.path);
    for (index, row) in deployments.iter().enumerate() {
        let id = get(row, "deploymentID").map(Arc::from);
        let mut properties = Properties::new();
        for (key, name) in [
            ("date", "deploymentStart"),
            ("until", "deploymentEnd"),
            ("survey", "deploymentID"),
            ("name", "locationName"),
            ("observer", "setupBy"),
        ] {
            if let Some(text) = get(row, name) {
                properties.insert(key.into(), Value::from(text));
            }
        }
        properties.insert("mode".into(), Value::from("camera"));
        if let Some(nights) = nights(get(row, "deploymentStart"), get(row, "deploymentEnd")) {
            properties.insert("nights".into(), Value::from(nights));
        }
        let source = SourcePlace { file: file.clone(), index, id };
        take(RawFeature { shape: place_of(Some(row)), properties, source });
    }
    deployments.len()
}

/// Nights between two days, each as the time stamp itself has it; none where one is missing or
/// they run backwards.
fn nights(start: Option<&str>, end: Option<&str>) -> Option<i64> {
    let day = |text: Option<&str>| text?.get(..10)?.parse::<Date>().ok();
    let (start, end) = (day(start)?, day(end)?);
    let days = start.until(end).ok()?.get_days();
    (days >= 0).then(|| i64::from(days))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nights_are_counted_by_the_calendar() {
        let count = |a, b| nights(Some(a), Some(b));
        assert_eq!(count("2026-05-01T18:00:00+10:00", "2026-05-15T09:00:00+10:00"), Some(14));
        assert_eq!(count("2026-05-01T08:00:00Z", "2026-05-01T20:00:00Z"), Some(0));
        assert_eq!(count("2026-05-02", "2026-05-01"), None);
        assert_eq!(nights(Some("2026-05-02"), None), None);
    }
}
