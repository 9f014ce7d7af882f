//! `report`.

use std::path::PathBuf;

use clap::Args;

/// Map, field sheet and notices from the folder that a run wrote
///
/// Reads the outputs in the folder and, through its settings.toml, the inputs that they were
/// made from; run it from the folder that the run was made from. Where an output or an input has
/// changed since, it says so and writes nothing.
#[derive(Args)]
pub(in crate::cli) struct Report {
    /// Folder that an earlier run wrote
    pub dir: PathBuf,
    /// Folder at which the inputs named in settings.toml start, where they were moved
    #[arg(long, value_name = "DIR")]
    pub inputs: Option<PathBuf>,
    /// Draw the set although outputs or inputs have changed since; every page says what has
    #[arg(long)]
    pub as_it_stands: bool,
}
