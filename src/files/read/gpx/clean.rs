//! A GPX file without what would spoil the reading of the rest: extensions of makers, elements
//! that hold nothing, times that are none. Receivers write them, and the depth of hostile nesting
//! is bounded here.

use std::io::{BufRead, BufReader, Read};

use jiff::Timestamp;
use jiff::civil::DateTime;
use quick_xml::events::{BytesText, Event};
use quick_xml::{Reader, Writer};

use crate::files::read::{FileError, Input, Request};

/// Elements may be nested this deep; GPX written by programs stays under 20.
const MAX_DEPTH: usize = 100;

/// Elements that hold a text and nothing else, and say nothing where it is empty.
const LEAVES: [&str; 21] = [
    "time",
    "ele",
    "name",
    "cmt",
    "desc",
    "src",
    "sym",
    "type",
    "number",
    "fix",
    "sat",
    "hdop",
    "vdop",
    "pdop",
    "magvar",
    "geoidheight",
    "ageofdgpsdata",
    "dgpsid",
    "course",
    "speed",
    "keywords",
];

/// The text of a file that is left, and how many times were none, with the first.
pub(super) struct Cleaned {
    pub text: Vec<u8>,
    pub odd_times: usize,
    pub first_odd: Option<String>,
}

/// Reads a file and leaves out what says nothing.
pub(super) fn cleaned(request: &Request, input: &mut Input) -> Result<Cleaned, FileError> {
    let text = BufReader::with_capacity(1 << 16, input.by_ref());
    let mut cleaning = Cleaning {
        xml: Reader::from_reader(text),
        out: Writer::new(Vec::new()),
        depth: 0,
        skipped_below: None,
        leaf: None,
        found: Cleaned { text: Vec::new(), odd_times: 0, first_odd: None },
    };
    let mut buffer = Vec::new();
    while cleaning.step(request, &mut buffer)? {
        buffer.clear();
    }
    Ok(Cleaned { text: cleaning.out.into_inner(), ..cleaning.found })
}

struct Cleaning<R> {
    xml: Reader<R>,
    out: Writer<Vec<u8>>,
    depth: usize,
    /// The depth of the element that is left out with all in it.
    skipped_below: Option<usize>,
    /// A leaf whose end is awaited: its events and its text.
    leaf: Option<(Vec<Event<'static>>, String)>,
    found: Cleaned,
}

impl<R: BufRead> Cleaning<R> {
    /// Takes one event; false at the end of the file.
    fn step(&mut self, request: &Request, buffer: &mut Vec<u8>) -> Result<bool, FileError> {
        let position = self.xml.buffer_position();
        let event = self.xml.read_event_into(buffer).map_err(|e| {
            request.wrong(format!("is not valid GPX at byte {}: {e}", self.xml.error_position()))
        })?;
        match event {
            Event::Eof if self.depth > 0 => {
                return Err(request.wrong("is not valid GPX: it ends before it is whole; it looks cut short"));
            }
            Event::Eof => return Ok(false),
            Event::Start(start) => {
                self.depth += 1;
                if self.depth > MAX_DEPTH && self.skipped_below.is_none() {
                    return Err(request.wrong(format!("is nested deeper than {MAX_DEPTH} elements")));
                }
                let name = start.local_name().as_ref().to_string();
                if name == "extensions" && self.skipped_below.is_none() {
                    self.skipped_below = Some(self.depth);
                }
                let is_leaf = LEAVES.contains(&name.as_str());
                let start = Event::Start(start.into_owned());
                match &mut self.leaf {
                    _ if self.skipped_below.is_some() => {}
                    None if is_leaf => self.leaf = Some((vec![start], String::new())),
                    Some((events, _)) => events.push(start),
                    None => self.write(request, start)?,
                }
            }
            Event::End(end) => {
                let is_time = end.local_name().as_ref() == "time";
                let end = Event::End(end.into_owned());
                self.close(request, end, is_time, position)?;
            }
            Event::Empty(empty) => {
                let name = empty.local_name().as_ref().to_string();
                if name == "time" && self.skipped_below.is_none() {
                    self.odd_time(request, "", position);
                }
                if name != "extensions" && !LEAVES.contains(&name.as_str()) {
                    self.pass(request, Event::Empty(empty.into_owned()))?;
                }
            }
            Event::Text(text) => self.pass(request, Event::Text(text.into_owned()))?,
            Event::CData(text) => self.pass(request, Event::CData(text.into_owned()))?,
            Event::GeneralRef(name) => self.pass(request, Event::GeneralRef(name.into_owned()))?,
            other @ Event::Decl(_) => self.write(request, other.into_owned())?,
            _ => {}
        }
        Ok(true)
    }

    /// What stands between start and end.
    fn pass(&mut self, request: &Request, event: Event<'static>) -> Result<(), FileError> {
        if self.skipped_below.is_some() {
            return Ok(());
        }
        let Some((events, text)) = &mut self.leaf else { return self.write(request, event) };
        match &event {
            Event::Text(part) => text.push_str(part),
            Event::CData(part) => text.push_str(part),
            _ => text.push('&'),
        }
        events.push(event);
        Ok(())
    }

    fn close(
        &mut self,
        request: &Request,
        end: Event<'static>,
        is_time: bool,
        position: u64,
    ) -> Result<(), FileError> {
        let depth = self.depth;
        self.depth = self.depth.saturating_sub(1);
        if let Some(outermost) = self.skipped_below {
            if outermost == depth {
                self.skipped_below = None;
            }
            return Ok(());
        }
        let Some((mut events, text)) = self.leaf.take() else { return self.write(request, end) };
        if is_time {
            match moment(text.trim()) {
                Some(moment) => events.splice(1.., [Event::Text(BytesText::new(&moment).into_owned())]),
                None => {
                    self.odd_time(request, text.trim(), position);
                    return Ok(());
                }
            };
        } else if text.trim().is_empty() {
            return Ok(());
        }
        for event in events.into_iter().chain([end]) {
            self.write(request, event)?;
        }
        Ok(())
    }

    fn write(&mut self, request: &Request, event: Event<'static>) -> Result<(), FileError> {
        self.out.write_event(event).map_err(|e| request.wrong(format!("cannot be read: {e}")))
    }

    fn odd_time(&mut self, request: &Request, text: &str, position: u64) {
        self.found.odd_times += 1;
        if self.found.first_odd.is_none() {
            let line = line_at(request, position).map_or_else(String::new, |line| format!(" at line {line}"));
            let what = if text.is_empty() { "an empty time".into() } else { format!("the time \"{text}\"") };
            self.found.first_odd = Some(format!("{what}{line}"));
        }
    }
}

/// A time as the reader of the rest takes it; without an offset it is in UTC, as the format has it.
fn moment(text: &str) -> Option<String> {
    let at = text.parse::<Timestamp>().map(|at| at.to_string());
    at.or_else(|_| text.parse::<DateTime>().map(|at| at.to_string())).ok()
}

/// The line, from 1, of a byte of the file.
fn line_at(request: &Request, position: u64) -> Option<usize> {
    let file = std::fs::File::open(request.place).ok()?;
    let breaks = BufReader::new(file).take(position).bytes().filter(|b| matches!(b, Ok(b'\n'))).count();
    Some(breaks + 1)
}
