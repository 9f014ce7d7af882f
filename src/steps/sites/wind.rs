//! The wind behind the sites, and how far from them it was measured.

use serde_json::{Map, Value, json};

use super::{Done, settings};
use crate::files::read_raster;
use crate::files::write::round_to;
use crate::frame::LonLat;
use crate::siting::SitingSettings;
use crate::siting::wind::{Period, WindRecord};
use crate::steps::number_layers::grown;
use crate::steps::{Desk, Outcome, StepError};

/// The wind, day and night parted by the sun over the middle of the lines.
pub(super) fn wind_record(desk: &Desk, settings: &SitingSettings) -> Option<WindRecord> {
    let wind = desk.job.wind.as_ref()?;
    let line = desk.job.lines.get(desk.job.lines.len() / 2)?;
    Some(WindRecord::new(wind, *line.path.first()?, settings.wind.clone()))
}

/// Where night air drains to along a line, if the plan says so by the line's name.
pub(super) fn drains_to_deg(desk: &Desk, line: u32) -> Option<f64> {
    let name = desk.job.lines[line as usize].what.name.as_deref()?;
    desk.plan.wind.drains_to_deg.get(name).copied()
}

/// Day and night apart: hours, calm, rose; how far the instrument is.
pub(super) fn summary(done: &Done, wind: &WindRecord, outcome: &mut Outcome) -> Result<Value, StepError> {
    let period = |p: &Period| {
        json!({
            "hours": round_to(p.hours + p.rose.calm, 2),
            "calm_share": round_to(p.calm_share, 4),
            "rose_from_north_clockwise": p.rose.hours.map(|h| round_to(h, 2)),
        })
    };
    let mut told = Map::new();
    told.insert("decides".to_string(), json!(wind.decides()));
    told.insert("day".to_string(), period(&wind.day));
    told.insert("night".to_string(), period(&wind.night));
    let table = &done.desk.plan.wind;
    let distance_m = match table.at {
        Some(at) => {
            let at = settings::ground(&done.desk.job.frame, at, "wind.at")?;
            done.candidates.iter().map(|c| c.foot.at.distance_m(at)).min_by(f64::total_cmp)
        }
        None => None,
    };
    let (there_m, here_m) = heights(done)?;
    let higher_m = there_m.zip(here_m).map(|(there, here)| there - here);
    told.insert("instrument_distance_m".to_string(), json!(distance_m.map(|d| round_to(d, 0))));
    told.insert("instrument_height_difference_m".to_string(), json!(higher_m.map(|d| round_to(d, 1))));
    outcome.say(instrument_words(distance_m, higher_m));
    if !wind.decides() {
        let least = wind.settings().least_hours;
        outcome.warn(format!(
            "{}: fewer than {least} hours with wind; wind decides nothing",
            done.desk.files_of(&["wind"])
        ));
    }
    Ok(Value::Object(told))
}

/// Heights of the instrument and of the property (the median of the candidates), as the plan
/// gives them or from its raster of heights.
fn heights(done: &Done) -> Result<(Option<f64>, Option<f64>), StepError> {
    let plan = done.desk.plan;
    let table = &plan.wind;
    let Some(dem) = plan.terrain.dem.as_ref().filter(|_| table.height_m.zip(table.place_height_m).is_none())
    else {
        return Ok((table.height_m, table.place_height_m));
    };
    let at = table.at.and_then(|at| LonLat::new(at[0], at[1]).ok());
    let places = done.candidates.iter().map(|c| c.place);
    let Some(within) = places.clone().chain(at).fold(None, grown) else { return Ok((None, None)) };
    // Where the instrument stands beyond the raster, what it covers is read all the same.
    let raster =
        read_raster(&plan.base.join(dem), dem, Some(&within)).map_err(|why| StepError::Files(vec![why]))?;
    let height_m = |at: LonLat| raster.bilinear(at).map(|h| h * raster.height_unit_m.unwrap_or(1.0));
    let mut of_places: Vec<f64> = places.filter_map(height_m).collect();
    of_places.sort_by(f64::total_cmp);
    let median = of_places.get(of_places.len() / 2).copied();
    Ok((table.height_m.or_else(|| at.and_then(height_m)), table.place_height_m.or(median)))
}

/// How far off and how much higher the wind was measured.
fn instrument_words(distance_m: Option<f64>, higher_m: Option<f64>) -> String {
    let far = match distance_m {
        Some(d) => format!("{:.1} km from the nearest candidate", d / 1000.0),
        None => "at a place that the plan does not say ([wind] at)".to_string(),
    };
    let high = match higher_m {
        Some(d) if d < 0.0 => format!("{:.0} m lower than the property", -d),
        Some(d) => format!("{d:.0} m higher than the property"),
        None => {
            "its height against the property's is not known ([wind] height_m, place_height_m, or [terrain] dem)".to_string()
        }
    };
    format!("the wind was measured {far}; {high}")
}
