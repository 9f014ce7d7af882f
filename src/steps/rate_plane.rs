//! Sign per km searched in the plane, for surveys that leave the tracks.

use serde_json::{Value, json};

use super::along::{accuracy_limit_m, legs_asked};
use super::off_legs;
use super::sign::chosen_sign;
use super::written::Cells;
use super::{Desk, Outcome, StepError, SurfaceDone};
use crate::files::OutputSet;
use crate::files::write::round_to;
use crate::frame::{GroundPoint, Traced};
use crate::record::SurveyLeg;
use crate::surface::effort::{SearchedSegment, find_outings, garwood, planar_rates};
use crate::surface::{Kernel, Smoother, SurfaceError, WeightedPoint};

/// Share of the bandwidth in which legs are cut: sums over the middles of such pieces give the
/// smoothed effort to 1e-8.
const PIECES_A_BANDWIDTH: f64 = 4.0;
/// A cell counts as searched where effort is at least what one straight pass gives at three
/// bandwidths: exp(−9/2) of its greatest.
const LEAST_OF_ONE_PASS: f64 = 0.011_108_996_538_242_306;
/// Metres in a kilometre.
const M_PER_KM: f64 = 1000.0;

/// The rate in the plane: what `activity.json` says of it, and the rate at each `--at` point.
pub(super) struct PlaneRate {
    pub summary: Value,
    pub at_queries: Vec<Option<f64>>,
}

/// Divides the surface of the sign that surveys found by that of the effort, writes `rate.tif`
/// and says the overall rate. `None` where the job has no survey leg of the days asked for.
///
/// # Errors
/// [`StepError::Request`] where the grid would not fit, [`StepError::Output`].
pub(super) fn plane_rate(
    desk: &Desk,
    done: &SurfaceDone,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<Option<PlaneRate>, StepError> {
    let legs = legs_asked(desk);
    let segments = segments(&legs);
    if segments.is_empty() {
        return Ok(None);
    }
    let sign = chosen_sign(desk, outcome);
    let (of_leg, outings) =
        find_outings(&sign.records, &legs.iter().collect::<Vec<_>>(), accuracy_limit_m(desk));
    let (found, of_no_leg): (Vec<_>, Vec<_>) =
        sign.records.iter().zip(of_leg).partition(|(_, leg)| leg.is_some());
    let found: Vec<WeightedPoint> =
        found.iter().map(|(record, _)| WeightedPoint::new(record.ground, record.what.count)).collect();
    off_legs::warn_of(desk, "", &of_no_leg.iter().map(|(record, _)| **record).collect::<Vec<_>>(), outcome);
    let values = raster(done, &found, &segments)
        .map_err(|e| StepError::Request { files: desk.files_of(&["sign", "survey"]), what: e.to_string() })?;
    write(desk, done, &values, set)?;
    let count: f64 = found.iter().map(|point| point.weight).sum();
    let searched_km: f64 =
        segments.iter().map(|s| s.passes * s.from.distance_m(s.to)).sum::<f64>() / M_PER_KM;
    let interval = garwood(count, 0.95).times(1.0 / searched_km);
    let searched: Vec<f32> = values.iter().copied().filter(|value| !value.is_nan()).collect();
    let cell_km2 = (done.surface.grid.cell_m / M_PER_KM).powi(2);
    outcome.say(format!(
        "sign per km searched in the plane: {:.2} over {searched_km:.1} km of {} survey legs ({count} pieces of sign)",
        count / searched_km,
        legs.len()
    ));
    let places: Vec<GroundPoint> = desk.job.queries.iter().map(|query| query.ground).collect();
    let normal = done.surface.settings.kernel == Kernel::Gaussian;
    let at_queries = match normal {
        true => planar_rates(&found, &segments, &places, done.bandwidth.bandwidth_m),
        false => vec![None; places.len()],
    };
    Ok(Some(PlaneRate {
        summary: json!({
            "file": "rate.tif",
            "legs": legs.len(),
            "searched_km": round_to(searched_km, 5),
            "sign_found": count,
            "records_found_by_chance": outings.on_no_leg(),
            "per_km_searched": count / searched_km,
            "low": interval.low,
            "high": interval.high,
            "interval": "exact interval of a Poisson count (Garwood 1936), 95 percent",
            "searched_km2": round_to(searched.len() as f64 * cell_km2, 5),
            "peak": searched.iter().copied().fold(0.0_f32, f32::max),
        }),
        at_queries: at_queries.into_iter().map(|rate| rate.map(|rate| rate.per_km)).collect(),
    }))
}

/// The legs as straight stretches.
fn segments(legs: &[Traced<SurveyLeg>]) -> Vec<SearchedSegment> {
    let of = |leg: &Traced<SurveyLeg>| -> Vec<SearchedSegment> {
        let pairs = leg.ground.windows(2);
        pairs.map(|pair| SearchedSegment { from: pair[0], to: pair[1], passes: leg.what.passes }).collect()
    };
    let mut segments: Vec<SearchedSegment> = legs.iter().flat_map(of).collect();
    segments.retain(|segment| segment.passes > 0.0 && segment.from != segment.to);
    segments
}

/// The rate in every cell of the surface, per km searched; NaN where nobody searched.
fn raster(
    done: &SurfaceDone,
    found: &[WeightedPoint],
    segments: &[SearchedSegment],
) -> Result<Vec<f32>, SurfaceError> {
    let (bandwidth_m, kernel) = (done.bandwidth.bandwidth_m, done.surface.settings.kernel);
    let smoother = Smoother::new(done.surface.grid, kernel, bandwidth_m)?;
    let mut searched = Vec::new();
    for segment in segments {
        let length_m = segment.from.distance_m(segment.to);
        let count = (length_m / (bandwidth_m / PIECES_A_BANDWIDTH)).ceil().max(1.0);
        for k in 0..count as usize {
            let middle = segment.from.lerp(segment.to, (k as f64 + 0.5) / count);
            searched.push(WeightedPoint::new(middle, segment.passes * length_m / count / M_PER_KM));
        }
    }
    let (sign, effort) = (smoother.density(found), smoother.density(&searched));
    // Kilometres searched per km² beside one straight pass.
    let least = LEAST_OF_ONE_PASS * M_PER_KM / (bandwidth_m * std::f64::consts::TAU.sqrt());
    let rate =
        |(sign, effort): (&f32, &f32)| if f64::from(*effort) >= least { sign / effort } else { f32::NAN };
    Ok(sign.iter().zip(&effort).map(rate).collect())
}

fn write(desk: &Desk, done: &SurfaceDone, values: &[f32], set: &mut OutputSet) -> Result<(), StepError> {
    let cells = Cells { grid: &done.surface.grid, values, epsg: desk.job.frame.epsg() };
    cells.write("rate.tif", "sign per kilometre searched", "sign/km", set)
}
