//! Activity along lines and sign per kilometre searched, for the steps that use them.

use std::time::Instant;

use super::smoothing::kernel_of;
use super::{Desk, Outcome, StepError};
use crate::frame::{Placed, Traced};
use crate::network::{Edge, KindSet, Network};
use crate::plan::MetresOrRule;
use crate::record::{LineKind, Record, SurveyLeg};
use crate::surface::along::{
    AlongError, EdgePoint, LineKernel, LineSmoother, Snapped, Source, SplitRule, line_graph, snap_records,
};
use crate::surface::effort::{
    Effort, MatchSettings, MatchedLeg, Outings, Rate, Rates, find_outings, match_legs,
};

/// Records further from every line than this are not put on one: about what a sighting
/// from a vehicle is off (common practice, no source).
const ACCURACY_M: f64 = 50.0;
/// Widest bandwidth that cross-validation tries, in metres.
const WIDEST_M: f64 = 5000.0;
/// Confidence of the intervals.
const CONFIDENCE: f64 = 0.95;

/// The lines that sign is put on, and what was searched of them.
pub struct SearchedLines {
    /// The lines, ready for smoothing; edges are numbered as in the network.
    pub smoother: LineSmoother,
    /// The kinds that carry sign and effort.
    pub kinds: KindSet,
    /// What surveys did; `None` where the job has no survey leg.
    pub survey: Option<Survey>,
    limit_m: f64,
}

/// Survey legs on the lines.
pub struct Survey {
    /// The legs used: those of the days asked for.
    pub legs: Vec<Traced<SurveyLeg>>,
    /// Each on the lines.
    pub matched: Vec<MatchedLeg>,
    /// All of them added up.
    pub effort: Effort,
}

/// Activity along lines, ready to be asked for at any position.
pub struct LineActivity<'a> {
    lines: &'a SearchedLines,
    /// The kernel.
    pub kernel: LineKernel,
    /// The rule that found the bandwidth; `None` if it was given.
    pub rule: Option<&'static str>,
    /// Records put on lines, and those refused.
    pub snapped: Snapped,
    /// All records on lines.
    pub sources: Vec<Source>,
    /// Those that surveys found.
    pub found: Vec<Source>,
    /// How the records that surveys found were told from the others; `None` without survey.
    pub outings: Option<Outings>,
    /// Records that belong to no survey leg; none without survey.
    pub of_no_leg: Vec<&'a Placed<Record>>,
    /// Seconds it took to prepare.
    pub seconds: f64,
}

/// Activity at a position on a line.
#[derive(Clone, Copy, PartialEq, Debug)]
pub struct ActivityAt {
    /// Sign per km of line, whoever found it.
    pub density_per_km: f64,
    /// Sign per km searched; `None` where nobody searched.
    pub rate: Option<Rate>,
}

impl SearchedLines {
    /// Furthest that a record or point may lie from its line, in metres.
    pub fn limit_m(&self) -> f64 {
        self.limit_m
    }

    /// Whether an edge carries sign and effort.
    pub fn carries(&self, edge: &Edge) -> bool {
        edge.kinds.meets(self.kinds)
    }
}

/// Prepares the lines of a network and matches the job's survey legs to them.
///
/// # Errors
/// [`StepError::Setting`] for an unknown kind in `surface.along`, [`StepError::Request`]
/// where the network has no line of the kinds wanted.
pub fn searched_lines(
    desk: &Desk,
    network: &Network,
    outcome: &mut Outcome,
) -> Result<SearchedLines, StepError> {
    searched_lines_of(desk, network, kinds_of(desk, network)?, outcome)
}

/// The same on the kinds given.
///
/// # Errors
/// [`StepError::Request`] where the network has no line of them.
pub(super) fn searched_lines_of(
    desk: &Desk,
    network: &Network,
    kinds: KindSet,
    outcome: &mut Outcome,
) -> Result<SearchedLines, StepError> {
    let carries = |edge: &Edge| edge.kinds.meets(kinds);
    if !network.edges().iter().any(carries) {
        let names: Vec<&str> = kinds.kinds().map(LineKind::word).collect();
        let what = format!("no line of the kinds that carry sign ({})", names.join(", "));
        return Err(StepError::Request { files: desk.files_of(&["line"]), what });
    }
    let smoother = LineSmoother::new(line_graph(network, carries));
    let legs = legs_of(desk, outcome);
    let survey = (!legs.is_empty()).then(|| {
        desk.progress.stage("matching survey legs to lines", None);
        let matched = match_legs(network, &legs, &MatchSettings::default(), carries);
        let passages = matched.iter().flat_map(|leg| leg.passages.iter().copied());
        let effort = Effort::new(network.edges().len(), passages);
        Survey { legs, matched, effort }
    });
    if let Some(survey) = &survey {
        warn_of_doubtful_legs(survey, outcome);
    }
    let limit_m = accuracy_limit_m(desk);
    Ok(SearchedLines { smoother, kinds, survey, limit_m })
}

