//! Ridges, creeks, saddles and slope from a raster of heights, for the place whose ridges and
//! creeks nobody has digitised.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod basin;
mod dem;
mod drain;
mod field;
mod gather;
mod ridge;
mod saddle;
mod slope;
#[cfg(test)]
mod tests;
mod trace;

use geo::Simplify;
use geo_types::{Coord, LineString};
use rayon::prelude::*;

use crate::frame::{GroundPoint, path_length_m};
pub use dem::Dem;
use drain::Outlet;
use field::Field;
pub use slope::{aspect_deg, slope_deg};

/// Most cells of a raster of heights: about 3 GB of memory at the widest.
pub const MAX_CELLS: usize = 1 << 26;

/// Fewest cells that a threshold of area should span to mean anything.
const FEW_CELLS: f64 = 10.0;

/// What counts as a creek, a ridge and a saddle. The defaults suit hilly farmland mapped at
/// 1 : 25,000 (common practice, no source).
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct TerrainSettings {
    /// A creek begins where this many hectares drain through a place.
    pub creek_ha: f64,
    /// A ridge begins where this many hectares fall away from a place, counted as the ground
    /// that would drain through it if the ground were upside down.
    pub ridge_ha: f64,
    /// A ridge stands at least this many metres above the creek that its ground drains to.
    pub ridge_height_m: f64,
    /// The lesser of the two summits at a saddle stands at least this many metres above it.
    pub prominence_m: f64,
    /// Creeks and ridges that begin on their own and are shorter than this many metres are left out.
    pub shortest_m: f64,
    /// Lines are simplified by at most this many metres; a cell if not given.
    pub simplify_m: Option<f64>,
}

impl Default for TerrainSettings {
    fn default() -> Self {
        Self {
            creek_ha: 25.0,
            ridge_ha: 25.0,
            ridge_height_m: 10.0,
            prominence_m: 10.0,
            shortest_m: 100.0,
            simplify_m: None,
        }
    }
}

/// A creek, downstream, or a ridge, uphill, from where it begins or meets another to the next
/// meeting or its end.
#[derive(Clone, PartialEq, Debug)]
pub struct Course {
    /// Its way in the frame of the heights.
    pub path: Vec<GroundPoint>,
    /// Length of the way in metres.
    pub length_m: f64,
    /// The highest height on it in metres.
    pub highest_m: f64,
    /// The lowest height on it in metres.
    pub lowest_m: f64,
    /// Hectares that drain through its last place before a meeting; of a ridge, that fall away
    /// from it.
    pub ground_ha: f64,
}

/// A place where two hills meet.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct Saddle {
    /// Where it lies in the frame of the heights.
    pub at: GroundPoint,
    /// Its height in metres.
    pub height_m: f64,
    /// How many metres the summit of the lesser hill stands above it.
    pub prominence_m: f64,
}

/// What the ground looks like.
#[derive(Clone, PartialEq, Debug)]
pub struct Terrain {
    /// Slope in degrees of every cell of the heights; NaN at the border and beside gaps.
    pub slope_deg: Vec<f32>,
    /// Creeks, from the north-west by where they begin.
    pub creeks: Vec<Course>,
    /// Ridges, likewise.
    pub ridges: Vec<Course>,
    /// Saddles, likewise.
    pub saddles: Vec<Saddle>,
    /// What is odd about heights and settings.
    pub warnings: Vec<String>,
}

/// Why there is no terrain.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum TerrainError {
    /// Too many cells.
    #[error("has {cells} cells of height where {MAX_CELLS} are taken; cut out the part that is needed")]
    TooManyCells {
        /// How many.
        cells: usize,
    },
    /// Too few cells with a height.
    #[error("has no three by three cells of height; slope and drainage need as many")]
    TooFewCells,
    /// The raster lies where no projected system can be found for it.
    #[error("cannot be placed on the ground: {0}")]
    Place(#[from] crate::frame::FrameError),
}

