//! The layers of an output folder, read back to be drawn.

use std::path::Path;

use super::whole::Whole;
use crate::files::{FileError, RawFeature, RawShape, ReadAs, ReadOptions, read_features};
use crate::report::{Candidates, Feature, Layers};
use crate::steps::StepError;

/// The files of a set that a report is drawn from.
pub(super) const READ_BACK: [&str; 16] = [
    "activity-lines.geojson",
    "activity.tif",
    "candidates.geojson",
    "change-areas.geojson",
    "change-lines.geojson",
    "change.tif",
    "checks.geojson",
    "compare.json",
    "hot-areas.geojson",
    "near-misses.geojson",
    "network.geojson",
    "nodes.geojson",
    "round.geojson",
    "settings.toml",
    "sites.geojson",
    "sites.json",
];

/// The layers in `folder`, each empty where there is no such file. Messages show them as lying in
/// `shown`.
///
/// # Errors
/// [`StepError::Layers`] with every feature that does not say what is drawn of it;
/// [`StepError::Files`].
pub(super) fn layers(folder: &Path, shown: &Path) -> Result<Layers, StepError> {
    let mut reading = Reading { folder, shown, faults: Vec::new() };
    let mut candidates = Candidates::default();
    reading.each("candidates.geojson", |f| candidates.push(&f))?;
    let mut sites = reading.all("sites.geojson")?;
    sites.sort_by(|a, b| {
        let rank = |f: &Feature| f.number("rank").unwrap_or(f64::INFINITY);
        rank(a).total_cmp(&rank(b))
    });
    let layers = Layers {
        hot_areas: reading.all("hot-areas.geojson")?,
        nodes: reading.only("nodes.geojson", &["node_id", "node_kind", "ways", "convergence"])?,
        network: reading.only("network.geojson", &["kind", "from_node", "to_node", "length_m"])?,
        near_misses: reading.all("near-misses.geojson")?,
        sites,
        candidates,
        change_areas: reading.all("change-areas.geojson")?,
        activity_lines: reading.all("activity-lines.geojson")?,
        change_lines: reading.all("change-lines.geojson")?,
        round: reading.all("round.geojson")?,
        checks: reading.all("checks.geojson")?,
    };
    if reading.faults.is_empty() { Ok(layers) } else { Err(StepError::Layers(reading.faults)) }
}

struct Reading<'a> {
    folder: &'a Path,
    shown: &'a Path,
    faults: Vec<String>,
}

impl Reading<'_> {
    fn all(&mut self, name: &'static str) -> Result<Vec<Feature>, StepError> {
        let mut found = Vec::new();
        self.each(name, |feature| found.push(feature))?;
        Ok(found)
    }

    /// Of what there is most, no more is held than is drawn.
    fn only(&mut self, name: &'static str, kept: &[&str]) -> Result<Vec<Feature>, StepError> {
        let mut found = Vec::new();
        self.each(name, |mut f| {
            let all = std::mem::take(&mut f.properties).into_iter();
            f.properties = all.filter(|(name, _)| kept.contains(&name.as_str())).collect();
            found.push(f);
        })?;
        Ok(found)
    }

    fn each(&mut self, name: &'static str, mut take: impl FnMut(Feature)) -> Result<(), StepError> {
        let path = self.folder.join(name);
        if !path.exists() {
            return Ok(());
        }
        let mut whole = Whole::new(name);
        let read = read_features(&path, &self.shown.join(name), ReadAs::Points, &mut |raw: RawFeature| {
            // A leg between two stops at one place has no way, and a round is written so.
            if name == "round.geojson" && raw.shape == RawShape::Null {
                return;
            }
            let source = raw.source.clone();
            match feature(raw) {
                Some(feature) => {
                    whole.look(&source, &feature);
                    take(feature);
                }
                None => whole.no_shape(&source),
            }
        });
        read.map_err(|e| StepError::Files(vec![e]))?;
        self.faults.extend(whole.faults());
        Ok(())
    }
}

fn feature(raw: RawFeature) -> Option<Feature> {
    let RawShape::Shape(geometry) = raw.shape else { return None };
    let id = raw.source.id.map(|id| id.to_string()).unwrap_or_default();
    Some(Feature { id, geometry, properties: raw.properties.to_map() })
}

/// The features of an input that have a shape.
pub(super) fn features(path: &Path, options: impl Into<ReadOptions>) -> Result<Vec<Feature>, StepError> {
    if !path.exists() {
        return Err(StepError::Files(vec![FileError::missing(path)]));
    }
    let mut found = Vec::new();
    read_features(path, path, options, &mut |raw| found.extend(feature(raw)))
        .map_err(|e| StepError::Files(vec![e]))?;
    Ok(found)
}
