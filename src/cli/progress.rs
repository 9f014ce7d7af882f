//! Progress on standard error: a bar on a terminal from the first second on, and a line now and then
//! where nobody watches. Work that would take long says so as soon as its pace is known.

use std::io::{IsTerminal, Write};
use std::sync::{Arc, Condvar, Mutex, MutexGuard};
use std::thread::JoinHandle;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::message::harmless;
use crate::steps::Progress;

/// How long a run may take before a bar is shown.
const PATIENCE: Duration = Duration::from_millis(500);
/// How often it is looked whether there is something to say.
const GLANCE: Duration = Duration::from_millis(250);
/// Where nobody watches a run says where it is after so many seconds, and then every minute.
const FIRST_LINES_S: [u64; 4] = [5, 15, 30, 60];
/// A stage has found its pace after this long.
const PACE: Duration = Duration::from_secs(1);
/// What is left of a stage is told where it is more than this.
const LONG: Duration = Duration::from_secs(10);

/// A bar, lines, or nothing.
pub(super) struct Bar {
    watch: Option<Watch>,
}

struct Watch {
    shared: Arc<Shared>,
    teller: JoinHandle<()>,
    bar: Option<ProgressBar>,
}

struct Shared {
    seen: Mutex<Seen>,
    changed: Condvar,
}

/// What is known of the run.
struct Seen {
    stage: String,
    total: Option<u64>,
    done: u64,
    since: Instant,
    over: bool,
}

impl Bar {
    pub(super) fn new(quiet: bool) -> Self {
        if quiet {
            return Self { watch: None };
        }
        let watched = std::io::stderr().is_terminal();
        let bar = watched.then(|| ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden()));
        let since = Instant::now();
        let seen = Seen { stage: "starting".into(), total: None, done: 0, since, over: false };
        let shared = Arc::new(Shared { seen: Mutex::new(seen), changed: Condvar::new() });
        let (theirs, their_bar) = (shared.clone(), bar.clone());
        let teller = std::thread::Builder::new().name("progress".into());
        // A machine that gives no thread shows no progress.
        let teller = teller.spawn(move || tell(&theirs, their_bar.as_ref(), since));
        Self { watch: teller.ok().map(|teller| Watch { shared, teller, bar }) }
    }

    /// Ends it, and leaves nothing of a bar behind.
    pub(super) fn clear(self) {
        let Some(Watch { shared, teller, bar }) = self.watch else { return };
        shared.look().over = true;
        shared.changed.notify_all();
        let _ = teller.join();
        if let Some(bar) = bar {
            bar.finish_and_clear();
        }
    }
}

