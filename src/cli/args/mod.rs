//! Arguments: each command's flags become an overlay that is laid over the plan file.

mod audit;
mod common;
mod compare;
mod nodes;
mod report;
mod round;
mod sites;
mod surface;
mod terrain;

use std::num::NonZeroUsize;
use std::path::PathBuf;

use clap::{Args as ClapArgs, Parser, Subcommand};

pub(super) use audit::Audit;
pub(super) use common::{Common, Results};
pub(super) use compare::CompareFlags;
pub(super) use nodes::{Nodes, NodesFlags};
pub(super) use report::Report;
pub(super) use round::{Checks, Round};
pub(super) use sites::SitesFlags;
pub(super) use surface::SurfaceFlags;
pub(super) use terrain::Terrain;

use super::terminal::Colour;
use crate::plan::{NonNegative, Overlay, Plan};

/// Flags that fill a part of a plan.
trait Flags {
    fn lay_on(&self, plan: &mut Plan);
}

/// What these flags say.
fn overlay_of(common: &Common, flags: &[&dyn Flags]) -> Overlay {
    let mut plan = Plan::default();
    common.lay_on(&mut plan);
    flags.iter().for_each(|flags| flags.lay_on(&mut plan));
    Overlay { plan, replace: common.replace.clone(), input_epsg: common.input_epsg.clone() }
}

/// From sign surveys and property lines to a proposed layer of ground stations.
///
/// Proposes and computes; it gives no legal approval. Local codes, the product label,
/// permits and training decide what may be used and where.
#[derive(Parser)]
#[command(name = "stakeline", version, max_term_width = 100)]
pub(super) struct Args {
    /// Threads to compute with; all cores if left out. Results do not depend on it
    #[arg(long, global = true, value_name = "N")]
    pub threads: Option<NonZeroUsize>,
    /// No progress and no warnings on standard error
    #[arg(long, global = true)]
    pub quiet: bool,
    /// The summary as one JSON object on standard output
    #[arg(long, global = true)]
    pub json: bool,
    /// When messages are in colour
    #[arg(long, global = true, value_enum, value_name = "WHEN", default_value_t)]
    pub color: Colour,
    #[command(subcommand)]
    pub command: Command,
}

#[derive(Subcommand)]
pub(super) enum Command {
    /// Write an invented sample property and run the whole job on it
    Demo(Demo),
    /// Write a commented plan.toml to start from
    New(New),
    /// Read all inputs and report what they hold; computes nothing
    Inspect(Inspect),
    /// Activity surface of the sign, and hot areas
    Surface(Surface),
    /// Noded line network: nodes, near misses, convergence
    Nodes(Nodes),
    /// Ranked sites along the lines, with their sides and what is proven of them
    Sites(Sites),
    /// Shortest round through the stations, due dates, and what to carry
    Round(Round),
    /// What the check log shows: capsules, activations, time to activation
    Checks(Checks),
    /// Two seasons: what changed, where, and whether it could be chance
    Compare(Compare),
    /// Slope, ridges, creeks and saddles from a raster of heights
    Terrain(Terrain),
    /// Measure anew what a folder of results promises, sites moved by hand included
    Audit(Audit),
    /// Map, field sheet and notices from the folder that a run wrote
    Report(Report),
    /// Write man pages and shell completions
    Manual(Manual),
    /// Every step of a plan
    Run(Run),
}

impl Command {
    pub(super) fn name(&self) -> &'static str {
        match self {
            Command::Demo(_) => "demo",
            Command::New(_) => "new",
            Command::Inspect(_) => "inspect",
            Command::Surface(_) => "surface",
            Command::Nodes(_) => "nodes",
            Command::Sites(_) => "sites",
            Command::Round(_) => "round",
            Command::Checks(_) => "checks",
            Command::Compare(_) => "compare",
            Command::Terrain(_) => "terrain",
            Command::Audit(_) => "audit",
            Command::Report(_) => "report",
            Command::Manual(_) => "manual",
            Command::Run(_) => "run",
        }
    }
}

#[derive(ClapArgs)]
pub(super) struct Demo {
    /// Folder to write the property and the results to
    #[arg(default_value = "stakeline-demo")]
    pub dir: PathBuf,
    /// Replace what an earlier run wrote there
    #[arg(long)]
    pub force: bool,
}

#[derive(ClapArgs)]
pub(super) struct New {
    /// Folder to write the plan to
    pub dir: PathBuf,
    /// Replace the plan that an earlier run of this command wrote there
    #[arg(long)]
    pub force: bool,
}

#[derive(ClapArgs)]
pub(super) struct Manual {
    /// Folder to write man1 and completions to
    pub dir: PathBuf,
    /// Replace what an earlier run of this command wrote there
    #[arg(long)]
    pub force: bool,
}

#[derive(ClapArgs)]
pub(super) struct Inspect {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    surface: SurfaceFlags,
}

impl Inspect {
    pub(super) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[&self.surface])
    }
}

#[derive(ClapArgs)]
pub(super) struct Surface {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    surface: SurfaceFlags,
    /// Join line ends to other lines within this distance (default 5), for --along-lines; 0 joins
    /// none
    #[arg(long, value_name = "METRES")]
    snap: Option<NonNegative>,
    #[command(flatten)]
    pub results: Results,
}

impl Surface {
    pub(super) fn overlay(&self) -> Overlay {
        let mut overlay = overlay_of(&self.common, &[&self.surface]);
        overlay.plan.nodes.snap_m = self.snap;
        overlay
    }
}

#[derive(ClapArgs)]
pub(super) struct Sites {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    surface: SurfaceFlags,
    #[command(flatten)]
    nodes: NodesFlags,
    #[command(flatten)]
    sites: SitesFlags,
    #[command(flatten)]
    pub results: Results,
}

impl Sites {
    pub(super) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[&self.surface, &self.nodes, &self.sites])
    }
}

#[derive(ClapArgs)]
pub(super) struct Compare {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    surface: SurfaceFlags,
    #[command(flatten)]
    compare: CompareFlags,
    #[command(flatten)]
    pub results: Results,
}

impl Compare {
    pub(super) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[&self.surface, &self.compare])
    }
}

#[derive(ClapArgs)]
pub(super) struct Run {
    /// Plan file; flags override it
    pub plan: PathBuf,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    pub results: Results,
}

impl Run {
    pub(super) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[])
    }
}
