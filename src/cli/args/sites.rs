//! Flags of `sites`.

use std::path::PathBuf;

use clap::Args;

use super::Flags;
use crate::plan::{Places, Plan, Positive};

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
    /// Most sites at one hot node; some guides forbid several together
    #[arg(long, value_name = "N")]
    cluster: Option<usize>,
    /// Make the sum of scores greatest (default), or the activity within reach of some site
    #[arg(long, value_name = "OBJECTIVE", value_parser = ["score", "coverage"])]
    objective: Option<String>,
    /// Random weight sets for the rank-stability test; 1000, the default, tell rank_stability to 0.03,
    /// 100 to 0.1; 0 for none
    #[arg(long, value_name = "N")]
    weightings: Option<u64>,
    /// Fixed sites: points every proposal must include (for example must.geojson saved from the
    /// map)
    #[arg(long, value_name = "FILE", num_args = 1..)]
    must: Vec<PathBuf>,
    /// Excluded places: polygons, or points and lines with a distance within_m
    #[arg(long, value_name = "FILE", num_args = 1..)]
    never: Vec<PathBuf>,
    /// Wind: CSV with time, from_deg and speed_m_s, or with from_deg, day and night
    #[arg(long, value_name = "FILE")]
    wind: Option<PathBuf>,
}

impl Flags for SitesFlags {
    fn lay_on(&self, plan: &mut Plan) {
        plan.sites.spacing_m = self.spacing;
        plan.sites.budget = self.budget;
        plan.sites.offset_m = self.offset;
        plan.sites.cluster = self.cluster;
        plan.sites.objective = self.objective.clone();
        plan.sites.weightings = self.weightings;
        plan.sites.must = Places::of_files(self.must.iter().cloned());
        plan.sites.never = Places::of_files(self.never.iter().cloned());
        plan.wind.file = self.wind.clone();
    }
}
