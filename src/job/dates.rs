//! Days as people write them. Whether 1/4/2026 is the first of April or the fourth of January is
//! never guessed: the plan says it, or a row of the same column of the same file that can be
//! meant in one way only. Where neither does, such a day is no day.

use std::fmt::Display;

use jiff::Timestamp;
use jiff::civil::{Date, DateTime};
use jiff::tz::TimeZone;

/// Which comes first in a day written 1/5/2026.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum DateOrder {
    /// The day: 1 May.
    DayFirst,
    /// The month: 5 January.
    MonthFirst,
}

impl DateOrder {
    fn word(self) -> &'static str {
        match self {
            DateOrder::DayFirst => "day-first",
            DateOrder::MonthFirst => "month-first",
        }
    }
}

/// A day as far as its own text tells.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum ReadDay {
    /// Written so that no order matters.
    Plain(Date),
    /// A day of which only one order makes sense; it shows the order of its column.
    Ordered(Date, DateOrder),
    /// A day that can be meant in two ways.
    Either {
        /// What it means where the day comes first.
        day_first: Date,
        /// What it means where the month comes first.
        month_first: Date,
    },
}

impl ReadDay {
    /// The day, where it does not wait for an order.
    pub fn known(self) -> Option<Date> {
        match self {
            ReadDay::Plain(day) | ReadDay::Ordered(day, _) => Some(day),
            ReadDay::Either { .. } => None,
        }
    }

    /// The day under the order of its column, if that is known.
    pub fn under(self, order: Option<DateOrder>) -> Option<Date> {
        match (self, order) {
            (ReadDay::Either { day_first, .. }, Some(DateOrder::DayFirst)) => Some(day_first),
            (ReadDay::Either { month_first, .. }, Some(DateOrder::MonthFirst)) => Some(month_first),
            _ => self.known(),
        }
    }

    pub(super) fn map(self, change: impl Fn(Date) -> Date) -> Self {
        match self {
            ReadDay::Plain(day) => ReadDay::Plain(change(day)),
            ReadDay::Ordered(day, order) => ReadDay::Ordered(change(day), order),
            ReadDay::Either { day_first, month_first } => {
                ReadDay::Either { day_first: change(day_first), month_first: change(month_first) }
            }
        }
    }
}

/// What the days of one column of one file show of their order.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct DateColumn {
    day_first: Option<Shown>,
    month_first: Option<Shown>,
    either: Option<Shown>,
    eithers: usize,
}

/// A day as it is written, and where.
#[derive(Clone, PartialEq, Eq, Debug)]
struct Shown {
    place: String,
    text: String,
}

/// What is wrong with the order of a column.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct DateTrouble {
    /// The first place that shows it.
    pub place: String,
    /// What is wrong, in words.
    pub what: String,
    /// How many days it leaves without a day.
    pub undated: usize,
    /// Whether the file shows another order than the plan says, so that all days would be exchanged.
    pub against_plan: bool,
}

impl DateColumn {
    /// Takes note of one day.
    pub fn note(&mut self, place: impl Display, text: &str, day: ReadDay) {
        let seen = match day {
            ReadDay::Plain(_) => return,
            ReadDay::Ordered(_, DateOrder::DayFirst) => &mut self.day_first,
            ReadDay::Ordered(_, DateOrder::MonthFirst) => &mut self.month_first,
            ReadDay::Either { .. } => {
                self.eithers += 1;
                &mut self.either
            }
        };
        seen.get_or_insert_with(|| Shown { place: place.to_string(), text: text.to_string() });
    }

    /// The order of the column: what the plan says, else what the rows show with one voice.
    pub fn order(&self, plan: Option<DateOrder>) -> Option<DateOrder> {
        plan.or(match (&self.day_first, &self.month_first) {
            (Some(_), None) => Some(DateOrder::DayFirst),
            (None, Some(_)) => Some(DateOrder::MonthFirst),
            _ => None,
        })
    }

