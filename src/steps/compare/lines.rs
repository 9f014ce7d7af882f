//! The seasons held against each other along lines: sign per km searched, piece by piece.

use geo_types::Geometry;
use rayon::prelude::*;
use serde_json::{Value, json};

use super::numbers::finite;
use super::pick::request;
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::frame::{Placed, Traced};
use crate::network::Network;
use crate::record::{Record, SurveyLeg};
use crate::season::{
    BlockSize, Compares, Comparison, Direction, LineOutings, Outing, Outings, PieceChange, Search, Season,
    Settings, compare_pieces,
};
use crate::steps::along::{LineActivity, Survey, line_activity, searched_lines};
use crate::steps::along_files::pieces_of;
use crate::steps::nodes::{build, edge_id};
use crate::steps::written::{members, way_lonlat};
use crate::steps::{Desk, Outcome, StepError};
use crate::surface::along::{AlongError, EdgePoint, Piece, path_between, snap_records};
use crate::surface::effort::{Effort, Passage};

/// Most values that the outings' pieces may hold, about half a gigabyte with what the test
/// makes of them.
const MOST_VALUES: usize = 1 << 24;
/// Metres in a kilometre.
const M_PER_KM: f64 = 1000.0;

/// What is compared along lines, and what of it is known already.
pub(super) struct Asked<'a> {
    pub desk: &'a Desk<'a>,
    pub searches: Vec<&'a Search<'a>>,
    pub outings: &'a Outings,
    pub found: &'a Comparison,
    pub settings: &'a Settings,
}

/// A piece of line with what changed on it.
struct Changed {
    piece: Piece,
    searched_km: [f64; 2],
    change: PieceChange,
    /// The change that is claimed: none where the seasons as a whole show none.
    claimed: Option<Direction>,
}

/// Compares the rates along lines, writes `change-lines.geojson`, says what was found and gives
/// the member `along_lines` of the summary. `null` without survey legs in both seasons.
///
/// # Errors
/// As [`searched_lines`] and [`line_activity`]; [`StepError::Request`] where outings and pieces
/// would not fit in memory.
pub(super) fn along_lines(
    asked: &Asked,
    set: &mut OutputSet,
    outcome: &mut Outcome,
) -> Result<Value, StepError> {
    let desk = asked.desk;
    if asked.found.compares != Compares::Rate {
        outcome.warn("along lines rates are compared, which takes survey legs in both seasons");
        return Ok(Value::Null);
    }
    let network = build(desk, outcome)?;
    let lines = searched_lines(desk, &network, outcome)?;
    let Some(survey) = &lines.survey else { return Ok(Value::Null) };
    let records: Vec<&Placed<Record>> =
        asked.searches.iter().flat_map(|search| search.sign.iter().map(|(record, _)| *record)).collect();
    let activity = line_activity(desk, &network, &lines, &records)?;
    desk.progress.stage("comparing the seasons along lines", None);
    let pieces = pieces_of(desk, &network, &activity);
    let outings = asked.outings.list().len();
    if outings * pieces.as_slice().len() > MOST_VALUES {
        let what = format!(
            "{outings} outings on {} pieces of line are too many to compare; use longer pieces (--piece)",
            pieces.as_slice().len()
        );
        return Err(request(desk, what));
    }
    let seasons = [Season::Before, Season::After].map(|season| {
        let legs = asked.searches.iter().filter(|search| search.season == season);
        Effort::new(network.edges().len(), legs.flat_map(|search| passages(survey, search)))
    });
    let lines_found = line_outings(asked, &network, &activity, survey, pieces.as_slice(), &seasons)
        .map_err(|why| request(desk, why))?;
    let Settings { runs, seed, .. } = *asked.settings;
    let size = asked.found.headline.p.and(asked.found.headline.block);
    let changes = compare_pieces(asked.outings, &lines_found, size, runs, seed);
    let whole_changed = asked.found.headline.claims_change();
    let changed: Vec<Changed> = pieces
        .as_slice()
        .iter()
        .zip(changes)
        .map(|(&piece, change)| {
            let km =
                |season: &Effort| season.between(piece.edge, piece.from_m, piece.to_m).searched_m / M_PER_KM;
            let claimed = change.claimed().filter(|_| whole_changed);
            Changed { piece, searched_km: [km(&seasons[0]), km(&seasons[1])], change, claimed }
        })
        .collect();
    write(desk, &network, &changed, set)?;
    let totals = Totals::of(&changed);
    outcome.say(totals.sentence(size, whole_changed));
    Ok(totals.json(&activity, size, runs, &changed))
}

