//! The due list as a calendar (iCalendar, RFC 5545).

use std::io::{self, Write};

use jiff::ToSpan;
use jiff::civil::Date;

use super::schedule::{Due, Urgency};

/// Writes one all-day event for each day on which stations are due; what is overdue or needs
/// a review falls on the day the list is made. Undated stations have no event. The
/// stamp of every event is that day too, so that no clock is read. Every event says what must be
/// said first, since a calendar shows one without the others.
///
/// A day is one event and not as many as it has stations: what is due on a day is one trip,
/// and forty alarms at once are turned off.
///
/// # Errors
/// Those of the underlying writer.
pub fn write_calendar(mut out: impl Write, on: Date, list: &[Due], said_first: &[String]) -> io::Result<()> {
    let mut days: std::collections::BTreeMap<Date, Vec<&Due>> = std::collections::BTreeMap::new();
    for due in list {
        let pressing = matches!(due.urgency, Urgency::Review | Urgency::OpenItem | Urgency::Overdue);
        if let Some(day) = if pressing { Some(on) } else { due.due_on } {
            days.entry(day).or_default().push(due);
        }
    }
    let head =
        ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//stakeline//check round//EN", "CALSCALE:GREGORIAN"];
    for text in head {
        line(&mut out, text)?;
    }
    for (day, due) in days {
        event(&mut out, on, day, &due, said_first)?;
    }
    line(&mut out, "END:VCALENDAR")
}

fn event(out: &mut impl Write, on: Date, day: Date, due: &[&Due], said_first: &[String]) -> io::Result<()> {
    let next = day.checked_add(1.day()).unwrap_or(day);
    let stations = if due.len() == 1 { "1 station".to_string() } else { format!("{} stations", due.len()) };
    line(out, "BEGIN:VEVENT")?;
    line(out, &format!("UID:due-{}@stakeline", compact(day)))?;
    line(out, &format!("DTSTAMP:{}T000000Z", compact(on)))?;
    line(out, &format!("DTSTART;VALUE=DATE:{}", compact(day)))?;
    line(out, &format!("DTEND;VALUE=DATE:{}", compact(next)))?;
    line(out, &format!("SUMMARY:{}", escaped(&format!("Check {stations}"))))?;
    let each: Vec<String> = said_first.iter().cloned().chain(due.iter().map(|d| describe(d))).collect();
    line(out, &format!("DESCRIPTION:{}", escaped(&each.join("\n"))))?;
    line(out, "TRANSP:TRANSPARENT")?;
    line(out, "END:VEVENT")
}

fn describe(due: &Due) -> String {
    let since = match (due.urgency, due.due_on) {
        (Urgency::Overdue, Some(day)) => format!(" since {day}"),
        _ => String::new(),
    };
    let reason = due.reason.as_ref().map(|r| format!(", {r}")).unwrap_or_default();
    format!(
        "{}: {}{since} (your interval: every {} days{reason})",
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
