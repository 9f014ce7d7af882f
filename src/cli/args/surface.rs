//! Flags of `surface`.

use std::path::PathBuf;

use clap::Args;

use super::Flags;
use crate::plan::{MetresOrRule, Plan, Positive, SurfaceTable};
use crate::surface::{EdgeRule, Kernel};

/// How the activity surface is made.
#[derive(Args)]
pub(in crate::cli) struct SurfaceFlags {
    /// Kernel; bandwidth is the per-axis standard deviation for every kernel
    #[arg(long, value_name = "KERNEL", value_parser = Kernel::ALL.map(Kernel::word))]
    kernel: Option<String>,
    /// Bandwidth in metres (standard deviation along an axis), or a rule: scott, oversmooth,
    /// lscv, likelihood, plug-in, diggle
    #[arg(long, value_name = "METRES|RULE")]
    bandwidth: Option<MetresOrRule>,
    /// Edge correction (default jones-diggle with an area: all activity lies within it; none
    /// without one)
    #[arg(long, value_name = "RULE", value_parser = EdgeRule::ALL.map(EdgeRule::word))]
    edge: Option<String>,
    /// Adaptive bandwidth: narrow where records are dense, wide where sparse
    #[arg(long)]
    adaptive: bool,
    /// Cell size in metres; if omitted, it follows the bandwidth
    #[arg(long, value_name = "METRES")]
    cell: Option<Positive>,
    /// Also along lines: heat kernel for gaussian, equal splits for the other kernels; with
    /// --survey, sign per km searched
    #[arg(long)]
    along_lines: bool,
    /// Kinds of line that carry sign; track and road if omitted
    #[arg(long, value_name = "KIND", num_args = 1..)]
    along: Vec<String>,
    /// How weight divides at junctions along lines
    #[arg(long, value_name = "RULE", value_parser = ["continuous", "discontinuous"])]
    split: Option<String>,
    /// Longest piece of line in the output, in metres
    #[arg(long, value_name = "METRES")]
    piece: Option<Positive>,
    /// Records farther from every line than this, or known less well, are not put on one; 50 if
    /// omitted
    #[arg(long, value_name = "METRES")]
    accuracy: Option<Positive>,
    /// Points at which the surface is evaluated exactly
    #[arg(long, value_name = "FILE")]
    at: Option<PathBuf>,
}

impl Flags for SurfaceFlags {
    fn lay_on(&self, plan: &mut Plan) {
        plan.surface = SurfaceTable {
            kernel: self.kernel.clone(),
            bandwidth: self.bandwidth.clone(),
            edge: self.edge.clone(),
            adaptive: self.adaptive.then_some(true),
            cell_m: self.cell,
            along_lines: self.along_lines,
            along: self.along.clone(),
            split: self.split.clone(),
            piece_m: self.piece,
            accuracy_m: self.accuracy,
            at: self.at.clone(),
            ..SurfaceTable::default()
        };
    }
}
