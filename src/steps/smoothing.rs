//! Kernel, bandwidth and extent as the plan gives them, for every step that smooths sign.

use super::{Desk, StepError};
use crate::frame::GroundPoint;
use crate::plan::MetresOrRule;
use crate::surface::{
    Bandwidth, Extent, Grid, Kernel, MOST_CELLS, Rule, SurfaceError, WeightedPoint, Window, choose_bandwidth,
    choose_grid_within,
};

/// The rule that finds the bandwidth where the plan names none: the least shaky one.
const DEFAULT_RULE: Rule = Rule::Scott;

pub(super) fn kernel_of(word: Option<&str>) -> Result<Kernel, StepError> {
    let word = word.unwrap_or("gaussian");
    Kernel::from_word(word).ok_or_else(|| StepError::Setting {
        key: "surface.kernel",
        what: format!("unknown kernel \"{word}\"; known are {}", Kernel::ALL.map(Kernel::word).join(", ")),
    })
}

/// The bandwidth that the plan gives, or that its rule finds.
pub(super) fn bandwidth_of(
    desk: &Desk,
    asked: Option<&MetresOrRule>,
    points: &[WeightedPoint],
) -> Result<Bandwidth, StepError> {
    let rule = match asked {
        Some(MetresOrRule::Metres(metres)) => return Ok(Bandwidth::given(metres.get())),
        Some(MetresOrRule::Rule(word)) => Rule::from_word(word).ok_or_else(|| StepError::Setting {
            key: "surface.bandwidth",
            what: format!(
                "\"{word}\" is neither metres nor a rule; rules are {}",
                Rule::ALL.map(Rule::word).join(", ")
            ),
        })?,
        None => DEFAULT_RULE,
    };
    choose_bandwidth(rule, points, ground(desk).as_ref()).map_err(|e: SurfaceError| request(desk, e))
}

/// The area as the ground that was looked at; `None` without one.
pub(super) fn ground(desk: &Desk) -> Option<Window> {
    desk.job.area.as_ref().and_then(|area| Window::new(&area.ground).ok())
}

/// What a step says that cannot make a surface of its sign.
pub(super) fn request(desk: &Desk, what: impl ToString) -> StepError {
    StepError::Request { files: desk.files_of(&["sign", "area"]), what: what.to_string() }
}

/// The grid over the points and the area, within the plan's limit of cells.
pub(super) fn grid_of(desk: &Desk, points: &[WeightedPoint], bandwidth_m: f64) -> Result<Grid, StepError> {
    let table = &desk.plan.surface;
    let extent = extent_of(desk, points).ok_or_else(|| request(desk, "no usable record of sign"))?;
    let most_cells = table.max_cells.map_or(MOST_CELLS, |most| most.get());
    choose_grid_within(extent, bandwidth_m, table.cell_m.map(|c| c.get()), most_cells)
        .map_err(|e| request(desk, e))
}

/// The box that holds the points and the area.
fn extent_of(desk: &Desk, points: &[WeightedPoint]) -> Option<Extent> {
    use geo::CoordsIter;
    let area = desk.job.area.iter().flat_map(|a| a.ground.exterior_coords_iter());
    Extent::of(points.iter().map(|p| p.at).chain(area.map(|c| GroundPoint::new(c.x, c.y))))
}
