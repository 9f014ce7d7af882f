//! Reads every input that a plan names and builds the job.

use std::collections::HashMap;
use std::path::Path;
use std::sync::{Arc, OnceLock};
use std::time::Instant;

use jiff::tz::TimeZone;

use super::number_layers::{is_raster, read_rasters};
use super::sign::period_of;
use super::terrain::{self, Ground};
use super::{Outcome, Progress, StepError};
use crate::files::write::{InputFile, Provenance};
use crate::files::{FileError, LonLatBox, RawFeature, ReadAs, ReadOptions, read_features};
use crate::frame::{destination, utm_epsg_of};
use crate::job::{Builder, DateOrder, Job, JobError, SignDefaults};
use crate::plan::{DateStyle, Plan, Source};
use crate::record::LineKind;
use crate::verdict::Gain;

/// How far round the other inputs the ground is looked at, so that a creek that comes from beyond
/// them has its catchment, in metres.
const GROUND_ROUND_M: f64 = 2000.0;

/// Roles on which people's safety hangs: what is not understood in their files stops the run.
const KEEP_SAFE: [&str; 7] = ["keep_out", "never", "area", "untreated", "station", "check", "must"];

/// Roles whose files must hold something: what they are for is lost without a word else.
const MUST_HOLD: [&str; 3] = ["keep_out", "never", "area"];

/// What every step works at: the plan, the job made of its inputs, and who watches.
pub struct Desk<'a> {
    /// The plan with the flags laid over it.
    pub plan: &'a Plan,
    /// The job.
    pub job: Job,
    /// Told what is being done.
    pub progress: &'a dyn Progress,
    /// The ground, where the plan names a raster of heights.
    pub ground: Option<Ground>,
    /// Seconds it took to read the inputs.
    pub read_seconds: f64,
    /// What siting gains without a station, by its id, once that is known.
    pub(super) gains: OnceLock<HashMap<Arc<str>, Gain>>,
}

impl Desk<'_> {
    /// The origin that every output states.
    pub fn provenance(&self) -> Provenance {
        Provenance { settings: self.plan.to_json(), inputs: self.job.inputs.clone() }
    }

    /// The names of the input files of some roles, for messages about the whole job.
    pub fn files_of(&self, roles: &[&str]) -> String {
        let named: Vec<&str> = self
            .job
            .inputs
            .iter()
            .filter(|i| roles.contains(&i.role.as_str()))
            .map(|i| i.file.as_str())
            .collect();
        if named.is_empty() { "no input file".to_string() } else { named.join(", ") }
    }

    /// An outcome that begins with what was odd in the inputs.
    pub fn outcome(&self) -> Outcome {
        let mut outcome = Outcome::default();
        for warning in self.job.findings.warnings() {
            outcome.warn(warning.to_string());
        }
        outcome
    }
}

/// Reads the inputs of a plan for a step that computes. Files that cannot be read, faults of their
/// features and layers that lie in the wrong place are all told together.
///
/// # Errors
/// Those of [`look`], and [`StepError::Job`] for what lies where it cannot be meant to lie.
pub fn load<'a>(plan: &'a Plan, progress: &'a dyn Progress) -> Result<Desk<'a>, StepError> {
    let desk = look(plan, progress)?;
    let refusals = &desk.job.whereabouts.refusals;
    if refusals.is_empty() { Ok(desk) } else { Err(JobError::Faults(refusals.clone()).into()) }
}

