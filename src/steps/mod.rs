//! One function a command. A step takes the job and the plan, writes its files into the
//! output set and says what it did; only steps call readers and writers, and none prints.
//!
//! # Every step, on the sample property
//! ```
//! use std::path::Path;
//!
//! use stakeline::files::OutputSet;
//! use stakeline::plan::Plan;
//! use stakeline::steps::{self, Silent};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! // A plan says what to read and how to compute; flags are a plan laid over it.
//! let file = Path::new("data-samples/plan.toml");
//! let mut plan = Plan::parse(file, &std::fs::read_to_string(file)?)?;
//! plan.compare.runs = Some(99); // enough to show it, not to conclude anything
//! plan.sites.weightings = Some(20);
//!
//! // Every input is read and checked; all faults are told at once, by file and feature.
//! let desk = steps::load(&plan, &Silent)?;
//! let seen = steps::inspect(&desk);
//! assert!(!seen.lines.is_empty());
//!
//! // Outputs appear whole, when the set is committed, or not at all.
//! # let folder = tempfile::tempdir()?;
//! # let out = folder.path().join("results");
//! let mut set = OutputSet::begin(&out, false)?;
//!
//! // Activity per km², with the bandwidth that every rule would choose.
//! let (_, surface) = steps::surface(&desk, &mut set)?;
//! assert!(surface.surface.peak_per_km2 > 0.0);
//!
//! // One noded network of all lines, and where ways converge.
//! let (_, network) = steps::nodes(&desk, &mut set)?;
//! assert!(network.network.edges().len() > 50);
//!
//! // Ranked sites on the surface and network that are there already.
//! let sites = steps::sites(&desk, &mut set, Some(&surface), Some(&network))?;
//! assert!(sites.lines.iter().any(|line| line.contains("sites")));
//!
//! // The round through the stations in the ground, and what the check log shows of them.
//! steps::round(&desk, &mut set)?;
//! steps::checks(&desk, &mut set)?;
//!
//! // Two seasons, by permuting whole outings, days, weeks or months.
//! let seasons = steps::compare(&desk, &mut set)?;
//! assert!(!seasons.lines.is_empty());
//!
//! // Map, field sheet and notices from what the set holds so far.
//! steps::report(&desk, &mut set)?;
//! steps::write_settings(&plan, &mut set)?;
//! // Everything is measured anew from the files before they take their place.
//! let written = steps::commit(&desk, set)?;
//! assert!(written.files.iter().any(|path| path.ends_with("map.html")));
//! # Ok(())
//! # }
//! ```
//!
//! [`run`] does all of that in one call; [`demo`] does it on the sample property that the program
//! carries; [`new`] writes a plan to start from.
//!
//! # Ridges and creeks from heights
//! ```
//! use std::path::Path;
//!
//! use stakeline::files::read_raster;
//! use stakeline::terrain::{Dem, TerrainSettings, terrain};
//!
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! let file = Path::new("tests/golden/raster/f32_metres.tif");
//! let heights = Dem::from_raster(read_raster(file, file, None)?)?;
//! let settings = TerrainSettings { creek_ha: 5.0, ridge_ha: 5.0, ..TerrainSettings::default() };
//! let ground = terrain(&heights, &settings)?;
//! assert!(!ground.creeks.is_empty());
//! assert_eq!(ground.slope_deg.len(), heights.rows * heights.columns);
//! # Ok(())
//! # }
//! ```
//! The step [`terrain()`] does the same for a plan and writes the layers.

#![expect(
    clippy::indexing_slicing,
    reason = "indices come with the lists that they were counted over, from the room that made both"
)]

mod along;
mod along_files;
mod along_part;
mod also;
mod audit;
mod check_rows;
mod checks;
mod compare;
mod demo;
mod error;
mod inspect;
mod load;
mod new;
mod nodes;
mod number_layers;
mod off_legs;
mod outcome;
mod rate_camera;
mod rate_plane;
mod report;
mod round;
mod run;
mod sign;
mod sites;
mod smoothing;
mod surface;
mod terrain;
mod verdicts;
mod written;

pub use along::{ActivityAt, LineActivity, SearchedLines, Survey, line_activity, searched_lines};
pub use also::also;
pub use audit::{audit, commit};
pub use checks::checks;
pub use compare::{compare, with_season_files};
pub use demo::demo;
pub use error::StepError;
pub use inspect::inspect;
pub use load::{Desk, load, look};
pub use new::new;
pub use nodes::{NetworkDone, nodes};
pub use outcome::{Outcome, Progress, Silent, Summary};
pub use report::{plan_left_in, reopen, report, report_again};
pub use round::round;
pub use run::{run, write_settings};
pub use sites::sites;
pub use surface::{SurfaceDone, surface};
pub use terrain::{Ground, terrain};