/// Where the legs of an outing passed.
fn passages<'a>(survey: &'a Survey, search: &'a Search) -> impl Iterator<Item = Passage> + 'a {
    let mine = |leg: &Traced<SurveyLeg>| search.legs.iter().any(|own| own.what.source == leg.what.source);
    let legs = survey.legs.iter().zip(&survey.matched).filter(move |(leg, _)| mine(leg));
    legs.flat_map(|(_, matched)| matched.passages.iter().copied())
}

/// Sign and passes of every outing, smoothed, at the middles of the pieces.
fn line_outings(
    asked: &Asked,
    network: &Network,
    activity: &LineActivity,
    survey: &Survey,
    pieces: &[Piece],
    seasons: &[Effort; 2],
) -> Result<LineOutings, AlongError> {
    let (lines, kernel) = (activity.lines(), activity.kernel);
    let middles: Vec<EdgePoint> = pieces.iter().map(|piece| piece.middle()).collect();
    let searches = in_order(asked);
    let smoothed: Vec<(Vec<f64>, Vec<f64>)> = searches
        .par_iter()
        .map(|search| {
            let Some(search) = search else {
                return Ok((vec![0.0; middles.len()], vec![0.0; middles.len()]));
            };
            let records: Vec<&Placed<Record>> = search.sign.iter().map(|(record, _)| *record).collect();
            let snapped = snap_records(network, &records, lines.limit_m(), |edge| lines.carries(edge));
            let sources: Vec<_> = snapped.sources.into_iter().flatten().collect();
            let effort = Effort::new(network.edges().len(), passages(survey, search));
            let sign = lines.smoother.density(kernel, &sources, &middles)?.per_m;
            Ok((sign, lines.smoother.spread(kernel, effort.levels(), &middles)?))
        })
        .collect::<Result<_, AlongError>>()?;
    let (sign, effort) = smoothed.into_iter().unzip();
    let searched = |piece: &Piece| {
        seasons.each_ref().map(|season| {
            season.covers(piece.middle())
                && season.between(piece.edge, piece.from_m, piece.to_m).searched_m > 0.0
        })
    };
    // As in the plane: what one record gives at three bandwidths.
    let sigma_m = kernel.sigma_m();
    let present_per_m = (-4.5_f64).exp() / (sigma_m * std::f64::consts::TAU.sqrt());
    Ok(LineOutings { sign, effort, searched: pieces.iter().map(searched).collect(), present_per_m })
}

/// The searches in the order of the outings that were made of them.
fn in_order<'a>(asked: &Asked<'a>) -> Vec<Option<&'a Search<'a>>> {
    let same = |outing: &Outing, search: &Search| {
        let sign: Vec<_> = search.sign.iter().filter(|(record, _)| record.what.count > 0.0).collect();
        outing.season == search.season
            && outing.day == search.day
            && outing.sign.len() == sign.len()
            && outing.sign.iter().zip(&sign).all(|(point, (record, _))| point.at == record.ground)
    };
    let mut left: Vec<&'a Search<'a>> = asked.searches.clone();
    let find = |outing: &Outing| {
        let at = left.iter().position(|search| same(outing, search))?;
        Some(left.remove(at))
    };
    asked.outings.list().iter().map(find).collect()
}

