//! `report`.

use std::path::PathBuf;

use clap::Args;

/// Map, field sheet and notices from the folder that a run wrote
///
/// Reads the outputs in the folder and, through its settings.toml, the inputs that they were
/// made from; run it from the folder that the run was made from.
#[derive(Args)]
pub(in crate::cli) struct Report {
    /// Folder that an earlier run wrote
    pub dir: PathBuf,
}
