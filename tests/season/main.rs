//! The season room against published values, its own algebra, simulated seasons and a
//! coyote's positions.

mod calibration;
mod coyote;
mod invariance;
mod law;
#[path = "../support/cases.rs"]
mod open_data;
mod single_records;
mod values;
