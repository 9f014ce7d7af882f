//! `audit`.

use std::path::PathBuf;

use clap::Args;

use super::sites::SitesFlags;
use super::{Common, overlay_of};
use crate::plan::Overlay;

/// Measure anew what a folder of results promises, sites moved by hand included
///
/// Holds every site and every station in the ground against keep-outs, barred places, the area,
/// spacing, sides and closed gaps, from the files as they are now and the inputs as they are now.
/// Writes site-distances.csv (for the permit file), audit.json and audit.txt. Ends with exit status 1
/// where a promise is not kept; the files are written all the same.
#[derive(Args)]
pub(in crate::cli) struct Audit {
    /// Folder that an earlier run wrote
    pub dir: PathBuf,
    /// Plan file; left out, the settings.toml of the folder. Run it where the run was made from
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    sites: SitesFlags,
    /// New folder for the results; left out, they join the folder audited
    #[arg(long, value_name = "DIR")]
    pub out: Option<PathBuf>,
    /// Replace what an earlier run wrote in --out; files of your own are kept
    #[arg(long, requires = "out")]
    pub force: bool,
}

impl Audit {
    pub(in crate::cli) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[&self.sites])
    }
}
