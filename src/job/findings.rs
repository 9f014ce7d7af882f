//! What was wrong or odd in the inputs: faults stop a job, warnings are counted.

use std::collections::{BTreeMap, HashMap};
use std::path::{Path, PathBuf};

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

/// How many causes of faults are spelt out before the rest is counted.
const CAUSES_SPELT_OUT: usize = 20;

/// Up to this many faults of one cause are spelt out each; of more, the first with a count.
const FAULTS_SPELT_OUT: usize = 3;

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

/// Faults of one file that differ in their feature and its numbers alone.
#[derive(Clone, PartialEq, Debug)]
struct Cause {
    /// The first of them.
    faults: Vec<Fault>,
    count: usize,
}

impl Cause {
    fn told(&self, base: &Path) -> Vec<String> {
        let Some(first) = self.faults.first().filter(|_| self.count > FAULTS_SPELT_OUT) else {
            return self.faults.iter().map(|fault| fault.pointed(base)).collect();
        };
        let next: Vec<String> = self.faults.iter().skip(1).filter_map(Fault::number).collect();
        let next = if next.is_empty() { String::new() } else { format!(": {}, …", next.join(", ")) };
        vec![format!("{} (and {} more features alike{next})", first.words, self.count - 1)]
    }
}

impl Fault {
    /// The feature's number in its file.
    fn number(&self) -> Option<String> {
        self.about.as_ref().map(|(source, _)| (source.index + 1).to_string())
    }
}

/// A text without its numbers and quoted values: what faults of one cause have in common.
fn cause_of(text: &str) -> String {
    let mut cause = String::with_capacity(text.len());
    let mut quoted = false;
    for c in text.chars() {
        match c {
            '"' => quoted = !quoted,
            _ if quoted || c.is_ascii_digit() || matches!(c, '-' | '.' | '+') => {}
            _ => cause.push(c),
        }
    }
    cause
}

/// All findings of one job.
#[derive(Clone, PartialEq, Debug, Default)]
pub struct Findings {
    causes: Vec<Cause>,
    /// The place of a cause in the list, by file and text.
    known: HashMap<(PathBuf, String), usize>,
    warnings: BTreeMap<String, Warning>,
}

impl Findings {
    /// A fault that no result may rest on, of the job as a whole.
    pub fn fault(&mut self, place: impl std::fmt::Display, what: impl std::fmt::Display) {
        let words = format!("{place}: {what}");
        self.add((PathBuf::new(), words.clone()), Fault { words, about: None });
    }

    /// A fault of one feature: of a property by the name it has in the file, else of its shape.
    pub fn fault_of(&mut self, source: &SourcePlace, property: Option<&str>, what: impl std::fmt::Display) {
        let (what, about) = (what.to_string(), Some((source.clone(), property.map(str::to_string))));
        let key = (source.file.to_path_buf(), cause_of(&what));
        self.add(key, Fault { words: format!("{source}: {what}"), about });
    }

    fn add(&mut self, key: (PathBuf, String), fault: Fault) {
        let next = self.causes.len();
        let at = *self.known.entry(key).or_insert(next);
        if at == next {
            self.causes.push(Cause { faults: Vec::new(), count: 0 });
        }
        if let Some(cause) = self.causes.get_mut(at) {
            cause.count += 1;
            if cause.faults.len() < FAULTS_SPELT_OUT {
                cause.faults.push(fault);
            }
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

    /// Whether there is a fault.
    pub fn has_fault(&self) -> bool {
        !self.causes.is_empty()
    }

    /// The faults, if there are any, with the places in the files below `base` that they are
    /// about. Many of one cause are one line with their count; the last line counts the faults
    /// that are not told.
    pub fn faults(&self, base: &Path) -> Option<Vec<String>> {
        let mut all: Vec<String> =
            self.causes.iter().take(CAUSES_SPELT_OUT).flat_map(|cause| cause.told(base)).collect();
        let more: usize = self.causes.iter().skip(CAUSES_SPELT_OUT).map(|cause| cause.count).sum();
        if more > 0 {
            all.push(format!("and {more} more faults of the inputs"));
        }
        (!all.is_empty()).then_some(all)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn source(index: usize) -> SourcePlace {
        SourcePlace { file: Path::new("keep.geojson").into(), index, id: None }
    }

    #[test]
    fn many_faults_of_one_cause_are_one_line_with_their_count() {
        let mut findings = Findings::default();
        for index in 0..4267 {
            findings.fault_of(&source(index), None, format!("has the count -{index} of \"{index}\""));
        }
        findings.fault_of(&source(7), None, "has no distance");
        let told = findings.faults(Path::new("")).unwrap();
        assert_eq!(told.len(), 2, "{told:?}");
        for part in ["feature 1:", "4266 more features", "2, 3"] {
            assert!(told[0].contains(part), "{part} is not in {}", told[0]);
        }
        assert!(told[1].contains("feature 8"), "{told:?}");
    }

    #[test]
    fn a_few_faults_are_told_each() {
        let mut findings = Findings::default();
        (0..3).for_each(|index| findings.fault_of(&source(index), None, "has no distance"));
        assert_eq!(findings.faults(Path::new("")).unwrap().len(), 3);
    }
}
