//! The season room against published values, its own algebra, simulated seasons and a
//! coyote's positions.

mod calibration;
mod coyote;
mod invariance;
mod law;
#[path = "../support/skip.rs"]
mod skip;
mod values;
