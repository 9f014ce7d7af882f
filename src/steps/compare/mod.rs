//! `compare`: two seasons held against each other.

mod lines;
mod maps;
mod numbers;
mod pick;
mod season_of_year;
mod words;

use std::time::Instant;

use geo_types::{Geometry, MultiPolygon};
use jiff::civil::Date;
use serde_json::{Map, Value, json};

pub use pick::with_season_files;

use super::along::accuracy_limit_m;
use super::off_legs;
use super::sign::chosen_sign;
use super::smoothing::{bandwidth_of, grid_of, kernel_of};
use super::written::{members, to_lonlat};
use super::{Desk, Outcome, StepError};
use crate::files::OutputSet;
use crate::files::write::{GeoJsonWriter, round_to};
use crate::frame::{Placed, polygons_area_m2};
use crate::job::JobError;
use crate::record::Record;
use crate::season::{
    BlockSize, ChangeArea, Compares, Comparison, Gathered, Outing, Outings, Search, Season, SeasonError,
    Settings, compare as compare_seasons, gather, passive_index, plots_and_days,
};
use crate::surface::{Bandwidth, Grid, Rule, WeightedPoint};
use lines::Asked;
use maps::maps;
use numbers::{Rates, control_impact_json, rates};
use pick::{Picked, pick, request};

/// Seed where the plan names none: any number would do, and the same one gives the same
/// result again.
const DEFAULT_SEED: u64 = 1;

/// Share of the bandwidth in which survey legs are cut: sums over the middles of such pieces
/// give the smoothed effort to 1e-8.
const PIECES_A_BANDWIDTH: f64 = 4.0;

/// Relabellings that can be asked for: fewer cannot reach 5 percent, two-sided.
const RUNS: std::ops::RangeInclusive<usize> = 39..=1_000_000;

/// What the surfaces of a comparison share.
struct Smoothing {
    rule: Option<Rule>,
    settings: Settings,
}

/// Compares two seasons, writes the files and says what changed.
///
/// # Errors
/// [`StepError::Setting`] for a season, block size or kernel that is not known,
/// [`StepError::Request`] where a season holds nothing to compare or the surfaces would not
/// fit, [`StepError::Output`].
pub fn compare(desk: &Desk, set: &mut OutputSet) -> Result<Outcome, StepError> {
    let started = Instant::now();
    let mut outcome = desk.outcome();
    let sign = chosen_sign(desk, &mut outcome);
    let picked = pick(desk, &sign.records, &mut outcome)?;
    let mut gathered = [(Season::Before, &picked[0]), (Season::After, &picked[1])]
        .map(|(season, picked)| gather(season, &picked.records, &picked.legs, accuracy_limit_m(desk)));
    for (picked, gathered) in picked.iter().zip(&gathered) {
        warn_of_losses(desk, picked, gathered, &mut outcome);
    }
    let left_out = leave_out_of_rates(desk, &picked, &mut gathered, &mut outcome);
    warn_of_settings(desk, &mut outcome);
    let blame = |e| no_outings(desk, &picked, &left_out, e);
    let mut smoothing = smoothing(desk, &gathered, &blame)?;
    let outings = outings(&gathered, smoothing.settings.bandwidth_m).map_err(blame)?;
    let grid = grid(desk, &outings, smoothing.settings.bandwidth_m)?;
    smoothing.settings.cell_m = grid.cell_m;
    desk.progress.stage(&stage_of(&smoothing.settings, &outings), None);
    let found = compare_seasons(&outings, &smoothing.settings).map_err(|e| request(desk, e))?;
    found.warnings.iter().for_each(|w| outcome.warn(w.clone()));
    let maps = maps(&outings, &found.lattice, &grid).map_err(|e| request(desk, e))?;
    desk.progress.stage("writing the comparison", None);
    maps.write(desk, &found.lattice, found.cells.as_ref(), set)?;
    let areas_ha = write_areas(desk, &found.areas, set)?;

    let seed = smoothing.settings.seed;
    let untreated = desk.job.untreated.as_ref().map(|area| &area.ground);
    let rates = (found.compares == Compares::Rate).then(|| rates(&outings, untreated, seed));
    warn_of_untreated(desk, rates.as_ref(), &mut outcome);
    let names = (picked[0].name.as_str(), picked[1].name.as_str());
    outcome.lines.splice(0..0, words::sentences(names, &found, &areas_ha, rates.as_ref()));
    let days = |season| outings.of(season).filter_map(|o| o.day).collect::<Vec<Date>>();
    let (before, after) = (days(Season::Before), days(Season::After));
    if let Some(caution) = season_of_year::unlike(&desk.plan.periods, &picked, [&before, &after]) {
        outcome.say(caution);
    }
    let along_lines = match desk.plan.surface.along_lines {
        true => {
            let searches = gathered.iter().flat_map(|g| &g.searches).collect();
            let settings = &smoothing.settings;
            let asked = Asked { desk, searches, outings: &outings, found: &found, settings };
            lines::along_lines(&asked, set, &mut outcome)?
        }
        false => Value::Null,
    };
    let mut summary =
        Summing { desk, outings: &outings, found: &found, smoothing: &smoothing, cell_m: grid.cell_m }
            .summary(&picked, &gathered, rates.as_ref(), &outcome, started);
    for (season, left_out) in ["before", "after"].into_iter().zip(&left_out) {
        summary[season]["left_out_of_rates"] = json!(off_legs::names(left_out));
    }
    if let Value::Object(members) = &mut summary
        && !along_lines.is_null()
    {
        members.insert("along_lines".into(), along_lines);
    }
    set.write_summary("compare.json", &summary)?;
    outcome.set("compare", summary);
    Ok(outcome)
}

