//! The part of `surface` that goes along lines: its files and what it says.

use std::time::Instant;

use geo_types::Geometry;
use serde_json::{Map, Value, json};

use super::along::{LineActivity, Survey, line_activity, searched_lines};
use super::nodes::{build, edge_id};
use super::off_legs;
use super::sign::chosen_sign;
use super::written::{counted, members, way_lonlat};
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::network::Network;
use crate::record::LineKind;
use crate::surface::along::{
    AlongError, ERROR_OF_PEAK, EdgePoint, LineKernel, Piece, Pieces, SplitRule, path_between,
};
use crate::surface::effort::{Prior, Rate, Tally, garwood};

/// Longest piece of line in the output, in metres, unless the plan says otherwise.
const PIECE_M: f64 = 100.0;
/// Metres in a kilometre.
const M_PER_KM: f64 = 1000.0;

/// A piece of line and what is known of it.
struct Described {
    piece: Piece,
    density_per_km: f64,
    tally: Tally,
    /// At its middle; `None` where nobody searched it.
    rate: Option<Rate>,
}

/// Computes activity along lines, writes `activity-lines.geojson` and
/// `activity-lines.json`, and gives what the `--at` points are told of it, point by point.
///
/// # Errors
/// As the parts: see [`searched_lines`] and [`line_activity`].
pub(super) fn along_lines(
    desk: &Desk,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<Vec<Map<String, Value>>, StepError> {
    let request = |why: AlongError| StepError::Request {
        files: desk.files_of(&["sign", "survey", "line"]),
        what: why.to_string(),
    };
    let network = build(desk, outcome)?;
    let lines = searched_lines(desk, &network, outcome)?;
    let sign = chosen_sign(desk, outcome);
    let activity = line_activity(desk, &network, &lines, &sign.records)?;
    desk.progress.stage("computing activity along lines", None);
    let started = Instant::now();
    let pieces = describe(desk, &network, &activity).map_err(request)?;
    let prior = activity.rates().map_err(request)?.and_then(|rates| rates.prior());
    let seconds = activity.seconds + started.elapsed().as_secs_f64();
    write_pieces(desk, &network, &pieces, set)?;
    let summary = summary_of(desk, &activity, &pieces, prior, seconds);
    set.write_summary("activity-lines.json", &summary)?;
    say(desk, &activity, &pieces, outcome);
    outcome.set("activity_lines", summary);
    at_queries(desk, &network, &activity).map_err(request)
}

/// The lines that carry sign, cut into pieces.
pub(super) fn pieces_of(desk: &Desk, network: &Network, activity: &LineActivity) -> Pieces {
    let lines = activity.lines();
    let longest_m =
        desk.plan.surface.piece_m.map_or(PIECE_M.min(0.5 * activity.kernel.sigma_m()), |m| m.get());
    Pieces::cut(lines.smoother.graph(), longest_m, |edge| lines.carries(&network.edges()[edge as usize]))
}

fn describe(desk: &Desk, network: &Network, activity: &LineActivity) -> Result<Vec<Described>, AlongError> {
    let lines = activity.lines();
    let pieces = pieces_of(desk, network, activity);
    let density = pieces.mean_density(&lines.smoother, activity.kernel, &activity.sources)?;
    let middles: Vec<EdgePoint> = pieces.as_slice().iter().map(|piece| piece.middle()).collect();
    let rates = match activity.rates()? {
        Some(rates) => rates.at(&middles)?,
        None => vec![None; middles.len()],
    };
    let described = pieces.as_slice().iter().zip(density).zip(rates).map(|((&piece, per_m), rate)| {
        let effort = lines.survey.as_ref().map(|survey| &survey.effort);
        let tally = effort.map_or(Tally::default(), |e| e.between(piece.edge, piece.from_m, piece.to_m));
        let rate = rate.filter(|_| tally.searched_m > 0.0);
        Described { piece, density_per_km: M_PER_KM * per_m, tally, rate }
    });
    Ok(described.collect())
}

fn write_pieces(
    desk: &Desk,
    network: &Network,
    pieces: &[Described],
    set: &mut OutputSet,
) -> Result<(), StepError> {
    let provenance = desk.provenance();
    Ok(set.write("activity-lines.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (index, described) in pieces.iter().enumerate() {
            let piece = described.piece;
            let edge = &network.edges()[piece.edge as usize];
            let mut properties = members(json!({
                "edge_id": edge_id(piece.edge),
                "kind": edge.kind.word(),
                "from_m": round_to(piece.from_m, 2),
                "to_m": round_to(piece.to_m, 2),
                "length_m": round_to(piece.length_m(), 2),
                "density_per_km": described.density_per_km,
                "searched_km": round_to(described.tally.searched_m / M_PER_KM, 5),
                "days_searched": described.tally.days,
                "last_searched": described.tally.last.map(|day| day.to_string()),
            }));
            properties.extend(rate_members(described.rate.as_ref()));
            let path = path_between(network.path(piece.edge), piece.from_m, piece.to_m);
            let path = way_lonlat(&desk.job.frame, &path)?;
            writer.feature(&format!("a{}", index + 1), Some(&Geometry::LineString(path)), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

/// What a feature says of a rate; all `null` where nobody searched.
fn rate_members(rate: Option<&Rate>) -> Map<String, Value> {
    let shrunk = rate.and_then(|rate| rate.shrunk);
    members(json!({
        "rate_per_km_searched": rate.map(|rate| rate.per_km),
        "rate_low": rate.map(|rate| rate.interval_per_km.low),
        "rate_high": rate.map(|rate| rate.interval_per_km.high),
        "rests_on_km": rate.map(|rate| round_to(rate.effective_km, 4)),
        "shrunken_rate": shrunk.map(|shrunk| shrunk.rate),
        "shrunken_low": shrunk.map(|shrunk| shrunk.interval.low),
        "shrunken_high": shrunk.map(|shrunk| shrunk.interval.high),
    }))
}

/// What the `--at` points are told; those far from every line get `null`.
fn at_queries(
    desk: &Desk,
    network: &Network,
    activity: &LineActivity,
) -> Result<Vec<Map<String, Value>>, AlongError> {
    let lines = activity.lines();
    let feet: Vec<_> = desk
        .job
        .queries
        .iter()
        .map(|query| network.nearest_foot(query.ground, lines.limit_m(), |edge| lines.carries(edge)))
        .collect();
    let positions: Vec<EdgePoint> = feet.iter().flatten().map(EdgePoint::from).collect();
    let mut known = activity.at(&positions)?.into_iter();
    let told = feet.iter().map(|foot| {
        let here = foot.as_ref().and_then(|_| known.next());
        let mut told = members(json!({
            "edge_id": foot.as_ref().map(|foot| edge_id(foot.edge)),
            "to_line_m": foot.as_ref().map(|foot| round_to(foot.offset_m, 2)),
            "density_per_km": here.map(|here| here.density_per_km),
        }));
        told.extend(rate_members(here.and_then(|here| here.rate).as_ref()));
        told
    });
    Ok(told.collect())
}

fn kernel_words(kernel: LineKernel) -> (&'static str, &'static str) {
    match kernel {
        LineKernel::Heat { .. } => ("gaussian", "heat kernel"),
        LineKernel::Split(split) => match split.rule {
            SplitRule::Continuous => (split.kernel.word(), "equal split, continuous"),
            SplitRule::Discontinuous => (split.kernel.word(), "equal split, discontinuous"),
        },
    }
}

fn summary_of(
    desk: &Desk,
    activity: &LineActivity,
    pieces: &[Described],
    prior: Option<Prior>,
    seconds: f64,
) -> Value {
    let (kernel, way) = kernel_words(activity.kernel);
    let weights: f64 = activity.sources.iter().map(|source| source.weight).sum();
    let integral: f64 = pieces.iter().map(|p| p.density_per_km * p.piece.length_m() / M_PER_KM).sum();
    let length_m: f64 = pieces.iter().map(|p| p.piece.length_m()).sum();
    let kinds: Vec<&str> = activity.lines().kinds.kinds().map(LineKind::word).collect();
    json!({
        "kernel": kernel,
        "along_lines": way,
        "bandwidth_m": activity.kernel.sigma_m(),
        "rule": activity.rule,
        "epsg": desk.job.frame.epsg(),
        "kinds": kinds,
        "length_km": round_to(length_m / M_PER_KM, 5),
        "pieces": pieces.len(),
        "records": activity.sources.len(),
        "refused_too_far": activity.snapped.too_far,
        "refused_too_vague": activity.snapped.too_vague,
        "furthest_moved_m": round_to(activity.snapped.furthest_m, 2),
        "sum_of_weights": weights,
        "integral": integral,
        "lost_at_dead_ends": (weights - integral).max(0.0),
        "peak": pieces.iter().map(|p| p.density_per_km).fold(0.0, f64::max),
        "error_bound": {
            "of_one_records_peak": matches!(activity.kernel, LineKernel::Heat { .. }).then_some(ERROR_OF_PEAK),
            "of_greatest_density": activity.lines().smoother.error_of_greatest(activity.kernel, &activity.sources),
        },
        "survey": activity.lines().survey.as_ref().map(|survey| survey_summary(activity, survey, prior)),
        "seconds": { "density": seconds },
    })
}

fn survey_summary(activity: &LineActivity, survey: &Survey, prior: Option<Prior>) -> Value {
    let km = |metres: f64| round_to(metres / M_PER_KM, 5);
    let sum = |length: fn(&crate::surface::effort::MatchedLeg) -> f64| {
        let lengths = survey.matched.iter().zip(&survey.legs);
        km(lengths.map(|(matched, leg)| leg.what.passes * length(matched)).sum())
    };
    let count: f64 = activity.found.iter().map(|source| source.weight).sum();
    let searched_km = survey.effort.searched_m() / M_PER_KM;
    let overall = garwood(count, 0.95).times(1.0 / searched_km);
    let outings = activity.outings.unwrap_or_default();
    json!({
        "legs": survey.legs.len(),
        "matched_km": sum(|leg| leg.matched_m),
        "raw_km": sum(|leg| leg.raw_m),
        "off_network_km": sum(|leg| leg.off_m),
        "doubtful_legs": survey.matched.iter().filter(|leg| leg.is_doubtful()).count(),
        "covered_km": km(survey.effort.covered_m()),
        "records_named_by_outing": outings.named,
        "records_matched_to_a_leg": outings.matched,
        "records_of_unknown_outing": outings.unknown,
        "records_found_by_chance": outings.chance,
        "records_far_from_their_outing": outings.astray,
        "sign_found": count,
        "rate_per_km_searched": (searched_km > 0.0).then(|| count / searched_km),
        "rate_interval": {
            "method": "exact interval of a Poisson count (Garwood 1936), 95 percent",
            "low": (searched_km > 0.0).then_some(overall.low),
            "high": (searched_km > 0.0).then_some(overall.high),
        },
        "intervals_of_pieces": "gamma interval of a weighted sum (Fay and Feuer 1997), 95 percent; too short where sign comes in clumps",
        "shrinkage": match prior {
            Some(Prior::Gamma { shape, effort }) => json!({ "gamma_shape": shape, "gamma_km": effort }),
            Some(Prior::OneRate(rate)) => json!({ "one_rate_per_km": rate }),
            None => Value::Null,
        },
    })
}

fn say(desk: &Desk, activity: &LineActivity, pieces: &[Described], outcome: &mut Outcome) {
    let length_km = pieces.iter().map(|p| p.piece.length_m()).sum::<f64>() / M_PER_KM;
    let (kernel, way) = kernel_words(activity.kernel);
    let Snap { refused, limit_m } = Snap::of(activity);
    outcome.say(format!(
        "activity along {length_km:.1} km of line: {} ({refused} not within {limit_m} m of one), \
         {kernel} kernel ({way}), bandwidth {:.1} m ({})",
        counted(activity.sources.len(), "record"),
        activity.kernel.sigma_m(),
        activity.rule.unwrap_or("as given"),
    ));
    let Some(survey) = &activity.lines().survey else {
        outcome.say("no survey legs: density along lines shows the searcher as much as the animal");
        return;
    };
    let count: f64 = activity.found.iter().map(|source| source.weight).sum();
    let searched_km = survey.effort.searched_m() / M_PER_KM;
    outcome.say(format!(
        "{} survey legs: {searched_km:.1} km searched on {:.1} km of line; {count} pieces of sign found for it",
        survey.legs.len(),
        survey.effort.covered_m() / M_PER_KM
    ));
    if searched_km > 0.0 && count > 0.0 {
        say_rates(count / searched_km, pieces, outcome);
    }
    off_legs::warn_of(desk, "", &activity.of_no_leg, outcome);
}

/// The overall rate, the piece of the highest density and the one of the highest rate.
fn say_rates(overall: f64, pieces: &[Described], outcome: &mut Outcome) {
    let searched = || pieces.iter().filter(|piece| piece.rate.is_some());
    let densest = searched().max_by(|p, q| p.density_per_km.total_cmp(&q.density_per_km));
    let rate = |piece: &Described| piece.rate.map_or(0.0, |rate| rate.shrunk.map_or(rate.per_km, |s| s.rate));
    let richest = searched().max_by(|p, q| rate(p).total_cmp(&rate(q)));
    let (Some(densest), Some(richest)) = (densest, richest) else { return };
    let name =
        |piece: &Described| format!("{} at {:.0} m", edge_id(piece.piece.edge), piece.piece.middle().along_m);
    outcome.say(format!("sign per km searched: {overall:.2} over all"));
    outcome.say(format!(
        "most sign per km of line: {} ({:.1}); searched {:.0} times, it gives {:.2} per km searched, {} the mean",
        name(densest),
        densest.density_per_km,
        densest.tally.searched_m / densest.piece.length_m(),
        rate(densest),
        if rate(densest) < overall { "below" } else { "above" }
    ));
    outcome.say(format!("most sign per km searched: {} ({:.2})", name(richest), rate(richest)));
}

/// How many records were not put on a line, and the limit.
struct Snap {
    refused: usize,
    limit_m: f64,
}

impl Snap {
    fn of(activity: &LineActivity) -> Self {
        let snapped = &activity.snapped;
        Self { refused: snapped.too_far + snapped.too_vague, limit_m: activity.lines().limit_m() }
    }
}