/// Reads the inputs of a plan to look at them: what lies in the wrong place is no fault yet.
///
/// # Errors
/// [`StepError::Files`], [`StepError::Setting`] for a kind or time zone that is not known,
/// [`StepError::Job`] with every fault of the inputs.
pub fn look<'a>(plan: &'a Plan, progress: &'a dyn Progress) -> Result<Desk<'a>, StepError> {
    let started = Instant::now();
    period_of(plan)?;
    let mut builder = Builder::new(&plan.fields, zone_of(plan)?)
        .with_dates(dates_of(plan))
        .with_base(&plan.base)
        .with_far(plan.place.far_apart, plan.select.far_records);
    let mut reading = Reading { plan, progress, builder: &mut builder, failed: Vec::new() };
    reading.layers()?;
    reading.places();
    reading.single_files();
    if !reading.failed.is_empty() {
        return Err(StepError::Files(reading.failed));
    }
    builder.hold_fields();
    let mut epsg = plan.place.epsg;
    let ground = match &plan.terrain.dem {
        Some(dem) => Some(ground_of(plan, dem, &mut builder, &mut epsg, progress)?),
        None => None,
    };
    let mut job = builder.finish(epsg)?;
    read_rasters(plan, &mut job)?;
    Ok(Desk {
        plan,
        job,
        progress,
        ground,
        read_seconds: started.elapsed().as_secs_f64(),
        gains: OnceLock::new(),
    })
}

/// Looks at the ground round what was read, or at all of it, and gives the job its lines. They
/// do not move the frame that the other inputs choose.
fn ground_of(
    plan: &Plan,
    dem: &Path,
    builder: &mut Builder,
    epsg: &mut Option<u32>,
    progress: &dyn Progress,
) -> Result<Ground, StepError> {
    let within = builder.corners().map(|(south_west, north_east)| LonLatBox {
        south_west: destination(south_west, 225.0, GROUND_ROUND_M * std::f64::consts::SQRT_2),
        north_east: destination(north_east, 45.0, GROUND_ROUND_M * std::f64::consts::SQRT_2),
    });
    let (mut ground, input) = terrain::look(plan, dem, within.as_ref(), progress)?;
    *epsg = epsg.or_else(|| builder.centre().map(utm_epsg_of)).or(Some(ground.placed.frame.epsg()));
    for warning in &ground.terrain.warnings {
        builder.findings().warn_at(dem.display(), warning);
    }
    terrain::lend_lines(plan, dem, &mut ground, builder)?;
    builder.input(input);
    Ok(ground)
}

/// The order of day and month that the plan says.
pub(super) fn dates_of(plan: &Plan) -> Option<DateOrder> {
    plan.place.dates.map(|style| match style {
        DateStyle::DayFirst => DateOrder::DayFirst,
        DateStyle::MonthFirst => DateOrder::MonthFirst,
    })
}

pub(super) fn zone_of(plan: &Plan) -> Result<Option<TimeZone>, StepError> {
    let Some(name) = &plan.place.time_zone else { return Ok(None) };
    TimeZone::get(name).map(Some).map_err(|_| StepError::Setting {
        key: "place.time_zone",
        what: format!("\"{name}\" is not an IANA time zone such as \"Australia/Sydney\""),
    })
}

fn unknown_kind(word: &str) -> StepError {
    let known: Vec<&str> = LineKind::ALL.iter().map(|k| k.word()).collect();
    StepError::Setting {
        key: "line.kind",
        what: format!("unknown kind \"{word}\"; known are {}", known.join(", ")),
    }
}

/// How a file that the plan names is to be read; `likely_epsg` is the code to name where it
/// does not say its own.
pub(super) fn read_options(source: Source, read_as: ReadAs, likely_epsg: Option<u32>) -> ReadOptions {
    let layer = source.layer.map(str::to_string);
    ReadOptions { read_as, epsg: source.epsg, layer, likely_epsg, strict: false }
}

struct Reading<'a> {
    plan: &'a Plan,
    progress: &'a dyn Progress,
    builder: &'a mut Builder,
    failed: Vec<FileError>,
}

