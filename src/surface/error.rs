//! What can be wrong with a density that is asked for.

/// Why a surface cannot be made.
#[derive(thiserror::Error, Clone, PartialEq, Debug)]
pub enum SurfaceError {
    /// The bandwidth is not a positive number of metres.
    #[error("bandwidth must be a positive number of metres, found {bandwidth_m}")]
    Bandwidth {
        /// What was given.
        bandwidth_m: f64,
    },
    /// The cell size is not a positive number of metres.
    #[error("cell size must be a positive number of metres, found {cell_m}")]
    Cell {
        /// What was given.
        cell_m: f64,
    },
    /// The grid would not fit in memory.
    #[error(
        "a grid over {:.1} × {:.1} km with cells of {cell_m} m has {cells:.3e} cells, too many; \
         a cell of {fitting_cell_m} m fits (or look for a record far from the others)",
        width_m / 1000.0, height_m / 1000.0
    )]
    GridTooLarge {
        /// West to east, in metres.
        width_m: f64,
        /// South to north, in metres.
        height_m: f64,
        /// The cell size asked for or chosen, in metres.
        cell_m: f64,
        /// Cells it would have.
        cells: f64,
        /// A cell size in metres that fits.
        fitting_cell_m: f64,
    },
    /// The share of a hot area is not between 0 and 100 percent.
    #[error("a hot area's share must be above 0 and below 100 percent, found {mass_percent}")]
    Percent {
        /// What was given.
        mass_percent: f64,
    },
    /// An edge rule without polygons that have an area.
    #[error("an edge rule needs an area: polygons of the ground that was looked at (--area)")]
    NoWindow,
    /// Two settings that do not go together.
    #[error("adaptive bandwidths go with edge rule none or jones-diggle, not with uniform")]
    AdaptiveUniform,
    /// Too few points for a bandwidth rule.
    #[error(
        "rule '{rule}' needs at least 3 records, not all at one place, found {found} with a weight; \
         give the bandwidth in metres"
    )]
    TooFew {
        /// The rule.
        rule: &'static str,
        /// Records with a weight.
        found: usize,
    },
    /// A bandwidth rule that needs records which do not all lie on one line.
    #[error("rule '{rule}' can say nothing: all records lie on one line; give the bandwidth in metres")]
    OnOneLine {
        /// The rule.
        rule: &'static str,
    },
}
