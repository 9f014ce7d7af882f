//! What was wrong or odd in the inputs: faults stop a job, warnings are counted.

use std::collections::BTreeMap;
use std::path::Path;

use crate::files::pointed_feature;
use crate::record::SourcePlace;

/// A counted warning.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Warning {
    /// What was odd and what was done about it.
    pub what: String,
    /// How often.
    pub count: usize,
    /// The first place where it was seen, if it has one.
    pub first: Option<String>,
}

impl std::fmt::Display for Warning {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match (&self.first, self.count) {
            (Some(first), 1) => write!(f, "{first}: {}", self.what),
            (Some(first), n) => write!(f, "{first} and {} more: {}", n - 1, self.what),
            (None, _) => f.write_str(&self.what),
        }
    }
}

/// How many faults of one kind are spelt out before the rest is counted.
const FAULTS_SPELT_OUT: usize = 20;

/// Something that no result may rest on.
#[derive(Clone, PartialEq, Debug)]
struct Fault {
    words: String,
    /// The feature, and the property of it, that it is about.
    about: Option<(SourcePlace, Option<String>)>,
}

impl Fault {
    /// The words, and the place in the text where there is one. Files lie below `base`.
    fn pointed(&self, base: &Path) -> String {
        let shown = self.about.as_ref().and_then(|(source, property)| {
            pointed_feature(&base.join(&source.file), source.index, property.as_deref())
        });
        format!("{}{}", self.words, shown.unwrap_or_default())
    }
}

/// All findings of one job.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Findings {
    faults: Vec<Fault>,
    more_faults: usize,
    warnings: BTreeMap<String, Warning>,
}

impl Findings {
    /// A fault that no result may rest on, of the job as a whole.
    pub fn fault(&mut self, place: impl std::fmt::Display, what: impl std::fmt::Display) {
        self.add(Fault { words: format!("{place}: {what}"), about: None });
    }

    /// A fault of one feature: of a property by the name it has in the file, else of its shape.
    pub fn fault_of(&mut self, source: &SourcePlace, property: Option<&str>, what: impl std::fmt::Display) {
        let about = Some((source.clone(), property.map(str::to_string)));
        self.add(Fault { words: format!("{source}: {what}"), about });
    }

    fn add(&mut self, fault: Fault) {
        if self.faults.len() < FAULTS_SPELT_OUT {
            self.faults.push(fault);
        } else {
            self.more_faults += 1;
        }
    }

    /// Something odd with which the job goes on, at a place; equal texts are counted.
    pub fn warn_at(&mut self, place: impl std::fmt::Display, what: impl Into<String>) {
        self.count(what.into(), Some(place.to_string()), 1);
    }

    /// Something odd about the whole job.
    pub fn warn(&mut self, what: impl Into<String>) {
        self.count(what.into(), None, 1);
    }

    /// Something odd that was seen so often, first at a place.
    pub fn warn_counted(&mut self, place: impl std::fmt::Display, what: impl Into<String>, count: usize) {
        self.count(what.into(), Some(place.to_string()), count);
    }

    fn count(&mut self, what: String, place: Option<String>, count: usize) {
        let warning = self.warnings.entry(what.clone()).or_insert(Warning { what, count: 0, first: place });
        warning.count += count;
    }

    /// The warnings in a fixed order.
    pub fn warnings(&self) -> impl Iterator<Item = &Warning> {
        self.warnings.values()
    }

    /// The faults, if there are any, with the places in the files below `base` that they are
    /// about; the last line counts those not spelt out.
    pub fn faults(&self, base: &Path) -> Option<Vec<String>> {
        let mut all: Vec<String> = self.faults.iter().map(|fault| fault.pointed(base)).collect();
        if self.more_faults > 0 {
            all.push(format!("and {} more faults of the inputs", self.more_faults));
        }
        (!all.is_empty()).then_some(all)
    }
}
