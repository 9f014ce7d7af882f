//! The network room against the outside: published cases, reference libraries, open data.

mod cases;
mod definition;
mod geos;
mod maps;
mod passes;
mod properties;
mod seeded;
#[path = "../support/skip.rs"]
mod skip;
mod stars;
mod support;
mod travel;
mod values;
