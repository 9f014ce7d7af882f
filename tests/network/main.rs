//! The network room against the outside: published cases, reference libraries, open data.

mod cases;
mod definition;
mod geos;
mod maps;
#[path = "../support/cases.rs"]
mod open_data;
mod passes;
mod properties;
mod seeded;
mod stars;
mod support;
mod travel;
mod values;
