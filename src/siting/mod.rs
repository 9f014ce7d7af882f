//! Siting: where stations should go, on which side, and why.

pub mod select;
pub mod wind;
