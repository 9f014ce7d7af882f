//! Days that wait for the end of their file, which may show whether day or month comes first.

use std::ops::Range;

use super::Builder;
use crate::files::RawFeature;
use crate::job::dates::ReadDay;
use crate::job::fields::Fields;

/// Which day of which things waits.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(super) enum Slot {
    Record,
    Leg,
    CameraFrom,
    CameraUntil,
    StationSet,
    StationLifted,
}

/// A day that waits, in the things of these numbers.
#[derive(Clone, PartialEq, Eq, Debug)]
pub(super) struct Awaited {
    slot: Slot,
    at: Range<usize>,
    property: &'static str,
    day: ReadDay,
}

impl Builder {
    /// A day of a feature as its own text has it, noted for the order of its column; nothing,
    /// with a warning, where it cannot be read.
    pub(super) fn date_of(
        &mut self,
        fields: &Fields,
        raw: &RawFeature,
        property: &'static str,
    ) -> Option<ReadDay> {
        match fields.date(&raw.properties, property, self.zone.as_ref()) {
            Ok(None) => None,
            Ok(Some(day)) => {
                if !matches!(day, ReadDay::Plain(_)) {
                    let text = fields.text(&raw.properties, property).unwrap_or_default();
                    self.columns.entry(property).or_default().note(&raw.source, &text, day);
                }
                Some(day)
            }
            Err(text) => {
                self.findings.warn_at(
                    &raw.source,
                    format!("has the unreadable {property} {text} (write 2026-05-31); it counts as undated"),
                );
                None
            }
        }
    }

    /// Lets the day of the things of these numbers wait for its order, if it has to.
    pub(super) fn await_day(
        &mut self,
        day: Option<ReadDay>,
        property: &'static str,
        slot: Slot,
        at: Range<usize>,
    ) {
        if let Some(day) = day.filter(|day| day.known().is_none()) {
            self.awaited.push(Awaited { slot, at, property, day });
        }
    }

    /// Gives every waiting day of the file read last its order, if plan or file tell it.
    pub(super) fn settle_days(&mut self) {
        let columns = std::mem::take(&mut self.columns);
        for (property, column) in &columns {
            let Some(trouble) = column.trouble(self.dates) else { continue };
            let what = format!("{} ({property})", trouble.what);
            match trouble.against_plan {
                true => self.findings.fault(trouble.place, what),
                false => self.findings.warn_counted(trouble.place, what, trouble.undated.max(1)),
            }
        }
        for Awaited { slot, at, property, day } in std::mem::take(&mut self.awaited) {
            let day = columns.get(property).and_then(|column| day.under(column.order(self.dates)));
            match slot {
                Slot::Record => each(&mut self.records, at, |r| r.what.date = day),
                Slot::Leg => each(&mut self.legs, at, |(leg, _)| leg.date = day),
                Slot::CameraFrom => each(&mut self.deployments, at, |(camera, _)| camera.from = day),
                Slot::CameraUntil => each(&mut self.deployments, at, |(camera, _)| camera.until = day),
                Slot::StationSet => each(&mut self.stations, at, |(station, _)| station.set_on = day),
                Slot::StationLifted => each(&mut self.stations, at, |(station, _)| station.lifted_on = day),
            }
        }
    }
}

fn each<T>(things: &mut [T], at: Range<usize>, change: impl Fn(&mut T)) {
    things.get_mut(at).into_iter().flatten().for_each(change);
}
