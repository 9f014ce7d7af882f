//! What a step says when it is done, and while it works.

use serde_json::{Map, Value};

/// Members of a step's JSON summary, in order.
pub type Summary = Map<String, Value>;

/// What a step did.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Outcome {
    /// For people: one statement a line.
    pub lines: Vec<String>,
    /// For programs.
    pub summary: Summary,
    /// What was odd.
    pub warnings: Vec<String>,
    /// The step was done, and its answer is that something is not as it has to be: exit status 1.
    pub failed: bool,
}

impl Outcome {
    /// Adds a statement for people.
    pub fn say(&mut self, line: impl Into<String>) {
        self.lines.push(line.into());
    }

    /// Adds a member for programs.
    pub fn set(&mut self, name: &str, value: impl Into<Value>) {
        self.summary.insert(name.to_string(), value.into());
    }

    /// Adds something odd; the same text is told once.
    pub fn warn(&mut self, what: impl Into<String>) {
        let what = what.into();
        if !self.warnings.contains(&what) {
            self.warnings.push(what);
        }
    }

    /// This outcome and then another's, as one; what both say is told once.
    pub fn then(mut self, next: Outcome) -> Outcome {
        self.failed |= next.failed;
        for line in next.lines {
            if !self.lines.contains(&line) {
                self.lines.push(line);
            }
        }
        for (name, value) in next.summary {
            self.summary.entry(name).or_insert(value);
        }
        for warning in next.warnings {
            self.warn(warning);
        }
        self
    }
}

/// Told what is being done, so that somebody can watch.
pub trait Progress: Sync {
    /// A new stage begins; `total` is its size where it is known.
    fn stage(&self, what: &str, total: Option<u64>);
    /// So much of the stage is done.
    fn reach(&self, done: u64);
}

/// Tells nobody.
pub struct Silent;

impl Progress for Silent {
    fn stage(&self, _: &str, _: Option<u64>) {}
    fn reach(&self, _: u64) {}
}
