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
            at: self.at.clone(),
        };
    }
}
