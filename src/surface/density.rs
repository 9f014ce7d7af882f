//! The surface itself: values on a grid, with all that made them.

use super::{Grid, Kernel, Smoother, SurfaceError, WeightedPoint};

/// What is done about the edge of the area, beyond which nobody could record sign.
#[derive(Clone, Copy, PartialEq, Eq, Hash, Debug, Default)]
pub enum EdgeRule {
    /// Nothing: the surface falls off towards the edge and runs over it.
    #[default]
    None,
    /// Every value is divided by the share of its kernel that lies inside.
    Uniform,
    /// Every point's kernel is divided by its share inside, so that the mass inside is
    /// exactly the sum of weights (Jones 1993, Diggle 1985).
    JonesDiggle,
}

impl EdgeRule {
    /// The word used in files and flags.
    pub fn word(self) -> &'static str {
        match self {
            EdgeRule::None => "none",
            EdgeRule::Uniform => "uniform",
            EdgeRule::JonesDiggle => "jones-diggle",
        }
    }

    /// Reads a word without regard to case. `None` if the word is not known.
    pub fn from_word(word: &str) -> Option<EdgeRule> {
        Some(match word.trim().to_lowercase().as_str() {
            "none" => EdgeRule::None,
            "uniform" => EdgeRule::Uniform,
            "jones-diggle" => EdgeRule::JonesDiggle,
            _ => return None,
        })
    }
}

/// A bound on the error of a surface: at every cell it is at most
/// `relative` × the true density + `absolute_per_km2`.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ErrorBound {
    /// Share of the local density.
    pub relative: f64,
    /// Sign per km², the same everywhere.
    pub absolute_per_km2: f64,
}

/// An activity surface.
#[derive(Clone, PartialEq, Debug)]
pub struct Surface {
    /// Where the values lie.
    pub grid: Grid,
    /// Density in sign per km² at the cell centres, row by row from the north-west; NaN
    /// where the surface says nothing.
    pub values: Vec<f32>,
    /// The kernel.
    pub kernel: Kernel,
    /// The bandwidth: standard deviation along an axis, in metres.
    pub bandwidth_m: f64,
    /// What was done about the edge.
    pub edge: EdgeRule,
    /// Sum of the weights of the points.
    pub sum_of_weights: f64,
    /// Sum of the values times the area of a cell, in sign. What the kernels carry beyond
    /// the grid is missing from it.
    pub integral: f64,
    /// The largest value, in sign per km².
    pub peak_per_km2: f64,
    /// What the error of the values never exceeds.
    pub error_bound: ErrorBound,
}

/// The activity surface of some points by the fast way, without edge correction.
///
/// Memory: four bytes a cell and two a point, besides the input.
///
/// # Errors
/// [`SurfaceError::Bandwidth`] if the bandwidth is not a positive number.
pub fn density(
    points: &[WeightedPoint],
    grid: &Grid,
    kernel: Kernel,
    bandwidth_m: f64,
) -> Result<Surface, SurfaceError> {
    let smoother = Smoother::new(*grid, kernel, bandwidth_m)?;
    let values = smoother.density(points);
    let sum_of_weights: f64 = points.iter().map(|p| p.weight).sum();
    let error_bound = smoother.error_bound(points);
    Ok(Surface::new(*grid, values, kernel, bandwidth_m, EdgeRule::None, sum_of_weights, error_bound))
}

impl Surface {
    fn new(
        grid: Grid,
        values: Vec<f32>,
        kernel: Kernel,
        bandwidth_m: f64,
        edge: EdgeRule,
        sum_of_weights: f64,
        error_bound: ErrorBound,
    ) -> Self {
        let known = || values.iter().filter(|v| !v.is_nan()).map(|&v| f64::from(v));
        let integral = known().sum::<f64>() * grid.cell_area_m2() / super::M2_PER_KM2;
        let peak_per_km2 = known().fold(0.0, f64::max);
        Self { grid, kernel, bandwidth_m, edge, sum_of_weights, integral, peak_per_km2, error_bound, values }
    }

    /// Value of a cell in sign per km²; `None` off the grid or where there is no value.
    pub fn value(&self, row: usize, column: usize) -> Option<f64> {
        let inside = row < self.grid.rows && column < self.grid.columns;
        inside.then(|| f64::from(self.values[row * self.grid.columns + column])).filter(|v| !v.is_nan())
    }
}
