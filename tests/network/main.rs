//! The network room against the outside: published cases, reference libraries, open data.

mod cases;
mod geos;
mod maps;
mod passes;
mod properties;
#[path = "../support/skip.rs"]
mod skip;
mod support;
mod travel;
mod values;
