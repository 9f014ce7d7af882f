//! Siting: where stations should go, on which side, and why.

mod keep_out;
pub mod select;
pub mod wind;

pub use keep_out::{KeepOuts, Near, distance_to_edge_m};