impl Reading<'_> {
    /// Every layer of which a plan may hold several.
    fn layers(&mut self) -> Result<(), StepError> {
        let plan = self.plan;
        for layer in &plan.sign {
            let defaults = SignDefaults { season: layer.season.clone() };
            self.file("sign", layer.source(), ReadAs::Points, |b, raw| b.sign(raw, &defaults));
        }
        for layer in &plan.survey {
            self.file("survey", layer.source(), ReadAs::Lines, |b, raw| b.leg(raw));
        }
        for layer in &plan.line {
            let kind = LineKind::from_word(&layer.kind).ok_or_else(|| unknown_kind(&layer.kind))?;
            self.file("line", layer.source(), ReadAs::Lines, |b, raw| b.line(raw, kind));
        }
        for layer in &plan.keep_out {
            let distance_m = layer.distance_m.map(|d| d.get());
            self.file("keep_out", layer.source(), ReadAs::All, |b, raw| {
                b.keep_out(raw, distance_m, layer.reason.as_deref());
            });
        }
        for layer in &plan.station {
            self.file("station", layer.source(), ReadAs::Points, Builder::station);
        }
        for layer in &plan.check {
            self.file("check", layer.source(), ReadAs::Rows, Builder::check_row);
        }
        Ok(())
    }

    /// The files of which a plan holds one.
    fn single_files(&mut self) {
        let plan = self.plan;
        if let Some(wind) = &plan.wind.file {
            self.file("wind", Source::plain(wind), ReadAs::Rows, Builder::wind_row);
        }
        if let Some(area) = &plan.place.area {
            self.file(
                "area",
                Source { epsg: plan.place.area_epsg, ..Source::plain(area) },
                ReadAs::Areas,
                Builder::area,
            );
        }
        if let Some(untreated) = &plan.compare.untreated {
            self.file("untreated", Source::plain(untreated), ReadAs::Areas, Builder::untreated);
        }
        if let Some(at) = &plan.surface.at {
            self.file("at", Source::plain(at), ReadAs::Points, Builder::query);
        }
    }

    /// Places and layers that only sites heed.
    fn places(&mut self) {
        let table = &self.plan.sites;
        for file in table.must.files() {
            self.file("must", Source::plain(file), ReadAs::Points, Builder::must);
        }
        for file in table.never.files() {
            self.file("never", Source::plain(file), ReadAs::All, Builder::never);
        }
        for place in table.must.listed() {
            self.builder.must_at(place.at, place.name.as_deref());
        }
        for place in table.never.listed() {
            self.builder.never_at(place.at, place.within_m.get(), place.name.as_deref());
        }
        if let Some(file) = &table.cover {
            self.file("cover", Source::plain(file), ReadAs::Areas, Builder::cover);
        }
        for (k, layer) in table.layer.iter().enumerate() {
            self.builder.number_layer();
            if let Some(property) = layer.property.as_ref().filter(|_| !is_raster(layer)) {
                self.file("layer", Source::plain(&layer.file), ReadAs::Areas, |b, raw| {
                    b.number(raw, k, property)
                });
            }
        }
    }

    fn file(&mut self, role: &str, source: Source, read_as: ReadAs, take: impl Fn(&mut Builder, RawFeature)) {
        let path = source.file;
        self.progress.stage(&format!("reading {}", path.display()), None);
        let mut seen = 0;
        let strict = KEEP_SAFE.contains(&role);
        let options = ReadOptions { strict, ..read_options(source, read_as, self.plan.place.epsg) };
        let read = read_features(&self.plan.base.join(path), path, options, &mut |raw| {
            seen += 1;
            if seen % 4096 == 0 {
                self.progress.reach(seen);
            }
            self.builder.note_site_ids(role, &raw);
            self.builder.note_columns(role, &raw);
            take(self.builder, raw);
        });
        match read {
            Ok(report) => {
                for note in report.notes {
                    self.builder.findings().warn_at(path.display(), note);
                }
                if report.features == 0 && MUST_HOLD.contains(&role) {
                    self.builder.findings().fault(
                        path.display(),
                        format!("holds no feature of the kind wanted; an empty {} protects nothing: give the file its features, or take it out of the plan", role.replace('_', "-")),
                    );
                } else if report.features == 0 {
                    self.builder.findings().warn_at(path.display(), "holds no feature of the kind wanted");
                }
                let file = path.file_name().map(|n| n.to_string_lossy().into_owned()).unwrap_or_default();
                self.builder.input(InputFile { role: role.to_string(), file, sha256: report.sha256 });
            }
            Err(why) => self.failed.push(why),
        }
    }
}