    /// What is wrong with the column under what the plan says, if anything is.
    pub fn trouble(&self, plan: Option<DateOrder>) -> Option<DateTrouble> {
        let undated = if self.order(plan).is_none() { self.eithers } else { 0 };
        let trouble = |shown: &Shown, what, against_plan| {
            Some(DateTrouble { place: shown.place.clone(), what, undated, against_plan })
        };
        let way = "write days as 2026-05-31";
        match (&self.day_first, &self.month_first, plan, &self.either) {
            (Some(day), Some(month), ..) => {
                let lost = match undated {
                    0 => String::new(),
                    n => format!("; {n} days of the file that can be meant in two ways count as undated"),
                };
                let say = if plan.is_none() {
                    ", or say dates = \"day-first\" or \"month-first\" in [place]"
                } else {
                    ""
                };
                let what = format!(
                    "has the day \"{}\", which can only be day-first, and {} has \"{}\", which can only be month-first{lost}; {way}{say}",
                    day.text, month.place, month.text
                );
                trouble(day, what, false)
            }
            (Some(shown), None, Some(DateOrder::MonthFirst), _)
            | (None, Some(shown), Some(DateOrder::DayFirst), _) => {
                let (said, shows) = match plan {
                    Some(DateOrder::MonthFirst) => (DateOrder::MonthFirst, DateOrder::DayFirst),
                    _ => (DateOrder::DayFirst, DateOrder::MonthFirst),
                };
                let what = format!(
                    "has the day \"{}\", which can only be {}, where [place] says dates = \"{}\", and no day of the file bears that out; change dates in [place], or {way}",
                    shown.text,
                    shows.word(),
                    said.word()
                );
                trouble(shown, what, true)
            }
            (None, None, None, Some(shown)) => {
                let what = format!(
                    "has a day that can be meant in two ways, such as \"{}\", and no day of the file shows which; it counts as undated; say dates = \"day-first\" or \"month-first\" in [place], or {way}",
                    shown.text
                );
                trouble(shown, what, false)
            }
            _ => None,
        }
    }
}

/// The local day of an ISO 8601 date, a local date and time, or an RFC 3339 time with its
/// offset. Such a time is turned to the zone, if there is one; without a zone the day it
/// names itself is taken.
pub(super) fn local_day(text: &str, zone: Option<&TimeZone>) -> Option<Date> {
    if let (Some(zone), Ok(instant)) = (zone, text.parse::<Timestamp>()) {
        return Some(zone.to_datetime(instant).date());
    }
    text.parse::<Date>().ok().or_else(|| text.parse::<DateTime>().ok().map(|t| t.date())).or_else(|| {
        let day = text.get(..10)?;
        text.parse::<Timestamp>().ok()?;
        day.parse().ok()
    })
}

/// A day as people and spreadsheets write it, with or without a time after it: 31/12/2026,
/// 31.12.26, 27-Dec-04, 27 December 2004, 2026/12/31. Years of two digits are 1969 to 2068, as
/// POSIX has it.
pub(super) fn civil_day(text: &str) -> Option<ReadDay> {
    let mut parts = text.split(['/', '-', '.', ' ', ',']).filter(|part| !part.is_empty());
    let (a, b, c) = (parts.next()?, parts.next()?, parts.next()?);
    let whole = |text: &str| text.parse::<u16>().ok().filter(|_| text.bytes().all(|b| b.is_ascii_digit()));
    let year = |text: &str| match (text.len(), whole(text)?) {
        (4, year) => Some(year),
        (2, short) => Some(if short < 69 { 2000 + short } else { 1900 + short }),
        _ => None,
    };
    let day = |year: u16, month: u16, day: u16| {
        Date::new(i16::try_from(year).ok()?, i8::try_from(month).ok()?, i8::try_from(day).ok()?).ok()
    };
    if let Some(month) = month_named(b) {
        return day(year(c)?, month, whole(a)?).map(ReadDay::Plain);
    }
    if a.len() == 4 {
        return day(whole(a)?, whole(b)?, whole(c.get(..2).unwrap_or(c))?).map(ReadDay::Plain);
    }
    let (first, second, year) = (whole(a)?, whole(b)?, year(c)?);
    let (day_first, month_first) = (day(year, second, first), day(year, first, second));
    match (day_first, month_first) {
        (Some(day_first), Some(month_first)) if day_first != month_first => {
            Some(ReadDay::Either { day_first, month_first })
        }
        (Some(day), Some(_)) => Some(ReadDay::Plain(day)),
        (Some(day), None) => Some(ReadDay::Ordered(day, DateOrder::DayFirst)),
        (None, Some(day)) => Some(ReadDay::Ordered(day, DateOrder::MonthFirst)),
        (None, None) => None,
    }
}

