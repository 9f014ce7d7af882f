//! Flags that every step has.

use std::path::PathBuf;

use clap::Args;

use super::Flags;
use crate::plan::{AlsoFormat, DayText, KeepOutLayer, Layer, LineLayer, NonNegative, Plan, Role, SignLayer};
use crate::record::LineKind;

/// Inputs and the choice of sign.
#[derive(Args)]
pub(in crate::cli) struct Common {
    /// Sign: points
    #[arg(long, value_name = "FILE", num_args = 1..)]
    sign: Vec<PathBuf>,
    /// Survey legs: lines that somebody searched
    #[arg(long, value_name = "FILE", num_args = 1..)]
    survey: Vec<PathBuf>,
    /// Lines of a kind: track, road, fence, creek, ridge, boundary, other
    #[arg(long, value_name = "KIND=FILE", num_args = 1.., value_parser = line_layer)]
    line: Vec<LineLayer>,
    /// Features with the distance inside which no station may stand, from your permit and label
    #[arg(long, value_name = "METRES=FILE", num_args = 1.., value_parser = keep_out_layer)]
    keep_out: Vec<KeepOutLayer>,
    /// Stations in the ground
    #[arg(long, value_name = "FILE", num_args = 1..)]
    stations: Vec<PathBuf>,
    /// Polygons of the land under control
    #[arg(long, value_name = "FILE")]
    area: Option<PathBuf>,
    /// Projected system in metres to compute in; left out, the UTM zone of the place
    #[arg(long, value_name = "N")]
    epsg: Option<u32>,
    /// Coordinate system that an input is in, where the file does not say: 28355=tracks.shp
    #[arg(long, value_name = "N=FILE", num_args = 1.., value_parser = input_epsg)]
    pub(super) input_epsg: Vec<(u32, PathBuf)>,
    /// Use the files of the flags instead of the plan's for this kind of input: sign, survey, line,
    /// keep-out, station, check, must, never, area, wind, at, dem, untreated. Without it, files of
    /// flags are added to the plan's
    #[arg(long, value_name = "ROLE", num_args = 1.., value_delimiter = ',')]
    pub(super) replace: Vec<Role>,
    /// Animals whose sign is used; all if left out
    #[arg(long, value_name = "NAME", num_args = 1..)]
    animal: Vec<String>,
    /// First day of sign to use
    #[arg(long, value_name = "DATE")]
    from: Option<DayText>,
    /// Last day of sign to use
    #[arg(long, value_name = "DATE")]
    to: Option<DayText>,
    /// Time of the year whose sign is used: a name from [periods] in the plan
    #[arg(long, value_name = "NAME")]
    period: Option<String>,
}

impl Flags for Common {
    fn lay_on(&self, plan: &mut Plan) {
        let sign_layer = |file: &PathBuf| SignLayer { file: file.clone(), ..Default::default() };
        plan.sign.extend(self.sign.iter().map(sign_layer));
        plan.survey.extend(self.survey.iter().map(sign_layer));
        plan.line.extend(self.line.iter().cloned());
        plan.keep_out.extend(self.keep_out.iter().cloned());
        plan.station
            .extend(self.stations.iter().map(|file| Layer { file: file.clone(), ..Default::default() }));
        plan.place.area = self.area.clone();
        plan.place.epsg = self.epsg;
        plan.select.animals.extend(self.animal.iter().cloned());
        plan.select.from = self.from;
        plan.select.to = self.to;
        plan.select.period = self.period.clone();
    }
}

/// Where results go.
#[derive(Args)]
pub(in crate::cli) struct Results {
    /// Folder for the results
    #[arg(long, value_name = "DIR")]
    pub out: PathBuf,
    /// Further formats to write all layers in, one file each: gpkg, kml
    #[arg(long, value_name = "FORMAT", num_args = 1.., value_delimiter = ',')]
    pub also: Vec<AlsoFormat>,
    /// Replace what an earlier run wrote there; files of your own are kept
    #[arg(long)]
    pub force: bool,
}

fn line_layer(text: &str) -> Result<LineLayer, String> {
    let (kind, file) = text.split_once('=').ok_or("expected KIND=FILE, such as track=tracks.geojson")?;
    let known = || LineKind::ALL.map(LineKind::word).join(", ");
    let kind =
        LineKind::from_word(kind).ok_or_else(|| format!("unknown kind \"{kind}\"; known are {}", known()))?;
    Ok(LineLayer { kind: kind.word().to_string(), file: file.into(), ..Default::default() })
}

fn input_epsg(text: &str) -> Result<(u32, PathBuf), String> {
    let (code, file) = text.split_once('=').ok_or("expected N=FILE, such as 28355=tracks.shp")?;
    let code = code.trim_start_matches("EPSG:").parse().map_err(|_| format!("\"{code}\" is no EPSG code"))?;
    Ok((code, file.into()))
}

fn keep_out_layer(text: &str) -> Result<KeepOutLayer, String> {
    let (metres, file) =
        text.split_once('=').ok_or("expected METRES=FILE, with the metres from your permit")?;
    let distance_m: NonNegative =
        metres.parse().map_err(|e| format!("metres: {e}; take them from your permit and label"))?;
    Ok(KeepOutLayer { file: file.into(), distance_m: Some(distance_m), ..Default::default() })
}
