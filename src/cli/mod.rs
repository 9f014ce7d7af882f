//! The command line: arguments, progress, messages, exit status. The only room that prints.

mod args;
mod manual;
mod message;
mod progress;
mod terminal;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{CommandFactory, FromArgMatches};

use crate::files::{Committed, OutputSet, read_text};
use crate::plan::{Overlay, Plan};
use crate::steps::{self, Outcome, Progress, StepError};
use args::{Args, Command, Report, Results};
use message::Talk;
use progress::Bar;
use terminal::Colour;

/// Runs the program: 0 done, 1 could not, 2 usage.
pub fn main() -> ExitCode {
    let colour = Colour::asked(std::env::args_os());
    let matches = Args::command().color(colour.of_help()).try_get_matches();
    let args = match matches.and_then(|matches| Args::from_arg_matches(&matches)) {
        Ok(args) => args,
        Err(e) => {
            // Help and version go to standard output and are no fault.
            let _ = e.print();
            return ExitCode::from(u8::from(e.use_stderr()) * 2);
        }
    };
    let talk = Talk { quiet: args.quiet, json: args.json, colour: args.color };
    if let Some(threads) = args.threads
        && let Err(why) = rayon::ThreadPoolBuilder::new().num_threads(threads.into()).build_global()
    {
        talk.error(&format!("--threads: {why}"));
        return ExitCode::from(2);
    }
    let bar = Bar::new(args.quiet);
    let done = dispatch(&args.command, &bar);
    bar.clear();
    match done {
        Ok((mut outcome, written)) => {
            for note in written.iter().flat_map(|w| &w.notes) {
                outcome.warn(note);
            }
            talk.outcome(args.command.name(), &outcome, written.as_ref());
            ExitCode::from(u8::from(outcome.failed))
        }
        Err(why) => {
            talk.error(&why.to_string());
            ExitCode::from(if why.is_usage() { 2 } else { 1 })
        }
    }
}

type Done = Result<(Outcome, Option<Committed>), StepError>;

fn dispatch(command: &Command, bar: &dyn Progress) -> Done {
    match command {
        Command::Demo(demo) => steps::demo(&demo.dir, demo.force, bar).map(|outcome| (outcome, None)),
        Command::New(new) => steps::new(&new.dir, new.force).map(|outcome| (outcome, None)),
        Command::Inspect(inspect) => {
            let plan = resolve(inspect.plan.as_deref(), &inspect.overlay())?;
            steps::look(&plan, bar).map(|desk| (steps::inspect(&desk), None))
        }
        Command::Surface(surface) => {
            let plan = resolve(surface.plan.as_deref(), &surface.overlay())?;
            with_outputs(surface.plan.as_deref(), &plan, &surface.results, bar, |desk, set| {
                steps::surface(desk, set).map(|done| done.0)
            })
        }
        Command::Nodes(nodes) => {
            let plan = resolve(nodes.plan.as_deref(), &nodes.overlay())?;
            with_outputs(nodes.plan.as_deref(), &plan, &nodes.results, bar, |desk, set| {
                steps::nodes(desk, set).map(|done| done.0)
            })
        }
        Command::Round(round) => {
            let plan = resolve(round.plan.as_deref(), &round.overlay())?;
            with_outputs(round.plan.as_deref(), &plan, &round.results, bar, steps::round)
        }
        Command::Checks(checks) => {
            let plan = resolve(checks.plan.as_deref(), &checks.overlay())?;
            with_outputs(checks.plan.as_deref(), &plan, &checks.results, bar, steps::checks)
        }
        Command::Sites(sites) => {
            let plan = resolve(sites.plan.as_deref(), &sites.overlay())?;
            with_outputs(sites.plan.as_deref(), &plan, &sites.results, bar, |desk, set| {
                steps::sites(desk, set, None, None)
            })
        }
        Command::Compare(compare) => {
            let plan = steps::with_season_files(&resolve(compare.plan.as_deref(), &compare.overlay())?);
            with_outputs(compare.plan.as_deref(), &plan, &compare.results, bar, steps::compare)
        }
        Command::Terrain(terrain) => {
            let plan = resolve(terrain.plan.as_deref(), &terrain.overlay())?;
            with_outputs(terrain.plan.as_deref(), &plan, &terrain.results, bar, steps::terrain)
        }
        Command::Manual(manual) => manual::manual(&manual.dir, manual.force),
        Command::Audit(audit) => audit_on(audit, bar),
        Command::Report(report) => report_on(report, bar),
        Command::Run(run) => {
            let plan = steps::with_season_files(&resolve(Some(&run.plan), &run.overlay())?);
            with_outputs(Some(&run.plan), &plan, &run.results, bar, steps::run)
        }
    }
}

/// Adds the report to the folder of a run, from the plan that the run left there.
fn report_on(report: &Report, bar: &dyn Progress) -> Done {
    let (mut set, plan) = steps::reopen(&report.dir, report.inputs.as_deref())?;
    let desk = steps::load(&plan, bar)?;
    let outcome = steps::report_again(&desk, &mut set, report.as_it_stands)?;
    let written = set.commit()?;
    Ok((outcome, Some(written)))
}

/// Audits the folder of a run, by the plan that the run left there or by another.
fn audit_on(audit: &args::Audit, bar: &dyn Progress) -> Done {
    let plan = match &audit.plan {
        Some(file) => resolve(Some(file), &audit.overlay())?,
        None => {
            let left_in = audit.dir.join("settings.toml");
            steps::plan_left_in(&audit.dir)?.overlaid(&left_in, &audit.overlay())?
        }
    };
    let mut set = match &audit.out {
        Some(out) => OutputSet::begin(out, audit.force)?,
        None => OutputSet::reopen(&audit.dir)?,
    };
    let desk = steps::load(&plan, bar)?;
    set.keep_inputs(audit.plan.as_deref().into_iter().chain(plan.every_path().iter().map(PathBuf::as_path)));
    if audit.out.is_some() {
        set.state_inputs(&desk.job.inputs);
    }
    let outcome = steps::audit(&desk, &audit.dir, &mut set)?;
    let written = set.commit()?;
    Ok((outcome, Some(written)))
}

/// The plan file, if there is one, with the flags laid over it.
fn resolve(file: Option<&Path>, flags: &Overlay) -> Result<Plan, StepError> {
    let Some(file) = file else { return Ok(Plan::default().overlaid(Path::new("flags"), flags)?) };
    let (text, _) = read_text(file).map_err(|e| StepError::Files(vec![e]))?;
    Ok(Plan::parse(file, &text)?.overlaid(file, flags)?)
}

/// Opens the output set first, so that a run does not end at a folder that it cannot write.
fn with_outputs(
    file: Option<&Path>,
    plan: &Plan,
    results: &Results,
    bar: &dyn Progress,
    step: impl FnOnce(&steps::Desk, &mut OutputSet) -> Result<Outcome, StepError>,
) -> Done {
    let mut set = OutputSet::begin(&results.out, results.force)?;
    let also = if results.also.is_empty() { &plan.also } else { &results.also };
    let plan = &Plan { also: also.clone(), ..plan.clone() };
    set.keep_inputs(file.into_iter().chain(plan.every_path().iter().map(PathBuf::as_path)));
    let desk = steps::load(plan, bar)?;
    set.state_inputs(&desk.job.inputs);
    let outcome = step(&desk, &mut set)?;
    steps::also(plan, &mut set)?;
    steps::write_settings(plan, &mut set)?;
    let written = steps::commit(&desk, set)?;
    Ok((outcome, Some(written)))
}