/// The number of a month by its English name or the first three letters of it.
fn month_named(text: &str) -> Option<u16> {
    const NAMES: [&str; 12] = [
        "january",
        "february",
        "march",
        "april",
        "may",
        "june",
        "july",
        "august",
        "september",
        "october",
        "november",
        "december",
    ];
    let text = text.to_lowercase();
    let found = NAMES.iter().position(|name| text.len() >= 3 && name.starts_with(&text))?;
    u16::try_from(found + 1).ok()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn days_are_local() {
        let sydney = TimeZone::get("Australia/Sydney").unwrap();
        let day = |text: &str, zone| local_day(text, zone).map(|d| d.to_string());
        assert_eq!(day("2026-05-01", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("2026-05-01T18:30:00Z", Some(&sydney)).as_deref(), Some("2026-05-02"));
        assert_eq!(day("2026-05-01T18:30:00Z", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("2026-05-01T18:30:00+10:00", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("2026-05-01 18:30:00", None).as_deref(), Some("2026-05-01"));
        assert_eq!(day("1/5/2026", None), None);
        assert_eq!(day("2026-13-01", None), None);
    }

    #[test]
    fn days_are_read_as_people_write_them() {
        let day = |text: &str, order| civil_day(text).and_then(|d| d.under(order)).map(|d| d.to_string());
        for text in [
            "27-Dec-04",
            "27 December 2004",
            "27/12/2004",
            "27.12.04",
            "12/27/2004",
            "2004/12/27",
            "27/12/2004 12:01",
        ] {
            assert_eq!(day(text, None).as_deref(), Some("2004-12-27"), "{text}");
        }
        assert_eq!(day("1/5/2026", None), None);
        assert_eq!(day("1/5/2026", Some(DateOrder::DayFirst)).as_deref(), Some("2026-05-01"));
        assert_eq!(day("1/5/2026", Some(DateOrder::MonthFirst)).as_deref(), Some("2026-01-05"));
        assert_eq!(day("5/5/2026", None).as_deref(), Some("2026-05-05"));
        assert_eq!(day("31/2/2026", None), None);
        assert_eq!(day("spring", None), None);
    }

    fn column(texts: &[&str]) -> (DateColumn, Vec<ReadDay>) {
        let mut column = DateColumn::default();
        let days: Vec<ReadDay> = texts.iter().map(|text| civil_day(text).unwrap()).collect();
        for (row, (text, day)) in texts.iter().zip(&days).enumerate() {
            column.note(format!("row {row}"), text, *day);
        }
        (column, days)
    }

    #[test]
    fn a_day_that_can_be_meant_in_one_way_settles_its_column() {
        let (shown, days) = column(&["01/04/2026", "13/04/2026", "12.11.25"]);
        let order = shown.order(None);
        let days: Vec<_> = days.iter().map(|d| d.under(order).unwrap().to_string()).collect();
        assert_eq!(days, ["2026-04-01", "2026-04-13", "2025-11-12"]);
        assert_eq!(shown.trouble(None), None);
        let (shown, days) = column(&["4/1/2026", "04/13/26"]);
        assert_eq!(days[0].under(shown.order(None)).unwrap().to_string(), "2026-04-01");
    }

    #[test]
    fn no_order_is_guessed_and_none_is_taken_against_the_file() {
        let (open, days) = column(&["1/4/2026", "5/5/2026", "2/4/2026", "2026-04-13"]);
        assert_eq!((days[0].under(open.order(None)), days[1].known().is_some()), (None, true));
        let trouble = open.trouble(None).unwrap();
        assert_eq!((trouble.undated, trouble.against_plan, &*trouble.place), (2, false, "row 0"));
        assert!(trouble.what.contains("[place]"), "{}", trouble.what);
        assert_eq!(open.trouble(Some(DateOrder::DayFirst)), None);

        let (both, days) = column(&["1/4/2026", "13/4/2026", "4/14/2026"]);
        assert_eq!(days[0].under(both.order(None)), None);
        let trouble = both.trouble(None).unwrap();
        assert!(trouble.place == "row 1" && trouble.what.contains("row 2"), "{trouble:?}");
        assert_eq!(trouble.undated, 1);

        let (month_first, _) = column(&["1/4/2026", "4/13/2026"]);
        assert!(month_first.trouble(Some(DateOrder::DayFirst)).unwrap().against_plan);
        assert_eq!(month_first.trouble(Some(DateOrder::MonthFirst)), None);
    }
}
