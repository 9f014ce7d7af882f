//! Activity surfaces: grid, kernels, bandwidths, density, hot areas.

mod grid;

pub use grid::Grid;
