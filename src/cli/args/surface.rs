//! Flags of `surface`.

use std::path::PathBuf;

use clap::Args;

use crate::plan::{MetresOrRule, Plan, Positive, SurfaceTable};

/// How the activity surface is made.
#[derive(Args)]
pub(in crate::cli) struct SurfaceFlags {
    /// Kernel: gaussian, quartic
    #[arg(long, value_name = "KERNEL", value_parser = ["gaussian", "quartic"])]
    kernel: Option<String>,
    /// Bandwidth in metres (standard deviation along an axis), or a rule: scott
    #[arg(long, value_name = "METRES|RULE")]
    bandwidth: Option<MetresOrRule>,
    /// Cell size in metres; left out, it follows the bandwidth
    #[arg(long, value_name = "METRES")]
    cell: Option<Positive>,
    /// Also along lines: heat kernel for gaussian, equal splits for the other kernels; with
    /// --survey, sign per km searched
    #[arg(long)]
    along_lines: bool,
    /// Kinds of line that carry sign; track and road if left out
    #[arg(long, value_name = "KIND", num_args = 1..)]
    along: Vec<String>,
    /// How weight divides at junctions along lines
    #[arg(long, value_name = "RULE", value_parser = ["continuous", "discontinuous"])]
    split: Option<String>,
    /// Longest piece of line in the output, in metres
    #[arg(long, value_name = "METRES")]
    piece: Option<Positive>,
    /// Records farther from every line than this, or known less well, are not put on one; 50 if
    /// left out
    #[arg(long, value_name = "METRES")]
    accuracy: Option<Positive>,
    /// Points at which the surface is evaluated exactly
    #[arg(long, value_name = "FILE")]
    at: Option<PathBuf>,
}

impl SurfaceFlags {
    pub(in crate::cli) fn lay_on(&self, plan: &mut Plan) {
        plan.surface = SurfaceTable {
            kernel: self.kernel.clone(),
            bandwidth: self.bandwidth.clone(),
            cell_m: self.cell,
            along_lines: self.along_lines,
            along: self.along.clone(),
            split: self.split.clone(),
            piece_m: self.piece,
            accuracy_m: self.accuracy,
            at: self.at.clone(),
        };
    }
}
