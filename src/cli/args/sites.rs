//! Flags of `sites`.

use clap::Args;

use crate::plan::{Plan, Positive};

/// How sites are chosen.
#[derive(Args)]
pub(in crate::cli) struct SitesFlags {
    /// Least travel distance in metres between sites: yours to set; guides and permits differ
    #[arg(long, value_name = "METRES")]
    spacing: Option<Positive>,
    /// Most sites to propose
    #[arg(long, value_name = "N")]
    budget: Option<usize>,
    /// How far off the line a site stands, in metres
    #[arg(long, value_name = "METRES")]
    offset: Option<Positive>,
}

impl SitesFlags {
    pub(in crate::cli) fn lay_on(&self, plan: &mut Plan) {
        plan.sites.spacing_m = self.spacing;
        plan.sites.budget = self.budget;
        plan.sites.offset_m = self.offset;
    }
}
