//! The network room against the outside: published cases, reference libraries, open data.

mod cases;
mod passes;
mod support;
mod values;
