//! `round` and `checks`, and their flags.

use std::path::PathBuf;

use clap::Args;

use super::nodes::NodesFlags;
use super::{Common, Flags, Results, overlay_of};
use crate::plan::{DayText, Layer, Overlay, Plan, Positive};

/// The check log and the day of the lists.
#[derive(Args)]
struct LogFlags {
    /// Check logs: CSV or GeoJSON, one visit a row
    #[arg(long, value_name = "FILE", num_args = 1..)]
    checks: Vec<PathBuf>,
    /// Days between checks, from your permit and label (default 28, common practice)
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(1..))]
    every_days: Option<u32>,
    /// Day the due list is made for; left out, the last day that stations and log name
    #[arg(long, value_name = "DATE")]
    on: Option<DayText>,
}

impl Flags for LogFlags {
    fn lay_on(&self, plan: &mut Plan) {
        plan.check.extend(self.checks.iter().map(|file| Layer { file: file.clone(), ..Default::default() }));
        plan.round.every_days = self.every_days;
        plan.round.on = self.on;
    }
}

/// The shortest round through the stations, due dates, and what to carry
#[derive(Args)]
pub(in crate::cli) struct Round {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    nodes: NodesFlags,
    /// Where every day starts; left out, at the first station
    #[arg(long, value_name = "LON,LAT", value_parser = place, allow_hyphen_values = true)]
    start: Option<[f64; 2]>,
    /// Where the round ends, if not at the start
    #[arg(long, value_name = "LON,LAT", value_parser = place, allow_hyphen_values = true, conflicts_with = "open")]
    end: Option<[f64; 2]>,
    /// End at the last station
    #[arg(long)]
    open: bool,
    /// Working hours per day; if omitted, the whole round is one day
    #[arg(long, value_name = "H")]
    hours_per_day: Option<Positive>,
    #[command(flatten)]
    log: LogFlags,
    #[command(flatten)]
    pub results: Results,
}

impl Round {
    pub(in crate::cli) fn overlay(&self) -> Overlay {
        let mut overlay = overlay_of(&self.common, &[&self.nodes, &self.log]);
        overlay.plan.round.start = self.start;
        overlay.plan.round.end = self.end;
        overlay.plan.round.open = self.open.then_some(true);
        overlay.plan.round.hours_per_day = self.hours_per_day;
        overlay
    }
}

/// What the check log shows
#[derive(Args)]
pub(in crate::cli) struct Checks {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    #[command(flatten)]
    log: LogFlags,
    #[command(flatten)]
    pub results: Results,
}

impl Checks {
    pub(in crate::cli) fn overlay(&self) -> Overlay {
        overlay_of(&self.common, &[&self.log])
    }
}

fn place(text: &str) -> Result<[f64; 2], String> {
    let (lon, lat) = text.split_once(',').ok_or("expected LON,LAT in degrees, such as 148.2,-35.4")?;
    let degrees =
        |text: &str| text.trim().parse::<f64>().map_err(|_| format!("\"{text}\" is no number of degrees"));
    Ok([degrees(lon)?, degrees(lat)?])
}
