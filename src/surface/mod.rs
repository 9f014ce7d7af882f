//! Activity surfaces: grid, kernels, bandwidths, density, hot areas.
//!
//! Densities are in sign per km² of the frame; bandwidths are standard deviations along an
//! axis, in metres.

#![expect(
    clippy::indexing_slicing,
    reason = "indices are counted by this room itself, over arrays of its own making; none comes from a file"
)]

mod adaptive;
pub mod along;
mod bandwidth;
mod choose;
mod density;
mod edge;
pub mod effort;
mod error;
mod exact;
mod fast;
mod fft;
mod grid;
mod hot_area;
mod kernel;
mod neighbours;
mod point;
mod weigh;
mod work;

pub use adaptive::{Spread, adaptive_bandwidths_m};
pub use bandwidth::{Bandwidth, Rule, choose_bandwidth, every_rule};
pub use choose::{Extent, MOST_CELLS, choose_grid, choose_grid_within};
pub use density::{DensitySettings, ErrorBound, Surface, density, density_at_places, density_within};
pub use edge::{EdgeRule, Window};
pub use error::SurfaceError;
pub use exact::{densities_at, density_at, density_on_grid};
pub use fast::Smoother;
pub use grid::Grid;
pub use hot_area::{HotArea, hot_areas};
pub use kernel::Kernel;
pub use point::WeightedPoint;
pub use weigh::{Repeats, SharedPlaces, Weighed, WeightSettings, coarse_step_m, shared_places, weigh};
pub use work::{MOST_VALUES, check_places};

/// Square metres in a square kilometre.
const M2_PER_KM2: f64 = 1e6;
