//! Which side of a line the moving air favours, by day and by night.
//!
//! Directions are where wind comes FROM. The useful side is upwind of the line: from there
//! scent drifts onto it.

mod direction;
mod side;
mod sun;

pub use direction::{CircularMean, Rose, VectorMean, circular_mean, sector, vector_mean};
pub use side::{Period, Scent, SideValue, WindRecord, WindSettings, scent_share};
pub use sun::{HORIZON_DEG, Sun};