/// Slope, creeks, ridges and saddles of the ground.
///
/// Creeks follow the steepest way down (D8) and leave closed hollows along their bottom. A
/// ridge is a creek of the ground turned upside down: it runs from spurs up to summits and from
/// summit to summit over the highest saddles between them. That is kept which stands out above
/// the nearest creek below it. Cells at the border carry no line, since half their ground is
/// not known; a creek that comes from beyond the border counts only the ground inside.
///
/// Works in memory of about 40 bytes a cell, in time linear in the cells but for one sort.
///
/// # Errors
/// [`TerrainError::TooManyCells`], [`TerrainError::TooFewCells`].
pub fn terrain(dem: &Dem, settings: &TerrainSettings) -> Result<Terrain, TerrainError> {
    check(dem)?;
    let slope_deg = slope_deg(&dem.heights, dem.columns, dem.cell_m, dem.cell_m);
    let ground = Field { columns: dem.columns, values: &dem.heights };
    let down = drain::drain(&ground, Outlet::Rim).ways;
    let gathered = gather::cells_above(&ground, &down);
    let creek_cells = marked(&ground, &gathered, dem.cells_in(settings.creek_ha));
    let creeks = courses(dem, &down, &creek_cells, &gathered, settings);

    let upside_down: Vec<f32> = dem.heights.par_iter().map(|height| -height).collect();
    let turned = Field { values: &upside_down, ..ground };
    let up = drain::drain(&turned, Outlet::Lowest);
    let falls_away = gather::cells_above(&turned, &up.ways);
    let mut ridge_cells = marked(&turned, &falls_away, dem.cells_in(settings.ridge_ha));
    ridge::keep_what_stands_out(&ground, &down, &creek_cells, &mut ridge_cells, settings.ridge_height_m);
    let ridges = courses(dem, &up.ways, &ridge_cells, &falls_away, settings);
    let saddles = saddle::meetings(&dem.heights, &up.basins, settings.prominence_m)
        .into_iter()
        .map(|m| Saddle { at: dem.centre(m.cell), height_m: m.height_m, prominence_m: m.prominence_m })
        .collect();
    Ok(Terrain { slope_deg, creeks, ridges, saddles, warnings: oddities(dem, settings) })
}

fn check(dem: &Dem) -> Result<(), TerrainError> {
    let cells = dem.heights.len();
    if cells > MAX_CELLS {
        return Err(TerrainError::TooManyCells { cells });
    }
    let known = dem.heights.iter().filter(|h| !h.is_nan()).count();
    if dem.columns < 3 || dem.rows < 3 || known < 9 { Err(TerrainError::TooFewCells) } else { Ok(()) }
}

fn oddities(dem: &Dem, settings: &TerrainSettings) -> Vec<String> {
    let mut warnings = Vec::new();
    for (name, hectares) in [("creek", settings.creek_ha), ("ridge", settings.ridge_ha)] {
        let cells = dem.cells_in(hectares);
        if cells < FEW_CELLS {
            warnings.push(format!(
                "{name}s begin at {hectares} ha, which is {cells:.1} cells of {} m: fewer than {FEW_CELLS} show \
                 the grain of the raster, not the ground",
                dem.cell_m
            ));
        }
    }
    let lowest = dem.heights.iter().copied().filter(|h| !h.is_nan()).fold(f32::INFINITY, f32::min);
    if lowest < -500.0 {
        warnings.push(format!("the lowest height is {lowest} m; does the raster lack a no-data value?"));
    }
    warnings
}

/// The cells that at least so many drain through, but for those at the border.
fn marked(field: &Field, counts: &[u32], least: f64) -> Vec<bool> {
    let enough =
        |(cell, &count): (usize, &u32)| f64::from(count) >= least && count > 0 && !field.is_rim(cell);
    counts.par_iter().enumerate().map(enough).collect()
}

fn courses(
    dem: &Dem,
    ways: &[drain::Way],
    marked: &[bool],
    counts: &[u32],
    settings: &TerrainSettings,
) -> Vec<Course> {
    let tolerance_m = settings.simplify_m.unwrap_or(dem.cell_m);
    let course = |trace: &trace::Trace| {
        let centres = trace.cells.iter().map(|&cell| dem.centre(cell));
        let line: LineString<f64> = centres.map(|p| Coord { x: p.x_m, y: p.y_m }).collect();
        let path: Vec<GroundPoint> =
            line.simplify(tolerance_m).0.iter().map(|c| GroundPoint::new(c.x, c.y)).collect();
        let heights = trace.cells.iter().map(|&cell| f64::from(dem.heights[cell as usize]));
        let (lowest_m, highest_m) =
            heights.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), h| (low.min(h), high.max(h)));
        let last = trace.cells[trace.cells.len() - if trace.meets { 2 } else { 1 }];
        let ground_ha = f64::from(counts[last as usize]) * dem.cell_ha();
        Course { length_m: path_length_m(&path), path, highest_m, lowest_m, ground_ha }
    };
    let traces = trace::traces(dem.columns, ways, marked);
    let courses: Vec<Option<Course>> = traces
        .par_iter()
        .map(|trace| Some(course(trace)).filter(|c| !trace.begins || c.length_m >= settings.shortest_m))
        .collect();
    courses.into_iter().flatten().collect()
}
