//! Progress on standard error, for anything longer than half a second, on a terminal only.

use std::io::IsTerminal;
use std::sync::Mutex;
use std::time::{Duration, Instant};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

use super::message::harmless;
use crate::steps::Progress;

/// How long a stage may take before a bar is shown.
const PATIENCE: Duration = Duration::from_millis(500);

/// A bar, or nothing where nobody watches.
pub(super) struct Bar {
    bar: Option<ProgressBar>,
    since: Mutex<Instant>,
}

impl Bar {
    pub(super) fn new(quiet: bool) -> Self {
        let watched = !quiet && std::io::stderr().is_terminal();
        let bar = watched.then(|| ProgressBar::with_draw_target(None, ProgressDrawTarget::hidden()));
        Self { bar, since: Mutex::new(Instant::now()) }
    }

    pub(super) fn clear(&self) {
        if let Some(bar) = &self.bar {
            bar.finish_and_clear();
        }
    }

    fn waited(&self) -> bool {
        self.since.lock().is_ok_and(|since| since.elapsed() > PATIENCE)
    }

    fn show(&self, bar: &ProgressBar) {
        if bar.is_hidden() && self.waited() {
            bar.set_draw_target(ProgressDrawTarget::stderr());
            bar.enable_steady_tick(Duration::from_millis(120));
        }
    }
}

impl Progress for Bar {
    fn stage(&self, what: &str, total: Option<u64>) {
        let Some(bar) = &self.bar else { return };
        let template = match total {
            Some(_) => "{spinner} {msg} {wide_bar} {percent} %",
            None => "{spinner} {msg} {human_pos}",
        };
        bar.set_style(
            ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar()),
        );
        bar.set_message(harmless(what).into_owned());
        bar.set_length(total.unwrap_or(0));
        bar.set_position(0);
        self.show(bar);
    }

    fn reach(&self, done: u64) {
        if let Some(bar) = &self.bar {
            bar.set_position(done);
            self.show(bar);
        }
    }
}