fn write(desk: &Desk, network: &Network, changed: &[Changed], set: &mut OutputSet) -> Result<(), StepError> {
    let provenance = desk.provenance();
    Ok(set.write("change-lines.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (index, Changed { piece, searched_km, change, claimed }) in changed.iter().enumerate() {
            let edge = &network.edges()[piece.edge as usize];
            let properties = members(json!({
                "edge_id": edge_id(piece.edge),
                "kind": edge.kind.word(),
                "from_m": round_to(piece.from_m, 2),
                "to_m": round_to(piece.to_m, 2),
                "length_m": round_to(piece.length_m(), 2),
                "searched_km_before": round_to(searched_km[0], 5),
                "searched_km_after": round_to(searched_km[1], 5),
                "rate_before": change.before_per_km,
                "rate_after": change.after_per_km,
                "log_ratio": change.log_ratio,
                "p": change.p,
                "p_max": change.p_family,
                "survives_fdr": change.survives_fdr(),
                "direction": claimed.map(Direction::word),
            }));
            let path = path_between(network.path(piece.edge), piece.from_m, piece.to_m);
            let path = way_lonlat(&desk.job.frame, &path)?;
            writer.feature(&format!("l{}", index + 1), Some(&Geometry::LineString(path)), &properties)?;
        }
        writer.finish().map(drop)
    })?)
}

/// Kilometres of line by what is known of them.
#[derive(Default)]
struct Totals {
    both: f64,
    only_before: f64,
    only_after: f64,
    increase: f64,
    decrease: f64,
}

impl Totals {
    fn of(changed: &[Changed]) -> Self {
        let mut totals = Self::default();
        for Changed { piece, change, claimed, .. } in changed {
            let km = piece.length_m() / M_PER_KM;
            match (change.before_per_km, change.after_per_km) {
                (Some(_), Some(_)) => totals.both += km,
                (Some(_), None) => totals.only_before += km,
                (None, Some(_)) => totals.only_after += km,
                (None, None) => {}
            }
            match claimed {
                Some(Direction::Increase) => totals.increase += km,
                Some(Direction::Decrease) => totals.decrease += km,
                None => {}
            }
        }
        totals
    }

    fn sentence(&self, size: Option<BlockSize>, whole_changed: bool) -> String {
        let searched = format!("along lines: {:.1} km were searched in both seasons", self.both);
        let one_only = format!(
            "{:.1} km in one of them only, of which nothing can be said",
            self.only_before + self.only_after
        );
        match size {
            None => {
                format!("{searched}, {one_only}; there are not enough independent outings to test any change")
            }
            Some(_) if !whole_changed => format!(
                "{searched}, {one_only}; no change is claimed on any of it, since the whole shows none"
            ),
            Some(_) => format!(
                "{searched}, {one_only}; sign per km searched grew on {:.1} km and fell on {:.1} km (claimed over all \
                 pieces together at 5 percent)",
                self.increase, self.decrease
            ),
        }
    }

    fn json(
        &self,
        activity: &LineActivity,
        size: Option<BlockSize>,
        runs: usize,
        changed: &[Changed],
    ) -> Value {
        let tested: Vec<&PieceChange> = changed.iter().map(|c| &c.change).filter(|c| c.p.is_some()).collect();
        let least = |p: fn(&PieceChange) -> Option<f64>| {
            finite(tested.iter().filter_map(|change| p(change)).fold(f64::NAN, f64::min))
        };
        json!({
            "file": "change-lines.geojson",
            "bandwidth_m": activity.kernel.sigma_m(),
            "rule": activity.rule,
            "records": activity.sources.len(),
            "pieces": changed.len(),
            "searched_in_both_km": round_to(self.both, 5),
            "searched_before_only_km": round_to(self.only_before, 5),
            "searched_after_only_km": round_to(self.only_after, 5),
            "block": size.map(BlockSize::word),
            "runs": size.map(|_| runs),
            "tested": tested.len(),
            "p_min": least(|change| change.p),
            "p_max": least(|change| change.p_family),
            "survive_fdr": tested.iter().filter(|change| change.survives_fdr() == Some(true)).count(),
            "increase_km": round_to(self.increase, 5),
            "decrease_km": round_to(self.decrease, 5),
        })
    }
}
