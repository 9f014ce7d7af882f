//! `nodes` and its flags.

use std::path::PathBuf;

use clap::Args;

use super::{Common, Flags, Results, overlay_of};
use crate::plan::{NodesTable, NonNegative, Overlay, Plan, Positive};

/// How the network is built.
#[derive(Args)]
pub(in crate::cli) struct NodesFlags {
    /// Join line ends to other lines within this distance (default 5); 0 joins none
    #[arg(long, value_name = "METRES")]
    snap: Option<NonNegative>,
    /// Take repeated GPS passes within this distance for one line (default: the snap distance);
    /// 0 keeps all
    #[arg(long, value_name = "METRES")]
    merge: Option<NonNegative>,
    /// Tell ways apart at this distance from a node, and take nodes within it for one place
    /// (default 50)
    #[arg(long, value_name = "METRES")]
    reach: Option<Positive>,
    /// GeoTIFF of heights: its ridges and creeks serve as lines where none of the kind are given
    #[arg(long, value_name = "FILE")]
    dem: Option<PathBuf>,
}

impl Flags for NodesFlags {
    fn lay_on(&self, plan: &mut Plan) {
        plan.nodes = NodesTable {
            snap_m: self.snap,
            merge_m: self.merge,
            reach_m: self.reach,
            ..NodesTable::default()
        };
        plan.terrain.dem = self.dem.clone();
    }
}

#[derive(Args)]
pub(in crate::cli) struct Nodes {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    nodes: NodesFlags,
    #[command(flatten)]
    pub results: Results,
}

impl Nodes {
    pub(in crate::cli) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[&self.nodes])
    }
}