fn warn_of_losses(desk: &Desk, picked: &Picked, gathered: &Gathered, outcome: &mut Outcome) {
    let files = desk.files_of(&["sign", "survey"]);
    if gathered.undated > 0 {
        let count = gathered.undated;
        outcome.warn(format!(
            "{files}: {count} records of {} have neither date nor outing; left out",
            picked.name
        ));
    }
    if gathered.undated_legs > 0 {
        let count = gathered.undated_legs;
        outcome
            .warn(format!("{files}: {count} legs of {} have neither date nor outing; left out", picked.name));
    }
}

/// Says which settings of the surface a comparison does not follow, and why.
fn warn_of_settings(desk: &Desk, outcome: &mut Outcome) {
    let surface = &desk.plan.surface;
    if surface.adaptive == Some(true) {
        outcome.warn("seasons share one fixed bandwidth, so adaptive smoothing is not used here");
    }
    if surface.edge.as_deref().is_some_and(|rule| rule != "none") {
        outcome.warn(
            "no edge rule is used here: both seasons lose the same share at an edge, so it falls out of their ratio",
        );
    }
}

/// Says so where untreated ground is named and nothing can be held against it.
fn warn_of_untreated(desk: &Desk, rates: Option<&Rates>, outcome: &mut Outcome) {
    if desk.job.untreated.is_none() {
        return;
    }
    let files = desk.files_of(&["untreated"]);
    match rates {
        None => outcome.warn(format!(
            "{files}: untreated ground is compared by sign per km searched, and survey legs do not cover both \
             seasons; add them with --survey"
        )),
        Some(rates) if rates.impact.is_none() => outcome.warn(format!(
            "{files}: nothing can be held against the untreated ground: it and the rest must each have been \
             searched, and hold sign, in both seasons"
        )),
        Some(_) => {}
    }
}

/// Kernel, bandwidth and the settings of the tests.
fn smoothing(
    desk: &Desk,
    gathered: &[Gathered; 2],
    blame: &impl Fn(SeasonError) -> StepError,
) -> Result<Smoothing, StepError> {
    let table = &desk.plan.compare;
    let surface = &desk.plan.surface;
    let block = table.block.as_deref().map(|word| {
        BlockSize::from_word(word).ok_or_else(|| StepError::Setting {
            key: "compare.block",
            what: format!(
                "unknown block size \"{word}\"; known are {}",
                BlockSize::ALL.map(BlockSize::word).join(", ")
            ),
        })
    });
    let runs = table.runs.unwrap_or(Settings::RUNS);
    if !RUNS.contains(&runs) {
        let (least, most) = (RUNS.start(), RUNS.end());
        let what = format!("{runs} relabellings; give {least} to {most}");
        return Err(StepError::Setting { key: "compare.runs", what });
    }
    let kernel = kernel_of(surface.kernel.as_deref())?;
    let sign = gathered.iter().flat_map(|g| &g.searches).flat_map(|search| &search.sign);
    let points: Vec<WeightedPoint> = sign.map(|(r, _)| WeightedPoint::new(r.ground, r.what.count)).collect();
    if points.iter().all(|p| p.weight <= 0.0) {
        return Err(blame(SeasonError::NoSignAtAll));
    }
    let Bandwidth { bandwidth_m, rule, .. } = bandwidth_of(desk, surface.bandwidth.as_ref(), &points)?;
    let settings = Settings {
        kernel,
        bandwidth_m,
        cell_m: bandwidth_m,
        runs,
        seed: table.seed.unwrap_or(DEFAULT_SEED),
        block: block.transpose()?,
    };
    Ok(Smoothing { rule, settings })
}

