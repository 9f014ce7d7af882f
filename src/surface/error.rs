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
    /// The grid would have more cells than are made.
    #[error(
        "a grid over {:.1} × {:.1} km with cells of {cell_m} m has {cells:.3e} cells, and at most \
         {most_cells:.3e} are made unless max_cells in [surface] of the plan says more; \
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
        /// Most cells that are made.
        most_cells: f64,
        /// A cell size in metres that fits.
        fitting_cell_m: f64,
    },
    /// Adaptive bandwidths over cells too fine for them.
    #[error(
        "adaptive bandwidths on cells of {cell_m} m would take {values:.1e} kernel values, and at most \
         {most_values:.1e} are summed (about a minute) unless max_values in [surface] of the plan says \
         more; cells of {fitting_cell_m} m fit"
    )]
    TooManyValues {
        /// The cell size in metres.
        cell_m: f64,
        /// Kernel values it would take.
        values: f64,
        /// Most that are summed.
        most_values: f64,
        /// A cell size in metres that fits.
        fitting_cell_m: f64,
    },
    /// Adaptive bandwidths of so many points that the density at each of them takes too long.
    #[error(
        "adaptive bandwidths ask for the exact density at each of {points} records first, which would take \
         as long as {values:.1e} kernel values, and at most {most_values:.1e} are summed (about a minute) \
         unless max_values in [surface] of the plan says more; a narrower bandwidth or fewer records fit \
         (--from, --to)"
    )]
    TooManyPilots {
        /// Records.
        points: usize,
        /// Kernel values that take as long.
        values: f64,
        /// Most that are summed.
        most_values: f64,
    },
    /// Exact densities at too many places.
    #[error(
        "exact densities at {places} points of {points} records would take as long as {values:.1e} kernel \
         values, and at most {most_values:.1e} are summed (about a minute) unless max_values in [surface] \
         of the plan says more; {fitting} points fit, and activity.tif holds the values of all places"
    )]
    TooManyPlaces {
        /// Places asked for.
        places: usize,
        /// Records.
        points: usize,
        /// Kernel values that take as long.
        values: f64,
        /// Most that are summed.
        most_values: f64,
        /// Places that fit.
        fitting: usize,
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
    /// Too few points for a bandwidth rule.
    #[error(
        "rule '{rule}' needs at least 3 records, found {found} with a weight; \
         give the bandwidth in metres"
    )]
    TooFew {
        /// The rule.
        rule: &'static str,
        /// Records with a weight.
        found: usize,
    },
    /// All points so close together that a rule would follow the errors of their places.
    #[error(
        "rule '{rule}' can say nothing: all {found} records lie within {spread_m:.2} m of each other; \
         give the bandwidth in metres (--bandwidth METRES), and look whether the places are right"
    )]
    TooClose {
        /// The rule.
        rule: &'static str,
        /// Records with a weight.
        found: usize,
        /// Longer side of the box that holds them, in metres.
        spread_m: f64,
    },
    /// Points on one line, or as good as.
    #[error(
        "rule '{rule}' can say nothing: all records lie on one line (they spread {along_m:.0} m along it \
         and {across_m:.2} m across, as standard deviations), and a rule for the plane would take the \
         second for a bandwidth; give the bandwidth in metres (--bandwidth METRES), or take the activity \
         along lines (--along-lines)"
    )]
    OnOneLine {
        /// The rule.
        rule: &'static str,
        /// Standard deviation along the line in metres.
        along_m: f64,
        /// Standard deviation across it in metres.
        across_m: f64,
    },
    /// A window without an extent in both directions.
    #[error(
        "rule '{rule}' can say nothing: the ground that was looked at has no area; give the bandwidth in metres"
    )]
    NoGround {
        /// The rule.
        rule: &'static str,
    },
}
