//! Where in the text a fault lies, and what to say of it.

use std::fmt;
use std::fs::File;
use std::io::{BufReader, Read};

use serde::Deserialize;
use serde::de::{Deserializer, MapAccess, SeqAccess, Visitor};

use super::otherwise;
use crate::files::read::{FileError, Request};

/// The fault of a text that a quick look found to be no JSON.
pub(super) fn found_by_strict_reading(request: &Request) -> FileError {
    strict(request).unwrap_or_else(|| request.wrong("is not valid JSON"))
}

/// Reads the whole text by the rules of JSON and gives the first fault.
pub(super) fn strict(request: &Request) -> Option<FileError> {
    let mut file = BufReader::with_capacity(1 << 18, File::open(request.place).ok()?);
    skip_mark(&mut file);
    let mut json = serde_json::Deserializer::from_reader(file);
    // An empty file is cut short: at least one value is wanted.
    let first = Skipped::deserialize(&mut json).err();
    let error = first.or_else(|| json.into_iter::<Skipped>().find_map(Result::err))?;
    Some(explain(request, &error, (1, 1)))
}

/// Any value, read by all the rules and forgotten.
struct Skipped;

impl<'de> Deserialize<'de> for Skipped {
    fn deserialize<D: Deserializer<'de>>(json: D) -> Result<Self, D::Error> {
        json.deserialize_any(Self)
    }
}

impl<'de> Visitor<'de> for Skipped {
    type Value = Self;

    fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("a JSON value")
    }
    fn visit_map<M: MapAccess<'de>>(self, mut map: M) -> Result<Self, M::Error> {
        while map.next_entry::<Self, Self>()?.is_some() {}
        Ok(self)
    }
    fn visit_seq<S: SeqAccess<'de>>(self, mut seq: S) -> Result<Self, S::Error> {
        while seq.next_element::<Self>()?.is_some() {}
        Ok(self)
    }
    otherwise!(scalars Self, |_| Self);
    fn visit_unit<E>(self) -> Result<Self, E> {
        Ok(self)
    }
}

/// The fault of one feature, whose text begins `start` bytes into the file.
pub(super) fn in_feature(request: &Request, start: u64, error: &serde_json::Error) -> FileError {
    explain(request, error, place_of(request, start))
}

/// Line and column, from 1, of a byte of the file.
fn place_of(request: &Request, offset: u64) -> (usize, usize) {
    let (mut line, mut column) = (1, 1);
    let Ok(file) = File::open(request.place) else { return (line, column) };
    let mut file = BufReader::with_capacity(1 << 18, file);
    skip_mark(&mut file);
    for byte in file.take(offset).bytes().map_while(Result::ok) {
        (line, column) = if byte == b'\n' { (line + 1, 1) } else { (line, column + 1) };
    }
    (line, column)
}

/// Steps over a byte-order mark.
fn skip_mark(file: &mut BufReader<File>) {
    use std::io::BufRead;
    if file.fill_buf().is_ok_and(|head| head.starts_with(&[0xef, 0xbb, 0xbf])) {
        file.consume(3);
    }
}

fn explain(request: &Request, error: &serde_json::Error, start: (usize, usize)) -> FileError {
    let line = start.0 + error.line().max(1) - 1;
    let column = if error.line() <= 1 { start.1 + error.column().max(1) - 1 } else { error.column().max(1) };
    let place = format!("line {line} column {column}");
    let text = error.to_string();
    let said = text.split(" at line ").next().unwrap_or(&text);
    let what = match error.classify() {
        serde_json::error::Category::Io => {
            return request.wrong(format!("cannot be read to its end: {said}"));
        }
        serde_json::error::Category::Eof => {
            return request
                .wrong(format!("ends at {place} before it is whole; it looks cut short, copy it again"));
        }
        _ if said.contains("unicode") => {
            return FileError::encoding(request.path, format!("{place} holds bytes that are not valid"));
        }
        _ if said.contains("recursion") => format!("is nested deeper than 128 levels at {place}"),
        _ => format!("is not valid JSON at {place}: {said}{}", hint(said)),
    };
    FileError::in_text(request.path, request.place, line, column, &what)
}

/// The likely mistake behind what the parser says.
fn hint(said: &str) -> &'static str {
    match said {
        "expected `,` or `}`" => "; a comma or a closing quote is missing before this place",
        "expected `,` or `]`" => "; a comma is missing before this place",
        "trailing comma" => "; take the last comma of the list out",
        "key must be a string" => "; names stand in double quotes, and after the last one no comma",
        "expected value" => {
            "; texts stand in double quotes, numbers have a decimal point, NaN is written null"
        }
        _ => "",
    }
}