impl Shared {
    /// What is known; a thread that died while it held it leaves it whole.
    fn look(&self) -> MutexGuard<'_, Seen> {
        self.seen.lock().unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

/// Shows the bar, or says lines, until the run is over.
fn tell(shared: &Shared, bar: Option<&ProgressBar>, started: Instant) {
    let mut lines = Lines::default();
    let mut seen = shared.look();
    while !seen.over {
        let line = match bar {
            Some(bar) => {
                if bar.is_hidden() && started.elapsed() >= PATIENCE {
                    bar.set_draw_target(ProgressDrawTarget::stderr());
                    bar.enable_steady_tick(Duration::from_millis(120));
                }
                None
            }
            None => lines.due(&seen, started.elapsed(), seen.since.elapsed()),
        };
        if let Some(line) = line {
            let _ = writeln!(std::io::stderr(), "{line}");
        }
        let waited = shared.changed.wait_timeout(seen, GLANCE);
        seen = waited.map_or_else(|poisoned| poisoned.into_inner().0, |(seen, _)| seen);
    }
}

/// What has been said where nobody watches.
#[derive(Default)]
struct Lines {
    /// Lines of time that were said or passed by.
    told: u64,
    /// The stage whose length was told.
    foretold: String,
}

impl Lines {
    /// What is to be said `run` after the start and `stage` after the stage began.
    fn due(&mut self, seen: &Seen, run: Duration, stage: Duration) -> Option<String> {
        let share = seen.total.filter(|&total| total > 0).map(|total| seen.done as f64 / total as f64);
        let left_s = share.filter(|&share| share > 0.0).map(|s| stage.as_secs_f64() * (1.0 - s).max(0.0) / s);
        if let Some(left_s) = left_s
            && stage >= PACE
            && left_s > LONG.as_secs_f64()
            && self.foretold != seen.stage
        {
            self.foretold.clone_from(&seen.stage);
            return Some(format!("{}: this will take {}", seen.stage, about(left_s)));
        }
        let passed = FIRST_LINES_S.iter().filter(|&&s| run.as_secs() >= s).count() as u64;
        let passed = passed + (run.as_secs() / 60).saturating_sub(1);
        if passed <= self.told {
            return None;
        }
        self.told = passed;
        let left = left_s.map_or_else(String::new, |s| format!(", {} to go", about(s)));
        Some(format!("{}: {} s so far{left}", seen.stage, run.as_secs()))
    }
}

/// A time in words that claim no more than is known.
fn about(seconds: f64) -> String {
    if seconds < 90.0 {
        format!("about {:.0} s", (seconds / 5.0).ceil() * 5.0)
    } else {
        format!("about {:.0} minutes", (seconds / 60.0).round().max(2.0))
    }
}

impl Progress for Bar {
    fn stage(&self, what: &str, total: Option<u64>) {
        let Some(watch) = &self.watch else { return };
        let mut seen = watch.shared.look();
        *seen = Seen { stage: what.to_string(), total, done: 0, since: Instant::now(), over: seen.over };
        drop(seen);
        let Some(bar) = &watch.bar else { return };
        let template = match total {
            Some(_) => "{spinner} {msg} {wide_bar} {percent} %, {eta} to go",
            None => "{spinner} {msg} {human_pos} ({elapsed} so far)",
        };
        bar.set_style(
            ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar()),
        );
        bar.set_message(harmless(what).into_owned());
        bar.set_length(total.unwrap_or(0));
        bar.set_position(0);
        bar.reset_eta();
    }

    fn reach(&self, done: u64) {
        let Some(watch) = &self.watch else { return };
        watch.shared.look().done = done;
        if let Some(bar) = &watch.bar {
            bar.set_position(done);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn seen(total: Option<u64>, done: u64) -> Seen {
        Seen { stage: "choosing anew".into(), total, done, since: Instant::now(), over: false }
    }

    /// The lines of a run in which nothing is known but the time.
    #[test]
    fn a_run_that_nobody_watches_says_where_it_is_now_and_then() {
        let mut lines = Lines::default();
        let at = |s: u64| Duration::from_secs(s);
        let told: Vec<(u64, String)> =
            (0..=200).filter_map(|s| Some((s, lines.due(&seen(None, 0), at(s), at(s))?))).collect();
        assert_eq!(told.iter().map(|(s, _)| *s).collect::<Vec<_>>(), [5, 15, 30, 60, 120, 180]);
        assert_eq!(told[1].1, "choosing anew: 15 s so far");
    }

    #[test]
    fn a_stage_that_would_take_long_says_so_once_and_one_that_would_not_does_not() {
        let mut lines = Lines::default();
        let ms = Duration::from_millis;
        assert_eq!(lines.due(&seen(Some(1000), 4), ms(900), ms(900)), None);
        let told = lines.due(&seen(Some(1000), 5), ms(1000), ms(1000));
        assert_eq!(told.as_deref(), Some("choosing anew: this will take about 3 minutes"));
        assert_eq!(lines.due(&seen(Some(1000), 6), ms(1250), ms(1250)), None);
        let later = lines.due(&seen(Some(1000), 500), ms(60_000), ms(60_000));
        assert_eq!(later.as_deref(), Some("choosing anew: 60 s so far, about 60 s to go"));
        let mut quick = Lines::default();
        assert_eq!(quick.due(&seen(Some(1000), 200), ms(1000), ms(1000)), None);
    }

    /// A stage that begins, and then says nothing for long, is told all the same.
    #[test]
    fn clearing_ends_the_teller() {
        let bar = Bar::new(false);
        bar.stage("reading", Some(10));
        bar.reach(3);
        bar.clear();
        Bar::new(true).clear();
    }
}
