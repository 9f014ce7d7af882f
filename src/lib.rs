//! stakeline turns sign surveys and the lines on a property map into a proposed layer of
//! ground stations, helps look after them, and shows honestly how activity changes
//! between seasons.
//!
//! Data flows one way through the rooms below; each uses only rooms above it.

pub mod record;

pub mod frame;

pub mod plan;

pub mod files;

pub mod job;

pub mod terrain;

pub mod network;

pub mod surface;

pub mod siting;

pub mod season;

pub mod round;

pub mod checks;

pub mod report;

pub mod steps;

pub mod cli;