/// Why no outings can be compared, in terms of what was left out.
fn no_outings(
    desk: &Desk,
    picked: &[Picked; 2],
    left_out: &[Vec<&Placed<Record>>; 2],
    why: SeasonError,
) -> StepError {
    let lost = left_out.iter().map(Vec::len).sum();
    let why = if lost > 0 && why == SeasonError::NoSignAtAll { SeasonError::NoSignOnLegs(lost) } else { why };
    request(desk, format!("{why} ({} and {})", picked[0].name, picked[1].name))
}

/// How much there is to compare.
fn stage_of(settings: &Settings, outings: &Outings) -> String {
    format!("comparing the seasons: {} relabellings of {} outings", settings.runs, outings.list().len())
}

/// Where both seasons were searched rates are compared: takes out the sign that belongs to no searched
/// leg, as the rates of one season do, says what it is, and gives it. Elsewhere patterns are compared
/// and all sign counts.
fn leave_out_of_rates<'j>(
    desk: &Desk,
    picked: &[Picked; 2],
    gathered: &mut [Gathered<'j>; 2],
    outcome: &mut Outcome,
) -> [Vec<&'j Placed<Record>>; 2] {
    if !gathered.iter().all(Gathered::searched) {
        return [Vec::new(), Vec::new()];
    }
    let left_out = gathered.each_mut().map(Gathered::take_sign_of_no_leg);
    for (picked, left_out) in picked.iter().zip(&left_out) {
        off_legs::warn_of(desk, &format!(" of {}", picked.name), left_out, outcome);
    }
    left_out
}

/// The outings of both seasons; without ground searched unless both seasons were.
fn outings(gathered: &[Gathered; 2], bandwidth_m: f64) -> Result<Outings, SeasonError> {
    let rates = gathered.iter().all(Gathered::searched);
    let searches = gathered.iter().flat_map(|g| &g.searches);
    Outings::new(searches.map(|search| {
        let made = search.outing(bandwidth_m / PIECES_A_BANDWIDTH);
        if rates { made } else { Outing { searched: Vec::new(), ..made } }
    }))
}

/// The grid of the maps: over the sign of both seasons, as for the activity surface.
fn grid(desk: &Desk, outings: &Outings, bandwidth_m: f64) -> Result<Grid, StepError> {
    grid_of(desk, &outings.sign().copied().collect::<Vec<_>>(), bandwidth_m)
}

/// Writes the areas of change and gives their sizes in hectares.
fn write_areas(desk: &Desk, areas: &[ChangeArea], set: &mut OutputSet) -> Result<Vec<f64>, StepError> {
    let mut drawn = Vec::new();
    for area in areas {
        let polygons = MultiPolygon(vec![area.outline.clone()]);
        let polygons = to_lonlat(&desk.job.frame, &polygons).map_err(JobError::from)?;
        drawn.push((area, polygons_area_m2(&polygons) / 10_000.0, polygons));
    }
    let provenance = desk.provenance();
    set.write("change-areas.geojson", |out| {
        let mut writer = GeoJsonWriter::begin(out, &provenance)?;
        for (number, (area, area_ha, polygons)) in drawn.iter().enumerate() {
            let properties = members(json!({
                "direction": area.direction.word(),
                "area_ha": round_to(*area_ha, 4),
                "p_min": area.p_min,
                "p_max": area.p_max,
                "survives_fdr": area.survives_fdr,
            }));
            let outline = polygons.0.first().map(|p| Geometry::Polygon(p.clone()));
            writer.feature(&format!("change-{}", number + 1), outline.as_ref(), &properties)?;
        }
        writer.finish().map(drop)
    })?;
    Ok(drawn.iter().map(|(_, area_ha, _)| *area_ha).collect())
}

