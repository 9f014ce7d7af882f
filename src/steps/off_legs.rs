//! Sign that no survey leg found: told by name wherever it is left out of a rate.

use super::written::counted;
use super::{Desk, Outcome};
use crate::frame::Placed;
use crate::record::Record;

/// So many records are told by name; the summary has them all.
const MOST_NAMED: usize = 8;

/// Warns that records belong to no survey leg; `whose` tells which set they are of, such as ` of spring`.
pub(super) fn warn_of(desk: &Desk, whose: &str, records: &[&Placed<Record>], outcome: &mut Outcome) {
    if records.is_empty() {
        return;
    }
    let (belong, are) = if records.len() == 1 { ("belongs", "is") } else { ("belong", "are") };
    outcome.warn(format!(
        "{}: {}{whose} {belong} to no survey leg and {are} left out of the rates: {}",
        desk.files_of(&["sign"]),
        counted(records.len(), "record"),
        some_names(records)
    ));
}

/// Where every record stands in its file.
pub(super) fn names(records: &[&Placed<Record>]) -> Vec<String> {
    records.iter().map(|record| record.what.source.to_string()).collect()
}

fn some_names(records: &[&Placed<Record>]) -> String {
    let mut told: Vec<String> = names(records.get(..MOST_NAMED).unwrap_or(records));
    if let more @ 1.. = records.len().saturating_sub(MOST_NAMED) {
        told.push(format!("and {more} more"));
    }
    told.join(", ")
}
