//! The season room against published values, its own algebra, simulated seasons and a
//! coyote's positions.

mod calibration;
mod coyote;
mod invariance;
mod law;
mod single_records;
#[path = "../support/skip.rs"]
mod skip;
mod values;
