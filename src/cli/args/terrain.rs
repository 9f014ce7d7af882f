//! `terrain` and its flags.

use std::path::PathBuf;

use clap::Args;

use super::{Common, Results, overlay_of};
use crate::plan::{NonNegative, Overlay, Positive, TerrainTable};

#[derive(Args)]
pub(in crate::cli) struct Terrain {
    /// Plan file; flags override it
    pub plan: Option<PathBuf>,
    #[command(flatten)]
    common: Common,
    /// GeoTIFF of heights in metres; where other layers say where the job is, the part round them
    #[arg(long, value_name = "FILE")]
    dem: Option<PathBuf>,
    /// Hectares that drain through a place where a creek begins (default 25)
    #[arg(long, value_name = "HECTARES")]
    creek: Option<Positive>,
    /// Hectares that fall away from a place where a ridge begins (default 25)
    #[arg(long, value_name = "HECTARES")]
    ridge: Option<Positive>,
    /// Metres that a ridge stands at least above the creek below it (default 10)
    #[arg(long, value_name = "METRES")]
    ridge_height: Option<NonNegative>,
    /// Metres that the lesser of two summits stands at least above their saddle (default 10)
    #[arg(long, value_name = "METRES")]
    prominence: Option<Positive>,
    /// Leave out creeks and ridges that begin on their own and are shorter (default 100)
    #[arg(long, value_name = "METRES")]
    shortest: Option<NonNegative>,
    /// Metres by which lines may be simplified (default: a cell of the raster)
    #[arg(long, value_name = "METRES")]
    simplify: Option<NonNegative>,
    #[command(flatten)]
    pub results: Results,
}

impl Terrain {
    pub(in crate::cli) fn overlay(&self) -> Overlay {
        let mut overlay = overlay_of(&self.common, &[]);
        overlay.plan.terrain = TerrainTable {
            dem: self.dem.clone(),
            lines: None,
            creek_ha: self.creek,
            ridge_ha: self.ridge,
            ridge_height_m: self.ridge_height,
            prominence_m: self.prominence,
            shortest_m: self.shortest,
            simplify_m: self.simplify,
        };
        overlay
    }
}
