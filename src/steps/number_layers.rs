//! Layers of numbers that are rasters.

use super::StepError;
use crate::files::write::InputFile;
use crate::files::{LonLatBox, read_raster};
use crate::frame::LonLat;
use crate::job::{Job, NumberSource};
use crate::plan::{NumberLayer, Plan};

/// Whether a layer is a GeoTIFF, by the extension of its file.
pub(super) fn is_raster(layer: &NumberLayer) -> bool {
    let extension = layer.file.extension().map(|e| e.to_string_lossy().to_lowercase());
    // Where GDAL reads rasters of all kinds, a layer that names no property is one.
    matches!(extension.as_deref(), Some("tif" | "tiff")) || cfg!(feature = "gdal") && layer.property.is_none()
}

/// Reads the layers of numbers that are rasters, as far as the lines reach.
pub(super) fn read_rasters(plan: &Plan, job: &mut Job) -> Result<(), StepError> {
    let nameless = |l: &&NumberLayer| !is_raster(l) && l.property.is_none();
    if let Some(layer) = plan.sites.layer.iter().find(nameless) {
        let what = format!("layer {}: say which property of the polygons holds the number", layer.name);
        return Err(StepError::Setting { key: "sites.layer", what });
    }
    let within = job.lines.iter().flat_map(|l| l.path.iter().copied()).fold(None, grown);
    let Some(within) = within else { return Ok(()) };
    for (k, layer) in plan.sites.layer.iter().enumerate().filter(|(_, layer)| is_raster(layer)) {
        let read = read_raster(&plan.base.join(&layer.file), &layer.file, Some(&within));
        let raster = read.map_err(|why| StepError::Files(vec![why]))?;
        let file = layer.file.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
        let sha256 = raster.sha256.clone();
        job.inputs.push(InputFile { role: "layer".to_string(), file, sha256 });
        if let Some(source) = job.layers.get_mut(k) {
            *source = NumberSource::Cells(Box::new(raster));
        }
    }
    Ok(())
}

/// A box that holds one more place.
pub(super) fn grown(within: Option<LonLatBox>, at: LonLat) -> Option<LonLatBox> {
    let Some(LonLatBox { south_west: low, north_east: high }) = within else {
        return Some(LonLatBox { south_west: at, north_east: at });
    };
    let low = LonLat::new(low.lon_deg().min(at.lon_deg()), low.lat_deg().min(at.lat_deg())).ok()?;
    let high = LonLat::new(high.lon_deg().max(at.lon_deg()), high.lat_deg().max(at.lat_deg())).ok()?;
    Some(LonLatBox { south_west: low, north_east: high })
}