/// Puts records on the lines and chooses kernel and bandwidth.
///
/// # Errors
/// [`StepError::Setting`] for a kernel, rule or split that is not known,
/// [`StepError::Request`] where no record lies near a line or no bandwidth can be found.
pub fn line_activity<'a>(
    desk: &Desk,
    network: &Network,
    lines: &'a SearchedLines,
    records: &[&'a Placed<Record>],
) -> Result<LineActivity<'a>, StepError> {
    let started = Instant::now();
    let snapped = snap_records(network, records, lines.limit_m, |edge| lines.carries(edge));
    let sources: Vec<Source> = snapped.sources.iter().flatten().copied().collect();
    if sources.is_empty() {
        let what =
            format!("no record of sign within {} m of a line; raise it with --accuracy", lines.limit_m);
        return Err(StepError::Request { files: desk.files_of(&["sign", "line"]), what });
    }
    let (kernel, rule) = kernel_on_lines(desk, lines, &sources)?;
    let Found { found, of_no_leg, outings } = found_by_surveys(lines, records, &snapped);
    let seconds = started.elapsed().as_secs_f64();
    Ok(LineActivity { lines, kernel, rule, snapped, sources, found, outings, of_no_leg, seconds })
}

impl LineActivity<'_> {
    /// The lines it is on.
    pub fn lines(&self) -> &SearchedLines {
        self.lines
    }

    /// The activity at some positions: the rate where somebody searched, and everywhere
    /// the density.
    ///
    /// # Errors
    /// [`AlongError`] for a position that is not on the network, and where equal splits
    /// would take too many walks.
    pub fn at(&self, positions: &[EdgePoint]) -> Result<Vec<ActivityAt>, AlongError> {
        let density = self.lines.smoother.density(self.kernel, &self.sources, positions)?.per_m;
        let rates = match self.rates()? {
            Some(rates) => rates.at(positions)?,
            None => vec![None; positions.len()],
        };
        let both = density.into_iter().zip(rates);
        Ok(both.map(|(per_m, rate)| ActivityAt { density_per_km: 1000.0 * per_m, rate }).collect())
    }

    /// The rates; `None` without survey legs.
    ///
    /// # Errors
    /// As [`LineActivity::at`].
    pub fn rates(&self) -> Result<Option<Rates<'_>>, AlongError> {
        let Some(survey) = &self.lines.survey else { return Ok(None) };
        Rates::new(&self.lines.smoother, self.kernel, &survey.effort, &self.found, CONFIDENCE).map(Some)
    }
}

/// The kinds that the plan names, or else the travel kinds.
fn kinds_of(desk: &Desk, network: &Network) -> Result<KindSet, StepError> {
    let mut kinds = KindSet::EMPTY;
    for word in &desk.plan.surface.along {
        let kind = LineKind::from_word(word).ok_or_else(|| StepError::Setting {
            key: "surface.along",
            what: format!(
                "unknown kind \"{word}\"; known are {}",
                LineKind::ALL.map(LineKind::word).join(", ")
            ),
        })?;
        kinds = kinds.with(KindSet::of(kind));
    }
    Ok(if kinds.is_empty() { network.settings().travel } else { kinds })
}

/// The legs of the days asked for. A leg without a date is kept, and told.
fn legs_of(desk: &Desk, outcome: &mut Outcome) -> Vec<Traced<SurveyLeg>> {
    let undated = desk.job.legs.iter().filter(|leg| leg.what.date.is_none()).count();
    if undated > 0 && (desk.plan.select.from.is_some() || desk.plan.select.to.is_some()) {
        outcome.warn(format!(
            "{}: {undated} legs without a date count as searched in the days asked for",
            desk.files_of(&["survey"])
        ));
    }
    legs_asked(desk)
}

