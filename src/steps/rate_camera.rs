//! Camera records per 100 camera nights, over the places where cameras stood.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::{Value, json};

use super::sign::chosen_sign;
use super::written::{Cells, counted};
use super::{Desk, Outcome, StepError, SurfaceDone};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::frame::Placed;
use crate::record::Deployment;
use crate::surface::effort::garwood;
use crate::surface::{Smoother, SurfaceError, WeightedPoint};

/// Nights in which rates of cameras are usually told.
const NIGHTS: f64 = 100.0;
/// A cell counts as watched within three bandwidths of a camera: exp(−9/2) of the kernel's peak.
const LEAST_OF_ONE_CAMERA: f64 = 0.011_108_996_538_242_306;
/// Square metres in a square kilometre, the unit of densities.
const M2_PER_KM2: f64 = 1.0e6;

/// A camera with the nights it stood in the days asked for, and the sign it recorded then.
struct Watch<'a> {
    camera: &'a Placed<Deployment>,
    nights: f64,
    count: f64,
}

/// Divides the surface of the sign that cameras recorded by that of the nights they stood, writes
/// `camera-rate.tif` and says the rate of each camera. `None` where no camera stood in the days
/// asked for. Only records that name their deployment count; how many do not is said.
///
/// # Errors
/// [`StepError::Request`] where the grid would not fit, [`StepError::Output`].
pub(super) fn camera_rate(
    desk: &Desk,
    done: &SurfaceDone,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<Option<Value>, StepError> {
    let mut watches = watches(desk);
    if watches.is_empty() {
        return Ok(None);
    }
    let strangers = count_sign(desk, &mut watches, outcome);
    let values = raster(done, &watches)
        .map_err(|e| StepError::Request { files: desk.files_of(&["sign", "survey"]), what: e.to_string() })?;
    let cells = Cells { grid: &done.surface.grid, values: &values, epsg: desk.job.frame.epsg() };
    cells.write("camera-rate.tif", "sign per 100 camera nights", "sign/100 nights", set)?;
    let nights: f64 = watches.iter().map(|watch| watch.nights).sum();
    let count: f64 = watches.iter().map(|watch| watch.count).sum();
    outcome.say(format!(
        "sign per 100 camera nights: {:.2} over {nights} nights of {} ({count} pieces of sign)",
        NIGHTS * count / nights,
        counted(watches.len(), "deployment")
    ));
    if strangers > 0 {
        outcome.warn(format!(
            "{}: {} of sign \"camera\" of none of these deployments, left out of the rate",
            desk.files_of(&["sign"]),
            counted(strangers, "record")
        ));
    }
    let mut summary = rate_of(count, nights);
    summary["file"] = json!("camera-rate.tif");
    summary["interval"] = json!("exact interval of a Poisson count (Garwood 1936), 95 percent");
    summary["deployments"] = watches.iter().map(of_camera).collect();
    Ok(Some(summary))
}

/// The cameras that stood a night or more in the days asked for.
fn watches<'d>(desk: &'d Desk<'d>) -> Vec<Watch<'d>> {
    let (from, to) = (desk.plan.select.from.map(|day| day.0), desk.plan.select.to.map(|day| day.0));
    let of = |camera| Watch { camera, nights: nights_between(&camera.what, from, to), count: 0.0 };
    desk.job.deployments.iter().map(of).filter(|watch| watch.nights > 0.0).collect()
}

/// Nights of a deployment from one day to another, both of them in; those of a deployment without
/// dates are taken whole.
fn nights_between(camera: &Deployment, from: Option<Date>, to: Option<Date>) -> f64 {
    let (Some(set), Some(taken)) = (camera.from, camera.until) else { return camera.nights };
    // The night that begins on the last day asked for ends on the day after it.
    let last = to.map_or(taken, |day| day.tomorrow().unwrap_or(day).min(taken));
    let first = from.map_or(set, |day| day.max(set));
    let asked = first.until(last).map_or(0, |span| span.get_days());
    let stood = set.until(taken).map_or(0, |span| span.get_days());
    // A night or more may be missing in between; the file knows best how many were used.
    if stood > 0 { camera.nights * f64::from(asked.max(0)) / f64::from(stood) } else { 0.0 }
}

/// Adds the sign chosen to the cameras that recorded it; the number of camera records without one.
fn count_sign(desk: &Desk, watches: &mut [Watch], outcome: &mut Outcome) -> usize {
    let mut by_id: BTreeMap<String, usize> = BTreeMap::new();
    for (index, watch) in watches.iter().enumerate() {
        if let Some(id) = &watch.camera.what.survey {
            by_id.insert(id.to_string(), index);
        }
    }
    let mut strangers = 0;
    for record in chosen_sign(desk, outcome).records {
        let watch = record.what.occasion.survey.as_deref().and_then(|id| by_id.get(id));
        match watch.and_then(|&index| watches.get_mut(index)) {
            Some(watch) => watch.count += record.what.count,
            None => strangers += usize::from(record.what.sign == crate::record::Sign::Camera),
        }
    }
    strangers
}

/// The rate in every cell of the surface, per 100 nights; NaN where no camera stood.
fn raster(done: &SurfaceDone, watches: &[Watch]) -> Result<Vec<f32>, SurfaceError> {
    let bandwidth_m = done.bandwidth.bandwidth_m;
    let smoother = Smoother::new(done.surface.grid, done.surface.settings.kernel, bandwidth_m)?;
    let smoothed = |weight: fn(&Watch) -> f64| {
        let of = |watch: &Watch| WeightedPoint::new(watch.camera.ground, weight(watch));
        smoother.density(&watches.iter().map(of).collect::<Vec<_>>())
    };
    let (sign, nights, cameras) = (smoothed(|w| w.count), smoothed(|w| w.nights), smoothed(|_| 1.0));
    let least = LEAST_OF_ONE_CAMERA * M2_PER_KM2 / (std::f64::consts::TAU * bandwidth_m * bandwidth_m);
    let rate = |((sign, nights), cameras): ((&f32, &f32), &f32)| match f64::from(*cameras) >= least {
        true => NIGHTS as f32 * sign / nights,
        false => f32::NAN,
    };
    Ok(sign.iter().zip(&nights).zip(&cameras).map(rate).collect())
}

/// A rate with its interval.
fn rate_of(count: f64, nights: f64) -> Value {
    let interval = garwood(count, 0.95).times(NIGHTS / nights);
    json!({
        "nights": round_to(nights, 5),
        "sign_found": count,
        "per_100_nights": NIGHTS * count / nights,
        "low": interval.low,
        "high": interval.high,
    })
}

/// What one camera recorded.
fn of_camera(watch: &Watch) -> Value {
    let mut of = rate_of(watch.count, watch.nights);
    of["survey"] = json!(watch.camera.what.survey.as_deref());
    of["name"] = json!(watch.camera.what.name.as_deref());
    of
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::record::SourcePlace;

    #[test]
    fn nights_outside_the_days_asked_for_do_not_count() {
        let day = |d: i8| Some(jiff::civil::date(2026, 5, d));
        let camera = Deployment {
            name: None,
            survey: None,
            from: day(1),
            until: day(15),
            nights: 14.0,
            source: SourcePlace { file: std::path::Path::new("x").into(), index: 0, id: None },
        };
        for (from, to, nights) in [
            (None, None, 14.0),
            (day(5), None, 10.0),
            (None, day(4), 4.0),
            (day(5), day(5), 1.0),
            (None, day(30), 14.0),
            (day(16), None, 0.0),
        ] {
            assert_eq!(nights_between(&camera, from, to), nights, "{from:?} {to:?}");
        }
        // Half of its nights the camera lay on its face.
        assert_eq!(nights_between(&Deployment { nights: 7.0, ..camera.clone() }, day(8), None), 3.5);
        assert_eq!(nights_between(&Deployment { until: None, ..camera }, day(8), None), 14.0);
    }
}
