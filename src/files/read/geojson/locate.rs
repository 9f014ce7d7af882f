//! Where in the text a feature or one of its values begins.

use memchr::memmem;

use super::text::{Span, Text};
use crate::files::read::Input;

/// The byte, after a byte-order mark, at which the value of a property of feature `index`
/// begins; without a property, its coordinates; where there are none, the feature.
pub(in crate::files::read) fn locate(input: &mut Input, index: usize, property: Option<&str>) -> Option<u64> {
    let mut text = Text::new(input);
    let span = feature(&mut text, index)?;
    let bytes = text.slice(span);
    let within = match property {
        Some(name) => value_of(bytes, "properties").and_then(|from| {
            let rest = bytes.get(from..)?;
            value_of(rest, name).map(|at| from + at)
        }),
        None => value_of(bytes, "coordinates").or_else(|| value_of(bytes, "geometry")),
    };
    Some(span.start + within.unwrap_or(0) as u64)
}

/// The feature at a position of the file, of a collection or of features one after the other.
fn feature(text: &mut Text, index: usize) -> Option<Span> {
    let mut start = None;
    text.peek().ok()?;
    let root = text.here();
    text.step(b'{').ok()?;
    while text.peek().ok()?? != b'}' {
        let key = text.value().ok()??;
        let is_features = text.slice(key) == b"\"features\"";
        text.step(b':').ok()?;
        if is_features && text.step(b'[').ok()? {
            return nth(text, index);
        }
        text.value().ok()??;
        text.step(b',').ok()?;
        start = Some(root);
    }
    text.step(b'}').ok()?;
    let first = Span { start: start?, end: text.here() };
    if index == 0 { Some(first) } else { nth(text, index - 1) }
}

/// The value at a position from here on, with or without commas between.
fn nth(text: &mut Text, index: usize) -> Option<Span> {
    for _ in 0..index {
        text.release();
        text.value().ok()??;
        text.step(b',').ok()?;
    }
    text.release();
    text.value().ok()?
}

/// Where the value of a member begins, by the first place where its name stands as one.
fn value_of(bytes: &[u8], name: &str) -> Option<usize> {
    let quoted = serde_json::to_string(name).ok()?;
    memmem::find_iter(bytes, quoted.as_bytes()).find_map(|at| {
        let blank = |from: usize| {
            let rest = bytes.get(from..)?;
            Some(from + rest.iter().position(|b| !b.is_ascii_whitespace())?)
        };
        let colon = blank(at + quoted.len())?;
        (bytes.get(colon) == Some(&b':')).then(|| blank(colon + 1)).flatten()
    })
}