/// The legs of the days asked for, those without a date among them.
pub(super) fn legs_asked(desk: &Desk) -> Vec<Traced<SurveyLeg>> {
    let (from, to) = (desk.plan.select.from.map(|day| day.0), desk.plan.select.to.map(|day| day.0));
    let wanted = |leg: &&Traced<SurveyLeg>| {
        leg.what.date.is_none_or(|day| from.is_none_or(|from| from <= day) && to.is_none_or(|to| day <= to))
    };
    desk.job.legs.iter().filter(wanted).cloned().collect()
}

/// Furthest that a record may lie from its line or leg, in metres.
pub(super) fn accuracy_limit_m(desk: &Desk) -> f64 {
    desk.plan.surface.accuracy_m.map_or(ACCURACY_M, |limit| limit.get())
}

fn warn_of_doubtful_legs(survey: &Survey, outcome: &mut Outcome) {
    let doubtful: Vec<_> =
        survey.legs.iter().zip(&survey.matched).filter(|(_, matched)| matched.is_doubtful()).collect();
    if let Some((leg, matched)) = doubtful.first() {
        outcome.warn(format!(
            "{}: {:.0} m of the {:.0} m recorded lie along lines, {:.0} m off them{}; is a line missing?",
            leg.what.source,
            matched.matched_m,
            matched.raw_m,
            matched.off_m,
            match doubtful.len() {
                1 => String::new(),
                n => format!(", and {} more legs like it", n - 1),
            }
        ));
    }
}

fn kernel_on_lines(
    desk: &Desk,
    lines: &SearchedLines,
    sources: &[Source],
) -> Result<(LineKernel, Option<&'static str>), StepError> {
    let table = &desk.plan.surface;
    let kernel = kernel_of(table.kernel.as_deref())?;
    let split = match table.split.as_deref() {
        None | Some("continuous") => SplitRule::Continuous,
        Some("discontinuous") => SplitRule::Discontinuous,
        Some(word) => {
            let what = format!("unknown rule \"{word}\"; known are continuous and discontinuous");
            return Err(StepError::Setting { key: "surface.split", what });
        }
    };
    match &table.bandwidth {
        Some(MetresOrRule::Metres(metres)) => Ok((LineKernel::new(kernel, split, metres.get()), None)),
        // The rules of the plane have no meaning along lines, where there is one.
        _ => {
            let sigma_m = cross_validated_m(desk, lines, sources)?;
            Ok((LineKernel::new(kernel, split, sigma_m), Some("likelihood")))
        }
    }
}

/// The cross-validated bandwidth: not finer than places are known, not wider than a
/// quarter of all line.
fn cross_validated_m(desk: &Desk, lines: &SearchedLines, sources: &[Source]) -> Result<f64, StepError> {
    desk.progress.stage("finding the bandwidth along lines", None);
    let low_m = lines.limit_m.max(1.0);
    let high_m = (0.25 * lines.smoother.graph().length_m()).clamp(2.0 * low_m, WIDEST_M.max(2.0 * low_m));
    let found = lines.smoother.likelihood_bandwidth(sources, (low_m, high_m)).map_err(|why| {
        StepError::Request { files: desk.files_of(&["sign", "line"]), what: why.to_string() }
    })?;
    Ok(found.sigma_m)
}

/// What surveys found, and what they did not.
#[derive(Default)]
struct Found<'a> {
    found: Vec<Source>,
    of_no_leg: Vec<&'a Placed<Record>>,
    outings: Option<Outings>,
}

fn found_by_surveys<'a>(
    lines: &SearchedLines,
    records: &[&'a Placed<Record>],
    snapped: &Snapped,
) -> Found<'a> {
    let Some(survey) = &lines.survey else { return Found::default() };
    let legs: Vec<_> = survey.legs.iter().collect();
    let (of_leg, outings) = find_outings(records, &legs, lines.limit_m);
    let mut told = Found { outings: Some(outings), ..Found::default() };
    for ((source, leg), &record) in snapped.sources.iter().zip(of_leg).zip(records) {
        match leg {
            Some(_) => told.found.extend(*source),
            None => told.of_no_leg.push(record),
        }
    }
    told
}
