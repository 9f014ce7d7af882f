//! The due list as a calendar (iCalendar, RFC 5545).

use std::collections::BTreeMap;
use std::io::{self, Write};

use jiff::ToSpan;
use jiff::civil::Date;

use super::schedule::{Due, Urgency};

/// What is to be done at a station that is due.
#[derive(Clone, PartialEq, Debug)]
pub struct Errand<'a> {
    /// When, and how pressing.
    pub due: &'a Due,
    /// The verb of the task in a heading: `check` where the station is served, else `lift` and so on.
    pub verb: &'a str,
    /// What the crew is told to do there and why; empty where it is only served.
    pub order: String,
}

/// Writes one all-day event for each day on which stations are due; what is overdue or needs
/// a review falls on the day the list is made. Undated stations have no event. The
/// stamp of every event is that day too, so that no clock is read. Every event says what must be
/// said first, since a calendar shows one without the others.
///
/// A day is one event and not as many as it has stations: what is due on a day is one trip,
/// and forty alarms at once are turned off. Its heading counts the stations by what is to be done there, and
/// those that are not simply checked come first in its text.
///
/// # Errors
/// Those of the underlying writer.
pub fn write_calendar(
    mut out: impl Write,
    on: Date,
    list: &[Errand],
    said_first: &[String],
) -> io::Result<()> {
    let mut days: BTreeMap<Date, Vec<&Errand>> = BTreeMap::new();
    for errand in list {
        if let Some(day) = if errand.due.urgency.is_pressing() { Some(on) } else { errand.due.due_on } {
            days.entry(day).or_default().push(errand);
        }
    }
    let head =
        ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//stakeline//check round//EN", "CALSCALE:GREGORIAN"];
    for text in head {
        line(&mut out, text)?;
    }
    for (day, mut errands) in days {
        errands.sort_by_key(|errand| errand.order.is_empty());
        event(&mut out, on, day, &errands, said_first)?;
    }
    line(&mut out, "END:VCALENDAR")
}

fn event(
    out: &mut impl Write,
    on: Date,
    day: Date,
    errands: &[&Errand],
    said_first: &[String],
) -> io::Result<()> {
    let next = day.checked_add(1.day()).unwrap_or(day);
    line(out, "BEGIN:VEVENT")?;
    line(out, &format!("UID:due-{}@stakeline", compact(day)))?;
    line(out, &format!("DTSTAMP:{}T000000Z", compact(on)))?;
    line(out, &format!("DTSTART;VALUE=DATE:{}", compact(day)))?;
    line(out, &format!("DTEND;VALUE=DATE:{}", compact(next)))?;
    line(out, &format!("SUMMARY:{}", escaped(&heading(errands))))?;
    let each: Vec<String> = said_first.iter().cloned().chain(errands.iter().map(|e| describe(e))).collect();
    line(out, &format!("DESCRIPTION:{}", escaped(&each.join("\n"))))?;
    line(out, "TRANSP:TRANSPARENT")?;
    line(out, "END:VEVENT")
}

/// `Lift 1 station, check 5 stations`.
fn heading(errands: &[&Errand]) -> String {
    let mut verbs: Vec<(&str, usize)> = Vec::new();
    for errand in errands {
        match verbs.iter_mut().find(|(verb, _)| *verb == errand.verb) {
            Some((_, count)) => *count += 1,
            None => verbs.push((errand.verb, 1)),
        }
    }
    let parts = verbs.iter().map(|(verb, count)| match count {
        1 => format!("{verb} 1 station"),
        n => format!("{verb} {n} stations"),
    });
    let text = parts.collect::<Vec<_>>().join(", ");
    let mut chars = text.chars();
    chars.next().map_or_else(String::new, |first| first.to_uppercase().chain(chars).collect())
}

fn describe(errand: &Errand) -> String {
    let due = errand.due;
    if due.urgency == Urgency::Lift {
        return format!("{}: {}", due.station_id, errand.order);
    }
    let since = match (due.urgency, due.due_on) {
        (Urgency::Overdue, Some(day)) => format!(" since {day}"),
        _ => String::new(),
    };
    let reason = due.reason.as_ref().map(|r| format!(", {r}")).unwrap_or_default();
    let order = if errand.order.is_empty() { String::new() } else { format!("{}; ", errand.order) };
    format!(
        "{}: {order}{}{since} (your interval: every {} days{reason})",
        due.station_id,
        due.urgency.word(),
        due.every_days
    )
}

fn compact(day: Date) -> String {
    format!("{:04}{:02}{:02}", day.year(), day.month(), day.day())
}

/// Text with the characters that RFC 5545, 3.3.11 escapes.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '\\' | ';' | ',' => out.extend(['\\', c]),
            '\n' => out.push_str("\\n"),
            c if c.is_control() => out.push(' '),
            c => out.push(c),
        }
    }
    out
}

/// A content line, folded after at most 75 octets (RFC 5545, 3.1).
fn line(out: &mut impl Write, text: &str) -> io::Result<()> {
    let mut octets = 0;
    for c in text.chars() {
        if octets + c.len_utf8() > 75 {
            out.write_all(b"\r\n ")?;
            octets = 1;
        }
        write!(out, "{c}")?;
        octets += c.len_utf8();
    }
    out.write_all(b"\r\n")
}
