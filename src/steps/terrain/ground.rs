//! Reads the raster of heights and looks at the ground.

use std::path::Path;
use std::time::Instant;

use super::super::{Progress, StepError};
use crate::files::write::InputFile;
use crate::files::{FileError, LonLatBox, RasterSystem, read_raster};
use crate::frame::Frame;
use crate::plan::{Plan, TerrainTable};
use crate::record::LineKind;
use crate::terrain::{Dem, Terrain, TerrainSettings, terrain};

/// The ground of a job, from its raster of heights.
pub struct Ground {
    /// What it looks like.
    pub terrain: Terrain,
    /// What counted as a creek, a ridge and a saddle.
    pub settings: TerrainSettings,
    /// Where the cells lie.
    pub placed: Placed,
    /// Whether the raster was set onto square cells in metres.
    pub resampled: bool,
    /// The kinds of line that the job takes from it.
    pub lent: Vec<LineKind>,
    pub(super) read_seconds: f64,
    pub(super) terrain_seconds: f64,
}

/// Where the cells of the ground lie.
pub struct Placed {
    /// Easting of the western edge in metres.
    pub west_m: f64,
    /// Northing of the northern edge in metres.
    pub north_m: f64,
    /// Side of a cell in metres.
    pub cell_m: f64,
    /// Cells from west to east.
    pub columns: usize,
    /// Cells from north to south.
    pub rows: usize,
    /// The projected system.
    pub frame: Frame,
}

/// Looks at the ground within a box, or at all that the raster holds.
///
/// # Errors
/// [`StepError::Files`] for a raster that cannot be used.
pub(in crate::steps) fn look(
    plan: &Plan,
    dem: &Path,
    within: Option<&LonLatBox>,
    progress: &dyn Progress,
) -> Result<(Ground, InputFile), StepError> {
    let refuse = |what: String| StepError::Files(vec![FileError::Format { path: dem.to_path_buf(), what }]);
    let started = Instant::now();
    progress.stage(&format!("reading {}", dem.display()), None);
    let raster = read_raster(&plan.base.join(dem), dem, within).map_err(|e| StepError::Files(vec![e]))?;
    let file = dem.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
    let input = InputFile { role: "dem".into(), file, sha256: raster.sha256.clone() };
    let own_cell = (raster.placement.cell_x, raster.columns, raster.rows);
    let in_degrees = matches!(raster.system, RasterSystem::Degrees(_));
    let heights = Dem::from_raster(raster).map_err(|e| refuse(e.to_string()))?;
    let read_seconds = started.elapsed().as_secs_f64();
    let started = Instant::now();
    progress.stage("looking for ridges and creeks", None);
    let settings = settings_of(&plan.terrain);
    let terrain = terrain(&heights, &settings).map_err(|e| refuse(e.to_string()))?;
    let resampled = in_degrees || own_cell != (heights.cell_m, heights.columns, heights.rows);
    let Dem { west_m, north_m, cell_m, columns, rows, frame, .. } = heights;
    let placed = Placed { west_m, north_m, cell_m, columns, rows, frame };
    let terrain_seconds = started.elapsed().as_secs_f64();
    let ground =
        Ground { terrain, settings, placed, resampled, lent: Vec::new(), read_seconds, terrain_seconds };
    Ok((ground, input))
}

fn settings_of(table: &TerrainTable) -> TerrainSettings {
    let default = TerrainSettings::default();
    TerrainSettings {
        creek_ha: table.creek_ha.map_or(default.creek_ha, |v| v.get()),
        ridge_ha: table.ridge_ha.map_or(default.ridge_ha, |v| v.get()),
        ridge_height_m: table.ridge_height_m.map_or(default.ridge_height_m, |v| v.get()),
        prominence_m: table.prominence_m.map_or(default.prominence_m, |v| v.get()),
        shortest_m: table.shortest_m.map_or(default.shortest_m, |v| v.get()),
        simplify_m: table.simplify_m.map(|v| v.get()),
    }
}