/// What `compare.json` is made of.
struct Summing<'a> {
    desk: &'a Desk<'a>,
    outings: &'a Outings,
    found: &'a Comparison,
    smoothing: &'a Smoothing,
    cell_m: f64,
}

impl Summing<'_> {
    fn summary(
        &self,
        picked: &[Picked; 2],
        gathered: &[Gathered; 2],
        rates: Option<&Rates>,
        outcome: &Outcome,
        started: Instant,
    ) -> Value {
        let Self { found, smoothing, .. } = self;
        let impact = rates.and_then(|r| r.impact.as_ref());
        json!({
            "compares": found.compares.word(),
            "before": self.season(Season::Before, &picked[0], &gathered[0]),
            "after": self.season(Season::After, &picked[1], &gathered[1]),
            "kernel": smoothing.settings.kernel.word(),
            "bandwidth_m": smoothing.settings.bandwidth_m,
            "rule": smoothing.rule.map(Rule::word),
            "cell_m": self.cell_m,
            "lattice_cell_m": found.lattice.grid.cell_m,
            "epsg": self.desk.job.frame.epsg(),
            "runs": smoothing.settings.runs,
            "seed": smoothing.settings.seed,
            "headline": self.headline(),
            "global": self.global(),
            "cells": self.cells(),
            "areas": found.areas.len(),
            "areas_withheld": found.areas_withheld,
            "index": rates.map_or(Value::Null, Rates::json),
            "control_impact": control_impact_json(impact),
            "passive_index": {
                "before": passive(&gathered[0].searches), "after": passive(&gathered[1].searches),
            },
            "summary": outcome.lines,
            "warnings": outcome.warnings,
            "seconds": { "read": self.desk.read_seconds, "compare": started.elapsed().as_secs_f64() },
        })
    }

    fn season(&self, season: Season, picked: &Picked, gathered: &Gathered) -> Value {
        let days = || self.outings.of(season).filter_map(|o| o.day);
        let km = self.outings.searched_km(season);
        let sign = self.outings.sign_count(season);
        json!({
            "name": picked.name,
            "records": self.outings.of(season).map(|o| o.sign.len()).sum::<usize>(),
            "sign": sign,
            "outings": self.outings.of(season).count(),
            "first_day": days().min().map(|d| d.to_string()),
            "last_day": days().max().map(|d| d.to_string()),
            "searched_km": km,
            "sign_per_km": if km > 0.0 { json!(sign / km) } else { Value::Null },
            "records_by_outing_id": gathered.by_id,
            "records_by_leg": gathered.by_leg,
            "records_by_day": gathered.by_day,
        })
    }

    fn headline(&self) -> Value {
        let headline = &self.found.headline;
        json!({
            "block": headline.block.map(BlockSize::word),
            "p": headline.p,
            "verdict": headline.verdict.words(),
            "reason": headline.reason,
            "dependence": headline.dependence.map(|d| json!({
                "p": d.p, "reach_days": d.reach_days, "beyond_block": d.beyond_block,
            })),
        })
    }

    fn global(&self) -> Value {
        let one = |test: &crate::season::SizeTest| {
            json!({
                "blocks": test.blocks(),
                "blocks_before": test.blocks_before,
                "blocks_after": test.blocks_after,
                "statistic": test.statistic,
                "studentised": test.studentised,
                "p": test.p,
                "reason": test.reason,
            })
        };
        Value::Object(
            self.found.sizes.iter().map(|t| (t.size.word().to_string(), one(t))).collect::<Map<_, _>>(),
        )
    }

    fn cells(&self) -> Value {
        self.found.cells.as_ref().map_or(Value::Null, |cells| {
            let least = |values: &[f64]| values.iter().copied().fold(f64::NAN, f64::min);
            let survive = cells.p_fdr.iter().filter(|&&p| p <= 0.05).count();
            json!({
                "tested": cells.tested,
                "runs": cells.runs,
                "p_min": numbers::finite(least(&cells.p)),
                "p_max": numbers::finite(least(&cells.p_family)),
                "survive_fdr": survive,
            })
        })
    }
}

/// The passive index, where a season's data are plots and days.
fn passive(searches: &[Search]) -> Value {
    plots_and_days(searches).and_then(|table| passive_index(&table)).map_or(Value::Null, |found| {
        json!({
            "sign_per_plot_and_day": found.index,
            "variance": found.variance,
            "plots": found.plots,
            "days": found.days,
        })
    })
}
